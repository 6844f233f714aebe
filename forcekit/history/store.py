"""Opening the store, and the two ways to use it: reading and writing.

One athlete and one laptop: an SQLite file in the user's data folder, no set-up. A club: the same calls with the URL of
a PostgreSQL server. The raw recordings lie in a folder beside the file (or, with a server, in the folder given).
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from forcekit.errors import InputError
from forcekit.history import schema
from forcekit.history.place import ENVIRONMENT, RECORDINGS, store_place, user_folder

__all__ = ["Store", "insert_missing", "open_store", "reading", "writing"]

WAIT_S = 30.0
"""How long a writer waits for others. Writes take milliseconds; eight at once wait well below a second each."""

_MIGRATION_LOCK = 7041969
"""Number of the lock a PostgreSQL server gives to one migration at a time; any number no one else uses."""


@dataclass(frozen=True, slots=True, eq=False)
class Store:
    """An open store. Use it in a `with`, or call `close`.

    Attributes
    ----------
    engine : sqlalchemy.Engine
    recordings : Path
        Folder of the raw files.
    place : str
        Where it is, for people; never with a password.
    names : dict
        Known measure names, (name, unit) -> id; filled as they are met.
    """

    engine: sa.Engine
    recordings: Path
    place: str
    names: dict[tuple[str, str], int]

    def close(self) -> None:
        """Close all connections."""
        self.engine.dispose()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def open_store(where: str | Path | None = None, *, recordings: str | Path | None = None) -> Store:
    """Open the store, make it if there is none, and bring its tables up to date.

    Parameters
    ----------
    where : str or Path, optional
        A folder, a file ending in ``.sqlite``, or a ``postgresql://`` URL. Left out: the environment variable
        FORCEKIT_DATA, else the user's data folder.
    recordings : str or Path, optional
        Folder for the raw files; left out it is beside the file, with a server in the user's data folder.

    Notes
    -----
    Folder and files can be read by their owner alone (0700, 0600). SQLite runs with a write-ahead log and full
    synchronisation, so that an attempt that was reported as stored survives a crash. The log does not work on network
    drives: several computers share a server, not a file.
    """
    asked = store_place(where)
    if isinstance(asked, str):
        engine, place = _server(asked)
        folder = Path(recordings) if recordings is not None else user_folder() / RECORDINGS
    else:
        engine, place = _file(asked), str(asked)
        folder = Path(recordings) if recordings is not None else asked.parent / RECORDINGS
    try:
        make_private_folder(folder)
        _update_tables(engine, place)
    except BaseException:
        engine.dispose()
        raise
    return Store(engine, folder, place, {})


@contextmanager
def reading(store: Store) -> Iterator[sa.Connection]:
    """Give a connection that sees one state of the store and writes nothing."""
    with _told(store), store.engine.connect() as conn:
        yield conn


@contextmanager
def writing(store: Store) -> Iterator[sa.Connection]:
    """Give a connection whose changes are stored together at the end, or not at all.

    On SQLite the write lock is taken at the start (BEGIN IMMEDIATE): a transaction that reads first and then writes
    would fail at once when another one writes, without waiting.
    """
    with _told(store), store.engine.connect().execution_options(forcekit_writes=True) as conn, conn.begin():
        yield conn


@contextmanager
def _told(store: Store) -> Iterator[None]:
    """Turn what the machine refuses (disk full, locked too long, server gone) into one sentence."""
    try:
        yield
    except sa.exc.OperationalError as error:
        raise InputError(
            f"store: {store.place} cannot be used now ({_first_line(error)}). Check the disk or the server, "
            "then try again: a lift that was stored in spite of it is recognised by its raw file."
        ) from error
    except (sa.exc.IntegrityError, sa.exc.ProgrammingError, sa.exc.DataError, sa.exc.NotSupportedError):
        raise  # what was asked of the database, not its state
    except sa.exc.DatabaseError as error:
        raise InputError(
            f"store: {store.place} is damaged or cannot be read ({_first_line(error)}). Restore it from a copy; the "
            f"raw recordings lie in {store.recordings}."
        ) from error


def insert_missing(conn: sa.Connection, table: sa.Table, rows: list[dict[str, Any]]) -> None:
    """Insert rows, leaving out those whose unique columns are there already."""
    if not rows:
        return
    if conn.dialect.name == "postgresql":
        from sqlalchemy.dialects.postgresql import insert as pg_insert

        conn.execute(pg_insert(table).on_conflict_do_nothing(), rows)
    else:
        from sqlalchemy.dialects.sqlite import insert as lite_insert

        conn.execute(lite_insert(table).on_conflict_do_nothing(), rows)


def make_private_folder(folder: Path) -> None:
    """Make a folder only its owner can enter; one that exists stays as it is."""
    if folder.is_dir():
        return
    try:
        folder.mkdir(parents=True, mode=0o700, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"store: the folder {folder} cannot be made ({error.strerror}). "
            f"Choose another one with the option or the environment variable {ENVIRONMENT}."
        ) from error


# --------------------------------------------------------------------------------------------------- inside


def _file(file: Path) -> sa.Engine:
    """Engine of an SQLite file that only its owner can read."""
    make_private_folder(file.parent)
    try:
        os.close(os.open(file, os.O_CREAT | os.O_RDWR, 0o600))
    except OSError as error:
        raise InputError(
            f"store: {file} cannot be opened for writing ({error.strerror}). Choose another folder."
        ) from error
    engine = sa.create_engine(sa.URL.create("sqlite", database=str(file)), connect_args={"timeout": WAIT_S})

    @sa.event.listens_for(engine, "connect")
    def _set_up(raw: Any, _: object) -> None:
        # SQLAlchemy's own BEGIN below is the only one: the driver must not begin transactions by itself.
        raw.isolation_level = None
        for pragma in ("synchronous = FULL", "foreign_keys = ON", "secure_delete = ON"):
            raw.execute(f"PRAGMA {pragma}")

    @sa.event.listens_for(engine, "begin")
    def _begin(conn: sa.Connection) -> None:
        writes = conn.get_execution_options().get("forcekit_writes", False)
        conn.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _server(url: str) -> tuple[sa.Engine, str]:
    try:
        parsed = sa.make_url(url)
    except sa.exc.ArgumentError as error:
        raise InputError("store: the address is not a URL such as postgresql://user@host/club. Correct it.") from error
    if parsed.get_backend_name() != "postgresql":
        raise InputError(
            f"store: the address begins with {parsed.drivername}; a folder or a postgresql:// URL is allowed. Use one."
        )
    try:
        engine = sa.create_engine(parsed.set(drivername="postgresql+psycopg"), pool_pre_ping=True)
    except ImportError as error:
        raise InputError(
            'store: a server needs the driver psycopg. Install it with pip install "forcekit[postgres]".'
        ) from error
    return engine, parsed.render_as_string(hide_password=True)


def _update_tables(engine: sa.Engine, place: str) -> None:
    """Switch on the write-ahead log and migrate; one process at a time."""
    try:
        if engine.dialect.name == "sqlite":
            _switch_on_log(engine)
        with engine.connect() as conn:
            if schema.stored_version(conn) == schema.STEPS[-1].version:
                return
        with engine.connect().execution_options(forcekit_writes=True) as conn, conn.begin():
            if engine.dialect.name == "postgresql":
                conn.execute(sa.select(sa.func.pg_advisory_xact_lock(_MIGRATION_LOCK)))
            schema.migrate(conn)
    except (sa.exc.DBAPIError, sqlite3.Error) as error:
        raise InputError(
            f"store: {place} cannot be used ({_first_line(error)}). "
            "Check the address and the rights, or restore the store from a copy."
        ) from error


def _switch_on_log(engine: sa.Engine) -> None:
    """Set the journal mode outside a transaction; SQLite does not wait for this lock by itself."""
    until = time.monotonic() + WAIT_S
    while True:
        raw = engine.raw_connection()
        try:
            raw.cursor().execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.Error as error:
            if "locked" not in str(error) or time.monotonic() > until:
                raise
            time.sleep(0.02)
        finally:
            raw.close()


def _first_line(error: Exception) -> str:
    """What the database said, in one line."""
    told = error.orig if isinstance(error, sa.exc.DBAPIError) and error.orig is not None else error
    lines = str(told).strip().splitlines()
    return lines[0] if lines else type(told).__name__
