"""One recording to the lines it adds to the tables; whatever is wrong with it becomes a reason, never an error."""

from __future__ import annotations

import ctypes
import functools
import gc
import hashlib
import os
import sys
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import msgspec
import numpy as np

from forcekit.acquire.device_file import load_card, load_device
from forcekit.acquire.source import READERS, WHOLE, read
from forcekit.acquire.toml_file import reason_of
from forcekit.analysis.pipeline import Settings, analyze
from forcekit.batch.columns import counts_of, csv_lines, lift_row
from forcekit.batch.find import Job
from forcekit.batch.rules import Rules, device_of
from forcekit.batch.sidecar import said_of
from forcekit.batch.versions import check_identity
from forcekit.errors import ForcekitError, InputError
from forcekit.model import AttemptCard, DeviceFile, Recording
from forcekit.results import Analysis, Curves, Lift

__all__ = ["Common", "Done", "ToKeep", "analyze_group", "failed", "hash_of"]

State = Literal["lifts", "no lift", "failed"]
ROLES = ("recording", "device", "bar", "bar_device")
READ_AHEAD_BYTES = 16_000_000
"""Recordings that are read before the first of them is analysed hold no more than this and the last one: of sessions of
some minutes, sixteen together would take hundreds of megabytes in each worker (measured: 370 MB at 4 minutes)."""


@dataclass(frozen=True, slots=True)
class Common:
    """What is the same for all recordings of a batch.

    Attributes
    ----------
    root : str
    settings : Settings
    rules : Rules
    device, bar_device : str, optional
        Named on the command line: for all recordings.
    store : str, optional
        The history in which lifts are kept.
    identity : str
        Version of all that decides the numbers; a worker with another one refuses to work.
    people : dict of str to str, optional
        By name, what changes with what the history fills into a lifter's cards.
    """

    root: str
    settings: Settings
    rules: Rules
    device: str | None
    bar_device: str | None
    store: str | None
    identity: str
    people: dict[str, str] | None = None


class Done(msgspec.Struct, array_like=True, frozen=True):
    """What became of one recording, as it is written down.

    `fingerprint` changes with whatever decides the lines; it is empty where the next run must try again.
    """

    fingerprint: str
    state: State
    lines: dict[str, str]
    """Table -> lines of CSV."""
    counts: dict[str, int]
    n_lifts: int = 0
    sha256: str = ""
    """Of the recording, where it has lifts."""
    n_nameless: int = 0
    """Lifts that name no lifter, so that no history can keep them."""


@dataclass(frozen=True, slots=True)
class ToKeep:
    """Lifts for the history, without their curves."""

    analysis: Analysis
    files: tuple[str | None, str | None, str | None, str | None]
    at: float
    setup: dict[str, Any]


@dataclass(slots=True)
class _Inputs:
    """Files of one recording by role, with SHA-256, and size and time when it was taken.

    The bytes of the recording itself are kept until it is read.
    """

    paths: dict[str, Path] = field(default_factory=dict)
    hashes: dict[str, str] = field(default_factory=dict)
    stamps: dict[str, tuple[int, int]] = field(default_factory=dict)
    content: bytes | None = None

    def add(self, role: str, path: Path) -> None:
        try:
            stamp = _stamp_of(path)
            if not path.is_file():  # a pipe would be waited for without end
                raise InputError(f"{path.name}: this is a pipe or a device, no file on a disk; leave it out.")
            content = path.read_bytes()
        except OSError as error:
            dangling = path.is_symlink() and isinstance(error, FileNotFoundError)
            why = "this is a link to a file that is not there; mend or delete it" if dangling else reason_of(error)
            raise InputError(f"{path.name}: {why}.") from None
        self.paths[role], self.hashes[role], self.stamps[role] = path, hashlib.sha256(content).hexdigest(), stamp
        if role == "recording" and path.suffix.lower() in READERS:
            self.content = content

    def taken(self) -> bytes | None:
        """Give the bytes of the recording away."""
        content, self.content = self.content, None
        return content

    def changed(self) -> bool:
        """Whether a file is no longer what was hashed; only one with another size or time is hashed again."""
        try:
            return any(
                _stamp_of(path) != self.stamps[role] and hash_of(path) != self.hashes[role]
                for role, path in self.paths.items()
            )
        except OSError:  # it is gone
            return True


def hash_of(path: Path) -> str:
    """SHA-256 of a file's content."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _stamp_of(path: Path) -> tuple[int, int]:
    status = path.stat()
    return status.st_size, status.st_mtime_ns


def analyze_group(common: Common, group: Sequence[tuple[Job, str]]) -> list[tuple[Done | None, ToKeep | None]]:
    """Analyse some recordings; None stands for one whose known fingerprint still holds.

    Parameters
    ----------
    common : Common
    group : sequence of (Job, str)
        With the fingerprints known from an earlier run, empty without.

    Raises
    ------
    InputError
        If other code runs here than where the batch was started, as may be on a cluster.
    """
    check_identity(common.identity)
    keep_freed_memory()
    # First some are read, then they are analysed: the code of either stays in the fast memory of the processor.
    done: list[tuple[Done | None, ToKeep | None]] = []
    opened: deque[_Opened] = deque()
    for job, known in group:
        opened.append(_open(common, job, known))
        if sum(_bytes_of(o.recording) for o in opened) > READ_AHEAD_BYTES:
            done += [_measure(common, opened.popleft()) for _ in range(len(opened))]
    return done + [_measure(common, opened.popleft()) for _ in range(len(opened))]


def _bytes_of(recording: Recording | None) -> int:
    """Memory that the samples of a recording take."""
    streams = () if recording is None else (recording.plate, recording.bar)
    return sum(s.t_s.nbytes + sum(v.nbytes for v in s.raw.values()) for s in streams if s is not None)


@functools.cache
def keep_freed_memory() -> None:
    """Tell the C library of Linux to use freed memory for the next file instead of giving it back and asking again.

    Asking the system for the arrays of each file anew takes a third of the time of an analysis (measured). 3 and 1 are
    M_MMAP_THRESHOLD and M_TRIM_THRESHOLD of mallopt (malloc.h).
    """
    gc.freeze()  # what the imports made stays for good and need not be looked through again
    if sys.platform == "linux":
        mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
        if mallopt is not None:
            mallopt(-3, 1 << 26)
            mallopt(-1, 1 << 28)


@dataclass(slots=True)
class _Opened:
    """A recording that is read, or why it is not, or neither if what is known of it still holds."""

    job: Job
    inputs: _Inputs
    fingerprint: str = ""
    recording: Recording | None = None
    at: float = 0.0
    filled: list[str] = field(default_factory=list)
    problem: str | None = None


def _open(common: Common, job: Job, known: str) -> _Opened:
    """Find, hash and read the files of a job."""
    out = _Opened(job, _Inputs())
    try:
        problem = _find_inputs(common, job, out.inputs)
        if "recording" in out.inputs.hashes:
            out.fingerprint = _fingerprint(common, job, out.inputs, problem)
            if out.fingerprint == known:
                return out
        if problem is not None:
            raise problem
        recording = _read(job, out.inputs)
        if common.store is not None:
            from forcekit.batch.into_store import with_known

            path = out.inputs.paths["recording"]
            recording, out.at, out.filled = with_known(common.store, recording, path, job.date)
        out.recording = recording
    except Exception as error:  # a mistake of ours in one file must not cost the others
        out.problem, out.fingerprint = _why(job, error), "" if isinstance(error, OSError) else out.fingerprint
    finally:
        out.inputs.content = None
    return out


def _measure(common: Common, opened: _Opened) -> tuple[Done | None, ToKeep | None]:
    """Analyse a recording that is read, and make its lines."""
    job, inputs, recording = opened.job, opened.inputs, opened.recording
    if opened.problem is not None:
        return failed(job, opened.problem, opened.fingerprint, inputs), None
    if recording is None:
        return None, None
    try:
        analysis = analyze(recording, common.settings)
        if inputs.changed():
            opened.fingerprint = ""
            raise InputError(
                f"{job.name}: a file of this recording was changed or removed while it was read; run the batch again."
            )
    except Exception as error:  # as in `_open`
        return failed(job, _why(job, error), opened.fingerprint, inputs), None
    keep = None
    if any(lift.card.athlete is not None for lift in analysis.lifts) and common.store is not None:
        keep = _to_keep(common, analysis, recording, inputs, opened.at, opened.filled)
    return _done(job, analysis, opened.fingerprint, inputs), keep


def _find_inputs(common: Common, job: Job, inputs: _Inputs) -> InputError | None:
    """Find and hash the files of a job; what prevents it is handed back, so that the rest still counts."""
    path, root = Path(job.path), Path(common.root)
    try:
        inputs.add("recording", path)
        if path.suffix.lower() not in WHOLE:
            kind: Literal["plate", "bar"] = "bar" if job.alone else "plate"
            said = job.device or (common.bar_device if job.alone else common.device)
            inputs.add("device", Path(said) if said else device_of(path, job.name, root, common.rules, kind))
        if job.bar is not None:
            bar = Path(job.bar)
            inputs.add("bar", bar)
            said = job.bar_device or common.bar_device
            name = os.path.relpath(bar, root).replace(os.sep, "/")
            inputs.add("bar_device", Path(said) if said else device_of(bar, name, root, common.rules, "bar"))
        card = path.with_suffix(".card.toml")
        if card.is_file():
            inputs.add("card", card)
    except InputError as error:
        return error
    return None


def _fingerprint(common: Common, job: Job, inputs: _Inputs, problem: InputError | None) -> str:
    book = common.settings.cue_book
    told = [
        common.identity,
        common.settings.shortest_stance_s,
        None if book is None else hash_of(book),
        common.store,
        job.name,
        sorted(inputs.hashes.items()),
        [inputs.paths[role].name for role in sorted(inputs.paths)],
        None if job.card is None else said_of(job.card),
        [(c.t_s, said_of(c.card)) for c in job.cards],
        job.date,
        _filled_from(common, job, inputs),
        None if problem is None else str(problem),
    ]
    return hashlib.sha256(msgspec.json.encode(told)).hexdigest()


def _filled_from(common: Common, job: Job, inputs: _Inputs) -> list[tuple[str, str]]:
    """What the history fills into the cards; of everybody where a card stands in a file that is not read yet."""
    people = common.people or {}
    if "card" in inputs.hashes or Path(job.path).suffix.lower() in WHOLE:
        return sorted(people.items())
    names = {c.athlete.strip() for c in (job.card, *(t.card for t in job.cards)) if c is not None and c.athlete}
    return sorted((name, people.get(name, "")) for name in names)


@functools.lru_cache(maxsize=64)
def _device(path: Path, digest: str) -> DeviceFile:
    """Device file by the hash of its content, so that thousands of recordings read it once."""
    return load_device(path)


def _read(job: Job, inputs: _Inputs) -> Recording:
    """Recording with its cards: of a file beside it, with what the sidecar says on top."""
    devices = {
        role: _device(inputs.paths[role], inputs.hashes[role])
        for role in ("device", "bar_device")
        if role in inputs.paths
    }
    card = load_card(inputs.paths["card"]) if "card" in inputs.paths else None
    if job.card is not None:
        card = AttemptCard(**({} if card is None else said_of(card)) | said_of(job.card))
    path = inputs.paths["recording"]
    bar, bar_device = inputs.paths.get("bar"), devices.get("bar_device")
    recording = read(path, devices.get("device"), bar, bar_device, card, content=inputs.taken())
    return replace(recording, cards=job.cards) if job.cards else recording


def _done(job: Job, analysis: Analysis, fingerprint: str, inputs: _Inputs) -> Done:
    state: State = "lifts" if analysis.lifts else "no lift"
    notes = [*analysis.notes, *(f"{p.at_s:.2f} s: {p.why}" for p in analysis.passed_over)]
    lifts = csv_lines(lift_row(job.name, i, lift) for i, lift in enumerate(analysis.lifts, 1))
    files = csv_lines([_file_row(job, state, len(analysis.lifts), analysis.reason, notes, inputs)])
    counts = counts_of(analysis) | {f"file\tall\t{state}": 1}
    lines = {"lifts": lifts, "files": files}
    nameless = sum(lift.card.athlete is None for lift in analysis.lifts)
    return Done(fingerprint, state, lines, counts, len(analysis.lifts), inputs.hashes["recording"], nameless)


def failed(job: Job, why: str, fingerprint: str = "", inputs: _Inputs | None = None) -> Done:
    """What is written down of a recording that could not be analysed."""
    inputs = inputs or _Inputs()
    lines = {
        "failures": csv_lines([(job.name, why)]),
        "files": csv_lines([_file_row(job, "failed", 0, why, (), inputs)]),
    }
    return Done(fingerprint, "failed", lines, {"file\tall\tfailed": 1})


def _file_row(
    job: Job, state: State, n_lifts: int, reason: str | None, notes: Sequence[str], inputs: _Inputs
) -> list[object]:
    row: list[object] = [job.name, state, n_lifts, reason, " | ".join(notes) or None]
    row += [inputs.stamps.get("recording", (job.size,))[0], inputs.hashes.get("recording")]
    for role in ROLES[1:]:
        path = inputs.paths.get(role)
        row += [None if path is None else path.name, inputs.hashes.get(role)]
    return row


def _why(job: Job, error: Exception) -> str:
    """Say in a sentence why a recording could not be analysed."""
    if isinstance(error, ForcekitError):
        return str(error)
    if isinstance(error, OSError):
        return f"{job.name}: a file of it can be read no longer ({error.strerror or error}); run the batch again."
    at = error.__traceback__
    while at is not None and at.tb_next is not None:
        at = at.tb_next
    where = "" if at is None else f" in {os.path.basename(at.tb_frame.f_code.co_filename)}, line {at.tb_lineno}"
    return f"forcekit itself made a mistake with this file ({type(error).__name__}: {error}{where}); please report it."


def _to_keep(
    common: Common, analysis: Analysis, recording: Recording, inputs: _Inputs, at: float, filled: list[str]
) -> ToKeep:
    empty = np.zeros(0)
    lifts: tuple[Lift, ...] = tuple(
        replace(lift, curves=Curves(empty, None, empty, empty), bar=None) for lift in analysis.lifts
    )
    setup = {
        "settings": {"shortest_stance_s": common.settings.shortest_stance_s},
        "devices": [s.device.name for s in (recording.plate, recording.bar) if s is not None],
        "filled": filled,
    }
    paths = [inputs.paths.get(role) for role in ROLES]
    files = tuple(None if path is None else str(path) for path in paths)
    return ToKeep(replace(analysis, lifts=lifts), (files[0], files[1], files[2], files[3]), at, setup)
