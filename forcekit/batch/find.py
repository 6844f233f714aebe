"""Which files are recordings: from folders, patterns and lists to jobs in a stable order, bar files paired."""

from __future__ import annotations

import glob
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path

from forcekit.acquire.source import READERS, WHOLE
from forcekit.batch.columns import PROGRESS_FILE, TABLE_FILES
from forcekit.batch.rules import Rules
from forcekit.errors import InputError
from forcekit.model import AttemptCard, TimedCard

__all__ = ["Job", "find_files", "find_jobs"]


@dataclass(frozen=True, slots=True)
class Job:
    """One recording to analyse.

    Attributes
    ----------
    name : str
        Relative to the root of the batch, with slashes; printable.
    path : str
    size : int
        Bytes, for groups of even length.
    alone : bool
        A bar's file without a plate's.
    bar : str, optional
    device, bar_device : str, optional
        What the sidecar says.
    card : AttemptCard, optional
        What is said of all its attempts.
    cards : tuple of TimedCard
        What is said of attempts from a time on.
    date : str, optional
    """

    name: str
    path: str
    size: int
    alone: bool = False
    bar: str | None = None
    device: str | None = None
    bar_device: str | None = None
    card: AttemptCard | None = None
    cards: tuple[TimedCard, ...] = ()
    date: str | None = None


def find_files(inputs: Sequence[str], listed: Sequence[str] = ()) -> tuple[Path, list[Path], list[str]]:
    """Every file that may be a recording, the folder their names are relative to, and where could not be looked.

    Parameters
    ----------
    inputs : sequence of str
        Folders (searched with all folders below), files, and patterns with ``*`` or ``?`` (``**`` for any folders).
    listed : sequence of str
        Lines of list files.

    Raises
    ------
    InputError
        If something named is not there, or nothing is found.
    """
    found: dict[str, None] = {}
    folders: list[str] = []
    passed: list[str] = []
    for given in [*inputs, *listed]:
        path = os.path.abspath(given)
        if os.path.isdir(path):
            folders.append(path)
            found |= dict.fromkeys(_below(path, passed))
        elif os.path.lexists(path):
            found[path] = None
        elif glob.has_magic(given):
            hits = [p for p in glob.glob(path, recursive=True) if os.path.isfile(p) and _is_known(p)]
            if not hits:
                raise InputError(f"{given}: no file fits this pattern; check it, and the folder it is given in.")
            found |= dict.fromkeys(hits)
        else:
            raise InputError(f"{given}: there is no such file or folder; check the spelling.")
    if not found:
        kinds = ", ".join([*READERS, *WHOLE])
        why = f"no recordings are found; files ending in {kinds} are"
        raise InputError(f"{', '.join(inputs) or 'the list'}: {'. '.join([why, *passed])}.")
    root = folders[0] if len(folders) == 1 else os.path.commonpath([os.path.dirname(p) for p in found])
    if not all(p.startswith(root.rstrip(os.sep) + os.sep) for p in found):
        root = os.path.commonpath([os.path.dirname(p) for p in found])
    return Path(root), [Path(p) for p in found], passed


def _below(folder: str, passed: list[str]) -> Iterable[str]:
    """Files of known kinds in a folder and below, hidden ones and tables of batches left out.

    Folders that are passed over are told in `passed`.
    """

    def locked(error: OSError) -> None:
        passed.append(f"{error.filename}: this folder cannot be looked into ({error.strerror}); change its permissions")

    for place, folders, names in os.walk(folder, onerror=locked):
        folders[:] = sorted(f for f in folders if not f.startswith("."))
        # A linked folder may lead back here, and would then never end.
        linked = (path for f in folders if os.path.islink(path := os.path.join(place, f)))
        passed += [f"{path}: a link to a folder is not followed; name it beside {folder}" for path in linked]
        made_here = TABLE_FILES if PROGRESS_FILE in names else ()
        for name in names:
            if not name.startswith(".") and _is_known(name) and name not in made_here:
                yield os.path.join(place, name)


def _is_known(name: str) -> bool:
    suffix = os.path.splitext(name)[1].lower()
    return suffix in READERS or suffix in WHOLE


def find_jobs(root: Path, files: Iterable[Path], rules: Rules, leave_out: Sequence[Path] = ()) -> list[Job]:
    """Jobs in the order of their names, with the bar's file where there is one.

    Parameters
    ----------
    root : Path
    files : iterable of Path
        Absolute.
    rules : Rules
    leave_out : sequence of Path
        Files, and folders with all that is in them, that are no recordings.

    Notes
    -----
    The journal of a recording that was finished is left out: it holds the same as the finished file.
    """
    out = [str(p.absolute()) for p in leave_out]
    named = {}
    for path in files:
        name = os.path.relpath(path, root).replace(os.sep, "/")
        if any(fnmatchcase(name, pattern) for pattern in rules.skip):
            continue
        if any(str(path) == place or str(path).startswith(place + os.sep) for place in out):
            continue
        named[name] = path
    bars = {}
    for name, path in named.items():
        beside = rules.bar_name.replace("{stem}", path.stem).replace("{suffix}", path.suffix)
        if (bar := path.parent / beside) != path and bar.is_file():
            bars[name] = Path(os.path.normpath(bar))
    taken = {str(bar) for bar in bars.values()}
    jobs = []
    for name in sorted(named):
        path = named[name]
        finished = path.suffix == ".forcelog" and any(path.with_suffix(s).is_file() for s in (".parquet", ".npz"))
        if str(path) in taken or finished:
            continue
        shown = name.encode("utf-8", "backslashreplace").decode()
        alone = path.stem.lower().endswith(".bar")
        bar_path = str(bars[name]) if name in bars else None
        jobs.append(Job(shown, str(path), _size(path), alone, bar_path))
    if not jobs:
        raise InputError(f"{root}: all files there are left out by the rules, or are bar files, tables or results.")
    return jobs


def _size(path: Path) -> int:
    """Bytes of a file; of one that is not there 0, for reading it will say so."""
    try:
        return path.stat().st_size
    except OSError:
        return 0
