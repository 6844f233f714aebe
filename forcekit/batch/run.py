"""A batch from beginning to end: find the recordings, do what is not done yet, write the tables."""

from __future__ import annotations

import functools
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from itertools import islice
from pathlib import Path
from typing import Any

from forcekit.acquire.device_file import load_device
from forcekit.analysis.findings import load_cue_book
from forcekit.analysis.pipeline import Settings, check_settings
from forcekit.batch.find import Job, find_files, find_jobs
from forcekit.batch.journal import Journal
from forcekit.batch.one import Common, Done, ToKeep, analyze_group, failed, hash_of
from forcekit.batch.rules import Rules, idle_patterns, load_rules
from forcekit.batch.sidecar import load_sidecar, with_sidecar
from forcekit.batch.tables import can_write_parquet, write_manifest, write_tables
from forcekit.batch.versions import identity, versions
from forcekit.batch.workers import FEW_FILES, Workers, in_groups, process_workers, run_groups, thread_worker
from forcekit.errors import InputError

__all__ = ["BatchResult", "BatchWanted", "run_batch"]

AT_ONCE = 400
"""Names asked for in one question to the journal."""

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchWanted:
    """What a batch is asked for.

    Attributes
    ----------
    inputs : sequence of str
        Folders, files, patterns.
    listed : sequence of str
        Lines of a list of files.
    out : Path
        Folder of the tables; made if it is not there.
    device, bar_device : Path, optional
        For all recordings; left out, rules and what lies beside them say it.
    rules : Path, optional
    cards : Path, optional
        Table of attempt cards.
    settings : Settings
    store : str, optional
        History in which the lifts are kept.
    parquet : bool, optional
        Whether to write Parquet beside CSV; left out, where it can be written.
    anew : bool
        Whether to forget what an earlier run has done.
    """

    inputs: Sequence[str]
    out: Path
    listed: Sequence[str] = ()
    device: Path | None = None
    bar_device: Path | None = None
    rules: Path | None = None
    cards: Path | None = None
    settings: Settings = field(default_factory=Settings)
    store: str | None = None
    parquet: bool | None = None
    anew: bool = False


@dataclass(frozen=True, slots=True)
class BatchResult:
    """What became of a batch: files by state, how many were analysed in this run, and what to tell.

    `n_not_kept` are files whose lifts were analysed but could not be kept in the history, `n_kept` the lifts that it
    has; both are 0 without one.
    """

    n_files: int
    n_with_lifts: int
    n_without: int
    n_failed: int
    n_not_kept: int
    n_kept: int
    n_lifts: int
    n_analysed: int
    warnings: tuple[str, ...]


def run_batch(
    wanted: BatchWanted, workers: Workers | int | None = None, progress: Progress | None = None
) -> BatchResult:
    """Analyse folders of recordings and write their tables.

    Parameters
    ----------
    wanted : BatchWanted
    workers : Workers or int, optional
        Where the work is done, or the number of processes; left out, one for each processor, and this program alone
        for fewer than 30 files.
    progress : callable, optional
        Is told how many files are done, and of how many.

    Notes
    -----
    What an earlier run with the same settings and the same code has done is not done again unless a file changed; the
    tables come out the same, byte for byte, however many workers there are and however often it was interrupted.

    Raises
    ------
    InputError
        If the inputs, the rules, the table of cards or the settings cannot be used. What is wrong with one recording
        is never raised; it stands in the table of failures.
    """
    check_settings(wanted.settings)
    load_cue_book(wanted.settings.cue_book)
    _check_devices(wanted)
    rules = Rules() if wanted.rules is None else load_rules(wanted.rules)
    root, files, warnings = find_files(wanted.inputs, wanted.listed)
    leave_out = [wanted.out, *([] if wanted.cards is None else [wanted.cards])]
    jobs = find_jobs(root, files, rules, leave_out)
    if wanted.rules is not None:
        names = [os.path.relpath(path, root).replace(os.sep, "/") for path in files]
        warnings += [f"{wanted.rules.name}: {idle}" for idle in idle_patterns(rules, names)]
    if wanted.cards is not None:
        jobs, told = _carded(jobs, wanted.cards)
        warnings += told
    common = Common(
        str(root), wanted.settings, rules, _text(wanted.device), _text(wanted.bar_device), wanted.store, identity()
    )
    try:
        wanted.out.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as error:
        raise InputError(f"{wanted.out}: this folder cannot be made ({error.strerror}); name another one.") from None
    with ExitStack() as stack:
        journal = stack.enter_context(Journal(wanted.out))
        if wanted.anew:
            journal.keep_only(())
        if workers is None:
            workers = n_processors() if len(jobs) >= FEW_FILES else 1
        if isinstance(workers, int):
            workers = thread_worker() if workers == 1 else process_workers(workers)
        stack.callback(workers.close)
        n_analysed = _work(workers, common, jobs, journal, progress)
        journal.keep_only(job.name for job in jobs)
        return _finish(wanted, common, jobs, journal, n_analysed, warnings)


def n_processors() -> int:
    """Processors this program may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _text(path: Path | None) -> str | None:
    return None if path is None else str(path.absolute())


def _check_devices(wanted: BatchWanted) -> None:
    if wanted.device is not None:
        load_device(wanted.device)
    if wanted.bar_device is not None and load_device(wanted.bar_device).kind != "bar":
        raise InputError(f"--bar-device {wanted.bar_device}: it describes a plate; name the file of the bar's sensor.")


def _carded(jobs: list[Job], table: Path) -> tuple[list[Job], list[str]]:
    """Jobs with the cards of a table, and what the table says that nothing is made of."""
    sidecar = load_sidecar(table)
    bars = {job.bar for job in jobs if job.bar is not None}
    jobs, missing = with_sidecar(jobs, sidecar)
    told = []
    left = sorted(Path(bar).name for bar in bars - {job.bar for job in jobs})
    if left:
        more = f" and {len(left) - 5} more" if len(left) > 5 else ""
        told.append(f"{table.name}: names another bar file, so that nothing is made of {', '.join(left[:5])}{more}")
    if sidecar.unused:
        told.append(f"{table.name}: columns that mean nothing here and are not used: {', '.join(sidecar.unused)}")
    if missing:
        more = f" and {len(missing) - 5} more" if len(missing) > 5 else ""
        told.append(f"{table.name}: names recordings that are not there: {', '.join(missing[:5])}{more}")
    without = sum(job.card is None and not job.cards for job in jobs)
    if without:
        told.append(f"{table.name}: says nothing of {without} of {len(jobs)} recordings")
    return jobs, told


def _with_known(jobs: Sequence[Job], journal: Journal) -> Iterator[tuple[Job, str]]:
    """Jobs with the fingerprints of an earlier run, some at a time."""
    coming = iter(jobs)
    while some := list(islice(coming, AT_ONCE)):
        known = journal.fingerprints([job.name for job in some])
        yield from ((job, known.get(job.name, "")) for job in some)


def _work(workers: Workers, common: Common, jobs: Sequence[Job], journal: Journal, progress: Progress | None) -> int:
    """Do all jobs that are not done; return how many were analysed."""
    store = None
    with ExitStack() as stack:
        if common.store is not None:
            from forcekit.batch.into_store import check_athletes, filled_in
            from forcekit.history.store import open_store

            store = stack.enter_context(open_store(common.store))
            cards = [c for job in jobs for c in (job.card, *(t.card for t in job.cards)) if c is not None]
            check_athletes(store, {card.athlete.strip() for card in cards if card.athlete})
            common = replace(common, people=filled_in(store))
        groups = in_groups(_with_known(jobs, journal), (job.size for job in jobs), len(jobs), workers.n)
        n_analysed = 0
        task = functools.partial(analyze_group, common)
        batch: list[tuple[str, Done]] = []
        results = run_groups(workers, task, groups, _given_up)
        for n_done, ((job, _), (done, keep)) in enumerate(results, 1):
            if done is not None:
                n_analysed += 1
                if store is not None and keep is not None:
                    done = _kept(store, job, done, keep)
                batch.append((job.name, done))
            if len(batch) >= 16 or n_done == len(jobs):
                journal.write(batch)
                batch = []
            if progress is not None:
                progress(n_done, len(jobs))
        return n_analysed


def _given_up(item: tuple[Job, str], why: str) -> tuple[Done | None, ToKeep | None]:
    return failed(item[0], why), None


def _kept(store: Any, job: Job, done: Done, lifts: ToKeep) -> Done:
    """Keep lifts in the history; what prevents it is a failure that the next run tries again."""
    from forcekit.batch.columns import csv_lines
    from forcekit.batch.into_store import keep

    try:
        keep(store, lifts)
    except InputError as error:
        import msgspec

        why = csv_lines([(job.name, f"analysed, but not kept in the history: {error}")])
        counts = {"file\tall\tnot kept": 1}
        return msgspec.structs.replace(
            done, fingerprint="", lines={**done.lines, "failures": why}, counts=done.counts | counts
        )
    return done


def _finish(
    wanted: BatchWanted, common: Common, jobs: Sequence[Job], journal: Journal, n_analysed: int, warnings: list[str]
) -> BatchResult:
    """Write tables and manifest."""
    states = {"lifts": 0, "no lift": 0, "failed": 0}
    n_lifts = n_failures = n_nameless = n_kept = 0
    name_of: dict[str, str] = {}
    twice: list[str] = []

    def counted() -> Iterator[Done]:
        nonlocal n_lifts, n_failures, n_nameless, n_kept
        names = [job.name for job in jobs]
        for name, done in zip(names, journal.read(names), strict=True):
            if done.n_lifts and name_of.setdefault(done.sha256, name) != name:
                twice.append(f"{name} as {name_of[done.sha256]}")
            states[done.state] += 1
            n_lifts += done.n_lifts
            n_nameless += done.n_nameless
            n_failures += "failures" in done.lines
            if common.store is not None and "failures" not in done.lines:
                n_kept += done.n_lifts - done.n_nameless
            yield done

    parquet = can_write_parquet() if wanted.parquet is None else wanted.parquet
    hashes = write_tables(wanted.out, counted(), parquet=parquet)
    if twice:
        more = f" and {len(twice) - 5} more" if len(twice) > 5 else ""
        warnings.append(f"the same recording twice, its lifts count twice: {', '.join(twice[:5])}{more}; remove one")
    if n_nameless and common.store is not None:
        warnings.append(
            f"--store: {n_nameless} of {n_lifts} lifts name no lifter and were not kept; say who lifts in a table of "
            "cards (--cards)"
        )
    said = {"device": wanted.device, "bar_device": wanted.bar_device, "rules": wanted.rules, "cards": wanted.cards,
            "cue_book": wanted.settings.cue_book}  # fmt: skip
    manifest = {
        "versions": versions(),
        "settings": {
            "shortest_stance_s": wanted.settings.shortest_stance_s,
            "kept_in_history": common.store is not None,
        },
        "files": {what: {"name": p.name, "sha256": hash_of(p)} for what, p in said.items() if p is not None},
        "counts": {"files": len(jobs), **states, "lifts in all": n_lifts, "failures": n_failures},
        "warnings": warnings,
        "tables": hashes,
        "note": "hashes of all recordings and of their device files stand in the table files",
    }
    write_manifest(wanted.out, manifest)
    return BatchResult(
        len(jobs),
        states["lifts"],
        states["no lift"],
        states["failed"],
        n_failures - states["failed"],
        n_kept,
        n_lifts,
        n_analysed,
        tuple(warnings),
    )
