"""Any executor gives the same bytes; a worker that dies costs nothing but time, whoever ended it and whenever."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from deadly import begins_quietly, deadly, dies_while_it_answers, make_lock, slowly
from season_files import batch, command, contents, many

import forcekit.batch.workers as workers_module
from forcekit.analysis.pipeline import Settings
from forcekit.batch import one
from forcekit.batch.find import find_files, find_jobs
from forcekit.batch.processes import Processes, WorkerEnded
from forcekit.batch.rules import Rules
from forcekit.batch.run import BatchWanted, run_batch
from forcekit.batch.versions import identity
from forcekit.batch.workers import Workers, dask_workers, in_groups, process_workers, run_groups, thread_worker
from forcekit.errors import InputError

N_FILES = 60


@pytest.fixture(scope="module")
def folder(season: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Sixty recordings."""
    return many(season, tmp_path_factory.mktemp("many") / "many", N_FILES)


@pytest.fixture(scope="module")
def wanted_bytes(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """What one undisturbed worker makes of them."""
    out = tmp_path_factory.mktemp("serial")
    run_batch(BatchWanted(inputs=[str(folder)], out=out), 1)
    return contents(out)


def test_two_processes_give_the_bytes_of_one(folder: Path, tmp_path: Path, wanted_bytes: dict[str, bytes]) -> None:
    """The command with two workers."""
    batch(folder, "-o", tmp_path, "--workers", "2")
    assert wanted_bytes == contents(tmp_path)


def test_a_dask_cluster_gives_the_same_bytes(folder: Path, tmp_path: Path, wanted_bytes: dict[str, bytes]) -> None:
    """The command with a local cluster of two workers."""
    from distributed import LocalCluster

    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, processes=True) as cluster:
        batch(folder, "-o", tmp_path, "--dask", cluster.scheduler_address)
    assert wanted_bytes == contents(tmp_path)


def test_killed_runs_go_on(folder: Path, tmp_path: Path, wanted_bytes: dict[str, bytes]) -> None:
    """`kill -9` at random moments, twice, then a whole run: the bytes of an undisturbed one."""
    rng = np.random.default_rng(8)
    for moment in rng.uniform(1.5, 2.5, 2):
        child = subprocess.Popen(command(folder, "-o", tmp_path, "--workers", "2"))
        time.sleep(0.1)
        begin = time.monotonic()
        while child.poll() is None and time.monotonic() - begin < moment:
            time.sleep(0.01)
        child.send_signal(signal.SIGKILL)
        child.wait()
    batch(folder, "-o", tmp_path, "--workers", "2")
    assert wanted_bytes == contents(tmp_path)


def test_a_worker_killed_mid_run_costs_only_time(folder: Path, tmp_path: Path, wanted_bytes: dict[str, bytes]) -> None:
    """A worker is killed from outside once there is a first result; the run ends well and with the same bytes."""
    child = subprocess.Popen(command(folder, "-o", tmp_path, "--workers", "2"))
    killed, journal, at_first = False, tmp_path / "progress.sqlite-wal", 0
    while child.poll() is None and not killed:
        workers = [pid for pid in _children(child.pid) if b"spawn_main" in _command_line(pid)]
        at_first = at_first or (journal.stat().st_size if workers else 0)
        if workers and journal.stat().st_size > at_first:  # results of three files are in; 57 files are to come
            os.kill(workers[0], signal.SIGKILL)
            killed = True
        time.sleep(0.01)
    assert killed
    assert 0 == child.wait()
    assert wanted_bytes == contents(tmp_path)


def _children(pid: int) -> list[int]:
    try:
        return [int(word) for of in Path(f"/proc/{pid}/task").glob("*/children") for word in of.read_text().split()]
    except OSError:
        return []


def _command_line(pid: int) -> bytes:
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return b""


def given_up(item: int, why: str) -> str:
    """What is told of an item that ends its worker."""
    return f"{item}: {why}"


def some(n: int) -> Iterator[list[int]]:
    """Groups of five."""
    return in_groups(range(n), [4_000_000] * n, 16 * n, 1)


def test_the_file_that_ends_its_worker_is_found() -> None:
    """One item ends every worker that takes it: it alone is given up, all others are done."""
    workers = process_workers(2)
    got = dict(run_groups(workers, deadly, some(30), given_up))
    workers.close()

    assert "13: the worker ended while it read this file, 2 times" in str(got.pop(13))
    assert {i: 2 * i for i in range(30) if i != 13} == got


def test_a_worker_that_dies_while_it_answers_holds_up_nobody() -> None:
    """Killed in the midst of sending 400 MB: its call fails, those of the other worker and the later ones do not."""
    with Processes(2, begins_quietly) as workers:
        lost = workers.submit(dies_while_it_answers, 400_000_000)
        others = [workers.submit(slowly, i) for i in range(20)]
        assert list(range(20)) == [f.result(timeout=60.0) for f in others]
        with pytest.raises(WorkerEnded, match="code -9"):
            lost.result(timeout=60.0)


def test_what_cannot_be_sent_is_said() -> None:
    """A result or a call that cannot be pickled fails by itself; an exception of the call comes back as it was."""
    with Processes(1, begins_quietly) as workers:
        with pytest.raises(RuntimeError, match="cannot be sent"):
            workers.submit(make_lock).result(timeout=60.0)
        with pytest.raises(Exception, match="pickle"):
            workers.submit(lambda: 1).result(timeout=60.0)
        with pytest.raises(ZeroDivisionError):
            workers.submit(divmod, 1, 0).result(timeout=60.0)
        assert workers.submit(divmod, 7, 2).result(timeout=60.0) == (3, 1)


def test_groups_hold_everything_once_and_stay_small() -> None:
    """Up to 16 items and 20 MB, in order, nothing lost; few items are spread over the workers."""
    groups = list(in_groups(range(1000), [2_000_000] * 1000, 1000, 2))
    assert list(range(1000)) == [i for group in groups for i in group]
    assert 10 == max(map(len, groups))
    assert 16 == max(map(len, in_groups(range(1000), [1] * 1000, 1000, 2)))
    assert [[0], [1], [2]] == list(in_groups(range(3), [50_000_000] * 3, 3, 2))


def test_no_more_is_under_way_than_the_workers_need() -> None:
    """Groups are taken two a worker at a time, so that memory does not grow with the number of files."""
    taken = 0

    def groups() -> Iterator[list[int]]:
        nonlocal taken
        for group in some(200):
            taken += 1
            yield group

    workers: Workers = thread_worker()
    for i, _ in enumerate(run_groups(workers, deadly, (g for g in groups() if 13 not in g), given_up)):
        assert taken <= i // 5 + 4
    workers.close()


def test_no_scheduler_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """A wrong address is one sentence."""
    monkeypatch.setattr(workers_module, "ANSWERS_WITHIN_S", 0.3)
    with pytest.raises(InputError, match="no scheduler answers"), dask_workers("tcp://127.0.0.1:9"):
        pass


@pytest.mark.parametrize(("most", "order"), [(9.0, "OOOMMM"), (0.0, "OMOMOM"), (1.5, "OOMMOM")])
def test_large_recordings_are_not_all_read_ahead(
    most: float, order: str, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Small ones are read together; what they take in memory is bounded, and results come in the order asked for."""
    root, files, _ = find_files([str(folder)])
    jobs = find_jobs(root, files, Rules())[:3]
    common = one.Common(str(root), Settings(), Rules(), None, None, None, identity())
    group = [(job, "") for job in jobs]
    usual = one.analyze_group(common, group)
    seen: list[str] = []
    each = one._bytes_of(one._open(common, *group[0]).recording)
    assert each > 10_000
    for letter, name in (("O", "_open"), ("M", "_measure")):
        real = getattr(one, name)
        monkeypatch.setattr(one, name, lambda *a, real=real, letter=letter: (seen.append(letter), real(*a))[1])
    monkeypatch.setattr(one, "READ_AHEAD_BYTES", most * each)
    assert usual == one.analyze_group(common, group)
    assert order == "".join(seen)
