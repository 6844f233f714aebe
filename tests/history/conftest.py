"""Stores to test on: SQLite always, PostgreSQL where its programs are installed."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import count
from pathlib import Path

import pytest
from places import Place
from private_server import Server, private_server, programs_folder

from forcekit.history.store import Store, open_store

_number = count()


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
