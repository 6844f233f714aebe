"""Complete deletion: of one athlete, or of one attempt."""

from __future__ import annotations

from dataclasses import dataclass

import sqlalchemy as sa

from forcekit.errors import InputError
from forcekit.history import schema as t
from forcekit.history.people import find_athlete_id
from forcekit.history.recordings import remove_unused
from forcekit.history.store import Store, writing

__all__ = ["Removed", "remove_athlete", "remove_attempt"]


@dataclass(frozen=True, slots=True)
class Removed:
    """What was deleted."""

    n_attempts: int
    n_results: int
    n_files: int


def remove_athlete(store: Store, name: str) -> Removed:
    """Delete an athlete with all attempts, results, body masses and raw files; nothing of it can be brought back.

    Notes
    -----
    A raw file that also holds another athlete's attempts stays. SQLite overwrites what it deletes (secure_delete), and
    the write-ahead log is emptied. On a server, backups and the server's own logs are its administrator's to clean.
    """
    who = find_athlete_id(store, name)
    mine = sa.select(t.attempts.c.id).where(t.attempts.c.athlete_id == who)
    with writing(store) as conn:
        n_attempts = conn.execute(sa.select(sa.func.count()).select_from(mine.subquery())).scalar_one()
        n_results, hashes = _delete(conn, mine, t.measures.c.athlete_id == who)
        for table in (t.body_masses, t.attempts):
            conn.execute(sa.delete(table).where(table.c.athlete_id == who))
        conn.execute(sa.delete(t.athletes).where(t.athletes.c.id == who))
        _delete_empty_sessions(conn)
    return Removed(int(n_attempts), n_results, _finish(store, hashes))


def remove_attempt(store: Store, attempt_id: int) -> Removed:
    """Delete one attempt with all its results, and its raw files if no other attempt uses them."""
    a = t.attempts.c
    with writing(store) as conn:
        who = conn.execute(sa.select(a.athlete_id).where(a.id == attempt_id)).scalar_one_or_none()
        if who is None:
            raise InputError(f"store: there is no attempt {attempt_id}. List the athlete's attempts for their numbers.")
        one = sa.select(a.id).where(a.id == attempt_id)
        # Every measure's name leads to one place of the table; without the names the athlete's whole part is read.
        named = t.measures.c.measure_id.in_(sa.select(t.measure_names.c.id))
        of_attempt = (t.measures.c.athlete_id == who) & named & (t.measures.c.attempt_id == attempt_id)
        n_results, hashes = _delete(conn, one, of_attempt)
        conn.execute(sa.delete(t.attempts).where(a.id == attempt_id))
    return Removed(1, n_results, _finish(store, hashes))


def _delete(
    conn: sa.Connection, attempts: sa.Select[tuple[int]], measures: sa.ColumnElement[bool]
) -> tuple[int, list[str]]:
    """Delete what hangs on the attempts; gives the number of results and the hashes of files no one needs."""
    links, files = t.attempt_recordings.c, t.recordings.c
    results = sa.select(t.results.c.id).where(t.results.c.attempt_id.in_(attempts))
    used = list(conn.execute(sa.select(links.recording_id).distinct().where(links.attempt_id.in_(attempts))).scalars())
    conn.execute(sa.delete(t.measures).where(measures))
    for table in (t.findings, t.quality_checks):
        conn.execute(sa.delete(table).where(table.c.result_id.in_(results)))
    n_results = conn.execute(sa.delete(t.results).where(t.results.c.attempt_id.in_(attempts))).rowcount
    conn.execute(sa.delete(t.attempt_recordings).where(links.attempt_id.in_(attempts)))
    hashes: list[str] = []
    for some in (used[i : i + 500] for i in range(0, len(used), 500)):
        free = files.id.in_(some) & ~sa.exists().where(links.recording_id == files.id)
        hashes += conn.execute(sa.select(files.sha256).where(free)).scalars()
        conn.execute(sa.delete(t.recordings).where(free))
    return int(n_results), hashes


def _delete_empty_sessions(conn: sa.Connection) -> None:
    """Delete sessions in which nothing is left; their notes may speak of the athlete."""
    conn.execute(sa.delete(t.sessions).where(~sa.exists().where(t.attempts.c.session_id == t.sessions.c.id)))


def _finish(store: Store, hashes: list[str]) -> int:
    """Delete the raw files after the rows are gone for good, and empty what the database keeps aside."""
    n_files = remove_unused(store, hashes)
    sqlite = store.engine.dialect.name == "sqlite"
    with store.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as conn:
        conn.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)" if sqlite else "VACUUM")
    return n_files
