# ruff: noqa: E402
"""How fast the store is with a million attempts, and what survives when writers are killed.

Run from the checkout::

    python tests/benchmarks/history_store.py speed [FOLDER] [N_ATTEMPTS]   # 1 000 000 attempts; about 4 GB
    python tests/benchmarks/history_store.py crash [N_KILLS]               # 200 kills on SQLite, 200 on PostgreSQL

`speed` fills a store with attempts of 400 athletes in order of time (all athletes mixed, one of them ten times as
busy), 30 measures each, and then times one athlete's trend and the adding of a rep, each through forcekit and as the
plain SQL it stands on. Times are the median and the 95th percentile.
"""

from __future__ import annotations

import random
import sqlite3
import sys
import tempfile
import time
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1] / "history")]

from crash_checks import kill_while_writing, problems
from private_server import private_server, programs_folder
from writer_child import MEASURES, add_one

from forcekit.history.attempts import add_attempt
from forcekit.history.people import add_athlete
from forcekit.history.questions import trend_of, usual_of
from forcekit.history.series import series
from forcekit.history.store import Store, open_store
from forcekit.model import AttemptCard
from forcekit.results import Measure

N_ATHLETES = 400
N_MEASURES = 30
START = 1_600_000_000.0


def fill(folder: Path, n_attempts: int) -> None:
    """Write a large store with plain SQL, in the order of the tables' keys."""
    with open_store(folder) as store:
        for i in range(N_ATHLETES):
            add_athlete(store, f"athlete {i}")
    db = sqlite3.connect(folder / "history.sqlite", isolation_level=None)
    db.execute("PRAGMA synchronous = OFF")
    db.execute("PRAGMA cache_size = -400000")
    db.execute("BEGIN")
    rng = np.random.default_rng(1)
    weights = np.ones(N_ATHLETES)
    weights[0] = 10.0
    athlete = rng.choice(N_ATHLETES, n_attempts, p=weights / weights.sum()) + 1
    names = [(j + 1, f"measure_{j}" if j else "transition_time", "s") for j in range(N_MEASURES)]
    db.executemany("INSERT INTO measure_names (id, name, unit) VALUES (?, ?, ?)", names)
    rows = zip(range(1, n_attempts + 1), athlete.tolist(), strict=True)
    db.executemany(
        "INSERT INTO attempts (id, uid, athlete_id, lifted_at, load_kg, movement, outcome)"
        " VALUES (?, ?, ?, ?, ?, 'jerk', 'made')",
        ((i, uuid.uuid4().hex, a, START + 100.0 * i, 60.0 + i % 41) for i, a in rows),
    )
    db.executemany(
        "INSERT INTO results (id, uid, attempt_id, analysed_at, software, definitions, setup, fingerprint)"
        " VALUES (?, ?, ?, 0, '0', '0', '{}', ?)",
        ((i, uuid.uuid4().hex, i, str(i)) for i in range(1, n_attempts + 1)),
    )
    db.executemany("INSERT INTO measures VALUES (?, ?, ?, ?, ?, ?, ?, NULL)", _measure_rows(athlete, rng))
    db.execute("COMMIT")
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.close()


def _measure_rows(athlete: np.ndarray, rng: np.random.Generator) -> Iterator[tuple[object, ...]]:
    for a in range(1, N_ATHLETES + 1):
        attempts = np.flatnonzero(athlete == a) + 1
        for j in range(1, N_MEASURES + 1):
            values = 0.13 + 0.01 * rng.standard_normal(attempts.size)
            for i, v in zip(attempts.tolist(), values.tolist(), strict=True):
                yield a, j, i, i, v, v - 0.005, v + 0.005


def timed(what: str, call: Callable[[], object], n: int) -> None:
    """Print median and 95th percentile of a call, in ms."""
    call()
    spent = []
    for _ in range(n):
        begin = time.perf_counter()
        call()
        spent.append(1e3 * (time.perf_counter() - begin))
    print(f"{what:<62} {np.median(spent):8.2f} {np.percentile(spent, 95):8.2f} ms")


def speed(folder: Path, n_attempts: int) -> None:
    """Time trends and adding."""
    if not (folder / "history.sqlite").exists():
        begin = time.perf_counter()
        fill(folder, n_attempts)
        print(f"filled in {time.perf_counter() - begin:.0f} s")
    db = sqlite3.connect(folder / "history.sqlite")
    total, busy = (db.execute(f"SELECT COUNT(*) FROM attempts{w}").fetchone()[0] for w in ("", " WHERE athlete_id = 1"))
    usual = db.execute("SELECT COUNT(*) FROM attempts WHERE athlete_id = 200").fetchone()[0]
    size = (folder / "history.sqlite").stat().st_size / 1e9
    print(f"{total} attempts of {N_ATHLETES} athletes, {N_MEASURES} measures each, {size:.1f} GB")
    print("median and 95th percentile")
    plain = (
        "SELECT a.lifted_at, a.load_kg, m.value FROM attempts a JOIN measures m ON m.attempt_id = a.id"
        " AND m.athlete_id = a.athlete_id WHERE a.athlete_id = ? AND m.measure_id = 1 ORDER BY a.lifted_at"
    )
    cold = iter(range(2, N_ATHLETES))
    with open_store(folder) as store:
        timed(f"plain query, one athlete ({usual} attempts)", lambda: db.execute(plain, (200,)).fetchall(), 30)
        timed("series, the same athlete", lambda: series(store, "athlete 199", "transition_time"), 30)
        timed(
            "series, another athlete each time", lambda: series(store, f"athlete {next(cold)}", "transition_time"), 60
        )
        timed("trend (read and computed)", lambda: trend_of(store, "athlete 199", "transition_time"), 30)
        timed(
            "usual range (read and computed)",
            lambda: usual_of(store, "athlete 199", "transition_time", load_kg=80.0),
            30,
        )
        timed(f"plain query, the busiest athlete ({busy} attempts)", lambda: db.execute(plain, (1,)).fetchall(), 10)
        timed("series, the busiest athlete", lambda: series(store, "athlete 0", "transition_time"), 10)
        timed("trend, the busiest athlete", lambda: trend_of(store, "athlete 0", "transition_time"), 10)
        recent = START + 100.0 * n_attempts - 180 * 86400.0
        timed("trend, the busiest athlete, last 180 days",
              lambda: trend_of(store, "athlete 0", "transition_time", since=recent), 10)  # fmt: skip
        number = iter(range(10_000_000, 20_000_000))
        scratch = Path(tempfile.mkdtemp())
        timed(
            f"adding a rep ({N_MEASURES} measures, raw file of 20 bytes, all synced)",
            lambda: add_one(store, f"athlete {next(number) % N_ATHLETES}", next(number), scratch),
            200,
        )
        timed("adding a rep without a raw file", lambda: _add_bare(store, next(number)), 200)
        db.isolation_level = None
        db.execute("PRAGMA synchronous = FULL")
        timed("plain insert of the same rows", lambda: _plain_add(db, next(number)), 200)


def _add_bare(store: Store, number: int) -> None:
    values = [Measure(name, "s", 0.1, 0.09, 0.11) for name in MEASURES]
    card = AttemptCard(load_kg=80.0, outcome="made")
    add_attempt(store, f"athlete {number % N_ATHLETES}", values, card=card, definitions="1", at=2e9 + number)


def _plain_add(db: sqlite3.Connection, number: int) -> None:
    who = 1 + number % N_ATHLETES
    db.execute("BEGIN IMMEDIATE")
    attempt = db.execute(
        "INSERT INTO attempts (uid, athlete_id, lifted_at, load_kg) VALUES (?, ?, ?, 80)",
        (uuid.uuid4().hex, who, 2e9 + number),
    ).lastrowid
    result = db.execute(
        "INSERT INTO results (uid, attempt_id, analysed_at, software, definitions, setup, fingerprint)"
        " VALUES (?, ?, 0, '0', '0', '{}', '')",
        (uuid.uuid4().hex, attempt),
    ).lastrowid
    rows = [(who, j, attempt, result, 0.1, 0.09, 0.11) for j in range(1, N_MEASURES + 1)]
    db.executemany("INSERT INTO measures VALUES (?, ?, ?, ?, ?, ?, ?, NULL)", rows)
    db.execute("COMMIT")


def crash(n_kills: int) -> None:
    """Kill writers n_kills times on each database; on PostgreSQL every fifth time the whole server."""
    folder = Path(tempfile.mkdtemp())
    print("SQLite    ", _kills(str(folder / "lite"), folder / "lite-files", folder, n_kills, None))
    if programs_folder() is None:
        print("PostgreSQL is not installed")
        return
    with private_server() as server:

        def kill_server(_: object) -> None:
            server.crash()
            server.start()

        print("PostgreSQL", _kills(server.new_database("crash"), folder / "pg-files", folder, n_kills, kill_server))


def _kills(address: str, files: Path, scratch: Path, n: int, kill_server: Callable[[object], None] | None) -> str:
    rng = random.Random(1)
    with open_store(address, recordings=files) as store:
        add_athlete(store, "Ina")
    acknowledged: list[str] = []
    wrong: list[str] = []
    n_servers = 0
    for i in range(n):
        at_kill = kill_server if kill_server is not None and i % 5 == 4 else None
        n_servers += at_kill is not None
        acknowledged += kill_while_writing(address, files, "Ina", 100_000 * i, scratch, rng, at_kill=at_kill)
        if i % 20 == 19 or i == n - 1:
            with open_store(address, recordings=files) as store:
                wrong += problems(store, acknowledged)
    kinds = f"{n} kills" + (f" ({n_servers} of them of the whole server)" if n_servers else "")
    return f"{kinds}, {len(acknowledged)} attempts acknowledged, problems: {wrong or 'none'}"


if __name__ == "__main__":
    if sys.argv[1:2] == ["speed"]:
        place = Path(sys.argv[2]) if len(sys.argv) > 2 else Path(tempfile.mkdtemp(prefix="history"))
        speed(place, int(sys.argv[3]) if len(sys.argv) > 3 else 1_000_000)
    elif sys.argv[1:2] == ["crash"]:
        crash(int(sys.argv[2]) if len(sys.argv) > 2 else 200)
    else:
        print(__doc__)
