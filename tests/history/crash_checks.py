"""What must hold in a store after writers were killed; used by the tests and by the long run in benchmarks."""

from __future__ import annotations

import hashlib
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import sqlalchemy as sa
from writer_child import N_MEASURES

from forcekit.history import schema as t
from forcekit.history.recordings import find_kept
from forcekit.history.store import Store, reading

CHILD = Path(__file__).with_name("writer_child.py")


def start_writer(
    address: str, recordings: Path, athlete: str, first: int, n: int, scratch: Path, stderr: int | None = None
) -> subprocess.Popen[str]:
    """Start a process that adds attempts; `stderr` as in subprocess."""
    arguments = [address, str(recordings), athlete, str(first), str(n), str(scratch)]
    root = str(CHILD.parents[2])
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([root, os.environ.get("PYTHONPATH", "")])}
    return subprocess.Popen(
        [sys.executable, str(CHILD), *arguments], stdout=subprocess.PIPE, stderr=stderr, text=True, env=environment
    )


def kill_while_writing(
    address: str, recordings: Path, athlete: str, first: int, scratch: Path, rng: random.Random,
    at_kill: Callable[[subprocess.Popen[str]], None] | None = None,
) -> list[str]:  # fmt: skip
    """Let a writer begin, kill it at a random moment, and give the uids it had acknowledged."""
    child = start_writer(address, recordings, athlete, first, 100_000, scratch, subprocess.DEVNULL)
    assert child.stdout is not None
    acknowledged = [child.stdout.readline().strip()]
    time.sleep(rng.uniform(0.0, 0.08))
    if at_kill is None:
        child.send_signal(signal.SIGKILL)
    else:
        at_kill(child)
    acknowledged += [line.strip() for line in child.stdout if line.endswith("\n")]
    child.wait()
    child.stdout.close()
    return [uid for uid in acknowledged if uid]


def problems(store: Store, acknowledged: list[str]) -> list[str]:
    """Everything that is wrong: damage, lost attempts, half attempts, missing or wrong raw files."""
    found: list[str] = []
    a, r, m = t.attempts.c, t.results.c, t.measures.c
    links, files = t.attempt_recordings.c, t.recordings.c
    with reading(store) as conn:
        if conn.dialect.name == "sqlite":
            said = conn.exec_driver_sql("PRAGMA integrity_check").scalar_one()
            found += [f"integrity: {said}"] if said != "ok" else []
        counts = {row[0]: row[1:] for row in conn.execute(
            sa.select(
                a.uid,
                sa.select(sa.func.count()).where(r.attempt_id == a.id).scalar_subquery(),
                sa.select(sa.func.count()).where(links.attempt_id == a.id).scalar_subquery(),
            )
        )}  # fmt: skip
        n_measures = dict(
            conn.execute(sa.select(a.uid, sa.func.count()).join(t.measures, m.attempt_id == a.id).group_by(a.uid)).all()
        )
        for table in (t.findings, t.quality_checks):
            n = conn.execute(sa.select(sa.func.count()).select_from(table)).scalar_one()
            found += [f"{table.name}: {n} rows for {len(counts)} attempts"] if n != len(counts) else []
        hashes = conn.execute(sa.select(files.sha256)).scalars().all()
    found += [f"lost: {uid}" for uid in acknowledged if uid not in counts]
    found += [
        f"half: {uid} {c}" for uid, c in counts.items() if tuple(c) != (1, 1) or n_measures.get(uid) != N_MEASURES
    ]
    for sha256 in hashes:
        path = find_kept(store, sha256)
        if path is None or hashlib.sha256(path.read_bytes()).hexdigest() != sha256:
            found.append(f"raw file {sha256}")
    return found
