"""What a batch has done already: one entry per recording, safe against a kill at any moment.

A small SQLite file in the folder of the tables. Entries are written group by group; a killed run has lost at most the
groups that were under way. The tables are made from it when all recordings are done, so that they never depend on the
order in which the workers finished.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import msgspec

from forcekit.batch.columns import PROGRESS_FILE
from forcekit.batch.one import Done
from forcekit.errors import InputError

__all__ = ["Journal"]

_FORMAT = 1


class Journal:
    """The entries of one folder of tables; one program at a time may have it open.

    Parameters
    ----------
    folder : Path

    Raises
    ------
    InputError
        If another batch writes into this folder, or the file is damaged.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / PROGRESS_FILE
        try:
            os.close(os.open(self.path, os.O_CREAT | os.O_RDWR, 0o600))  # athletes are named in it
        except OSError as error:
            raise InputError(f"{self.path}: cannot be made ({error.strerror}); name another folder.") from None
        try:
            self._db = sqlite3.connect(self.path, timeout=0.5, isolation_level=None)
            self._db.execute("PRAGMA locking_mode=EXCLUSIVE")
            self._db.execute("PRAGMA journal_mode=WAL")
            self._db.execute("PRAGMA synchronous=NORMAL")
            self._db.execute("BEGIN IMMEDIATE")
            if self._db.execute("PRAGMA user_version").fetchone()[0] != _FORMAT:
                self._db.execute("DROP TABLE IF EXISTS done")
                self._db.execute(
                    "CREATE TABLE done (name TEXT PRIMARY KEY, fingerprint TEXT, entry BLOB) WITHOUT ROWID"
                )
                self._db.execute(f"PRAGMA user_version={_FORMAT}")
            self._db.execute("COMMIT")
        except sqlite3.OperationalError as error:
            raise InputError(
                f"{self.path}: cannot be used ({error}); another batch may be writing into this folder: wait for it, "
                "or name another folder."
            ) from None
        except sqlite3.DatabaseError:
            raise InputError(f"{self.path}: is damaged; delete it, and everything is analysed again.") from None

    def __enter__(self) -> Journal:
        return self

    def __exit__(self, *_: object) -> None:
        self._db.close()

    def fingerprints(self, names: Sequence[str]) -> dict[str, str]:
        """Fingerprints of those recordings that are done."""
        marks = ",".join("?" * len(names))
        return dict(self._db.execute(f"SELECT name, fingerprint FROM done WHERE name IN ({marks})", names))

    def write(self, entries: Iterable[tuple[str, Done]]) -> None:
        """Write entries, all or none; an older one of the same recording is replaced."""
        rows = [(name, done.fingerprint, msgspec.msgpack.encode(done)) for name, done in entries]
        with self._changes():
            self._db.executemany("INSERT OR REPLACE INTO done VALUES (?, ?, ?)", rows)

    def read(self, names: Iterable[str]) -> Iterator[Done]:
        """Entries in the order of the names."""
        for name in names:
            (entry,) = self._db.execute("SELECT entry FROM done WHERE name = ?", (name,)).fetchone()
            yield msgspec.msgpack.decode(entry, type=Done)

    def keep_only(self, names: Iterable[str]) -> None:
        """Forget recordings that are no longer there, so that nothing of a deleted one stays."""
        with self._changes():
            self._db.execute("CREATE TEMP TABLE IF NOT EXISTS wanted (name TEXT PRIMARY KEY) WITHOUT ROWID")
            self._db.execute("DELETE FROM wanted")
            self._db.executemany("INSERT OR IGNORE INTO wanted VALUES (?)", ((name,) for name in names))
            self._db.execute("DELETE FROM done WHERE name NOT IN (SELECT name FROM wanted)")

    @contextmanager
    def _changes(self) -> Iterator[None]:
        """All changes made within, or none."""
        try:
            self._db.execute("BEGIN IMMEDIATE")
            yield
            self._db.execute("COMMIT")
        except sqlite3.Error as error:
            raise InputError(
                f"{self.path}: cannot be written ({error}); see to the disk and give the same command again, it goes "
                "on where it stopped."
            ) from None
