"""Stores to test on: SQLite always, PostgreSQL where its programs are installed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count
from pathlib import Path

import pytest
from private_server import Server, private_server, programs_folder

from forcekit.history.store import Store, open_store

_number = count()


@dataclass(frozen=True)
class Place:
    """Where a store can be opened: address, folder of raw files, and the server if there is one."""

    address: str
    recordings: Path
    server: Server | None

    def open(self) -> Store:
        """Open it."""
        return open_store(self.address, recordings=self.recordings)


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    """A private PostgreSQL server."""
    if programs_folder() is None:
        pytest.skip("PostgreSQL's programs initdb and pg_ctl are not installed")
    with private_server() as running:
        yield running


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Place:
    """An empty place for a store, of either kind."""
    recordings = tmp_path / "data" / "recordings"
    if request.param == "sqlite":
        return Place(str(tmp_path / "data"), recordings, None)
    running: Server = request.getfixturevalue("server")
    return Place(running.new_database(f"club{next(_number)}"), recordings, running)


@pytest.fixture
def store(place: Place) -> Iterator[Store]:
    """An open, empty store, of either kind."""
    with place.open() as opened:
        yield opened


@pytest.fixture
def lite(tmp_path: Path) -> Iterator[Store]:
    """An open, empty SQLite store."""
    with open_store(tmp_path / "data") as opened:
        yield opened
