"""Speed and memory of `forcekit batch`, as ratios in one run.

Run from the checkout::

    python tests/benchmarks/batch_speed.py files 200          # per file: over the bare parse, over the plain script
    python tests/benchmarks/batch_speed.py workers 1000       # the command with two workers over one
    python tests/benchmarks/batch_speed.py memory 1000 10000  # peak memory of each worker

Recordings of 10 s at 1 kHz with 8 channels. Per file, the ways take turns on each group of files and processor time
is compared, so that what else the machine does weighs on all alike. Of the plain script there are two: as it is, and
with the 95 % intervals that forcekit gives, got the ordinary way, by doing it all again with other errors of the plate
(Monte Carlo, JCGM 101:2008, with only 100 trials).
"""

from __future__ import annotations

import contextlib
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from forcekit.batch.find import Job

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
sys.path.insert(0, str(Path(__file__).parent))


@contextlib.contextmanager
def folder_of(n: int) -> Iterator[Path]:
    """A folder of n recordings, removed afterwards."""
    from batch_files import make_folder

    place = Path(tempfile.mkdtemp())
    try:
        yield make_folder(place / "season", n)
    finally:
        shutil.rmtree(place)


def files(n: int) -> None:
    """Processor time per file of the bare parses, the plain script and forcekit, and their ratios."""
    import pandas as pd
    import plain_script
    import pyarrow.csv as pc

    from forcekit.analysis.pipeline import Settings
    from forcekit.batch.find import find_files, find_jobs
    from forcekit.batch.one import Common, analyze_group
    from forcekit.batch.rules import Rules
    from forcekit.batch.versions import identity
    from forcekit.batch.workers import LARGEST_GROUP

    with folder_of(n) as folder:
        root, found, _ = find_files([str(folder)])
        common = Common(str(root), Settings(), Rules(), None, None, None, identity())
        jobs = find_jobs(root, found, Rules())
        options = pc.ReadOptions(use_threads=False, skip_rows=1)
        ways: dict[str, Callable[[Sequence[Job]], object]] = {
            "bare parse, pandas": lambda some: [pd.read_csv(job.path, skiprows=1) for job in some],
            "bare parse, pyarrow": lambda some: [pc.read_csv(job.path, read_options=options) for job in some],
            "plain script": lambda some: [_plain(plain_script.measures, job) for job in some],
            "forcekit batch": lambda some: analyze_group(common, [(job, "") for job in some]),
            "plain script, intervals": lambda some: [_plain(plain_script.intervals, job) for job in some],
        }
        for way in ways.values():  # imports and first calls are not counted
            way(jobs[:2])
        taken: dict[str, list[float]] = {name: [] for name in ways}
        groups = [jobs[i : i + LARGEST_GROUP] for i in range(0, n, LARGEST_GROUP)]
        for group in groups:
            for name, way in ways.items():
                some = group[:1] if way is ways["plain script, intervals"] else group
                start = time.process_time()
                way(some)
                taken[name].append((time.process_time() - start) / len(some))
    bases = ("bare parse, pandas", "plain script", "plain script, intervals")
    head = f"{'median':>10} {'fastest':>10} {'over the parse':>15} {'script':>7} {'intervals':>10}"
    print(f"{f'{n} files, per file':24} {head}")
    for name, times in taken.items():
        over = [statistics.median(t / b for t, b in zip(times, taken[base], strict=True)) for base in bases]
        median, fastest = 1e3 * statistics.median(times), 1e3 * min(times)
        print(f"{name:24} {median:7.2f} ms {fastest:7.2f} ms {over[0]:15.2f} {over[1]:7.2f} {over[2]:10.3f}")


def _plain(measures: Callable[[Path], object], job: Job) -> None:
    with contextlib.suppress(ValueError, IndexError):
        measures(Path(job.path))


def command(folder: Path, out: Path, n_workers: int) -> list[str]:
    """Words of the command."""
    words = [sys.executable, "-m", "forcekit", "batch", str(folder), "-o", str(out), "--workers", str(n_workers)]
    return [*words, "--no-parquet"]


def workers(n: int, rounds: int = 3) -> None:
    """Wall time of the whole command with one and two workers, in turn; and whether the tables are the same bytes."""
    with folder_of(n) as folder:
        taken: dict[int, list[float]] = {1: [], 2: []}
        for i in range(rounds):
            for k in taken:
                out = folder.parent / f"out_{k}_{i}"
                start = time.perf_counter()
                subprocess.run(command(folder, out, k), check=True, capture_output=True)
                taken[k].append(time.perf_counter() - start)
        same = {
            name: len({(folder.parent / f"out_{k}_{i}" / name).read_bytes() for k in taken for i in range(rounds)}) == 1
            for name in ("lifts.csv", "failures.csv", "files.csv", "quality.csv", "manifest.json")
        }
    ratios = [a / b for a, b in zip(taken[1], taken[2], strict=True)]
    for k, times in taken.items():
        print(f"workers: {k}, {n} files in {statistics.median(times):.1f} s, at best {n / min(times):.0f} files/s")
    print(
        f"two workers over one: {statistics.median(ratios):.2f} (each round: {', '.join(f'{r:.2f}' for r in ratios)})"
    )
    print(f"same bytes: {same}")


def memory(*counts: int) -> None:
    """Peak memory of the program and of each of two workers, for several numbers of files."""
    for n in counts:
        with folder_of(n) as folder:
            start = time.perf_counter()
            child = subprocess.Popen(command(folder, folder.parent / "out", 2), stdout=subprocess.DEVNULL)
            peaks: dict[int, int] = {}
            while child.poll() is None:
                for pid in (child.pid, *_children(child.pid)):
                    peaks[pid] = max(peaks.get(pid, 0), _peak_kb(pid))
                time.sleep(0.2)
            seconds = time.perf_counter() - start
            of_workers = sorted(v for pid, v in peaks.items() if pid != child.pid and v > 40_000)
            told = ", ".join(f"{kb / 1024:.0f}" for kb in of_workers)
            print(f"{n} files in {seconds:.0f} s: workers {told} MB, program {peaks[child.pid] / 1024:.0f} MB")
            size = sum(p.stat().st_size for p in (folder.parent / "out").iterdir())
            print(f"  tables and journal {size / 1e6:.0f} MB")


def _children(pid: int) -> list[int]:
    try:
        return [int(word) for of in Path(f"/proc/{pid}/task").glob("*/children") for word in of.read_text().split()]
    except OSError:
        return []


def _peak_kb(pid: int) -> int:
    try:
        text = Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return 0
    return next((int(line.split()[1]) for line in text.splitlines() if line.startswith("VmHWM")), 0)


if __name__ == "__main__":
    {"files": files, "workers": workers, "memory": memory}[sys.argv[1]](*(int(word) for word in sys.argv[2:]))
