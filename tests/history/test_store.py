"""Opening a store: private files, migrations, several writers, killed writers."""

from __future__ import annotations

import random
import stat
from pathlib import Path

import pytest
import sqlalchemy as sa
from crash_checks import kill_while_writing, problems, start_writer
from places import Place
from private_server import Server

from forcekit.errors import InputError
from forcekit.history import schema
from forcekit.history.people import add_athlete, list_athletes
from forcekit.history.store import Store, open_store, reading, writing


def test_files_are_private(tmp_path: Path) -> None:
    """Only the owner can read the database, its log and the folders."""
    with open_store(tmp_path / "data") as store:
        add_athlete(store, "Ina")
        modes = {p.name: stat.S_IMODE(p.stat().st_mode) for p in (tmp_path / "data").iterdir()}

    assert modes == {"history.sqlite": 0o600, "history.sqlite-wal": 0o600, "history.sqlite-shm": 0o600} | {
        "recordings": 0o700
    }
    assert stat.S_IMODE((tmp_path / "data").stat().st_mode) == 0o700


def test_environment_names_the_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without an argument FORCEKIT_DATA is used, and an argument goes before it."""
    monkeypatch.setenv("FORCEKIT_DATA", str(tmp_path / "env"))
    with open_store() as by_environment, open_store(tmp_path / "given") as by_argument:
        assert str(tmp_path / "env" / "history.sqlite") == by_environment.place
        assert str(tmp_path / "given" / "history.sqlite") == by_argument.place


def test_full_synchronisation_and_log(lite: Store) -> None:
    """Every connection runs with the write-ahead log, full synchronisation and foreign keys."""
    with reading(lite) as conn:
        found = [
            conn.exec_driver_sql(f"PRAGMA {p}").scalar_one() for p in ("journal_mode", "synchronous", "foreign_keys")
        ]

    assert found == ["wal", 2, 1]


def test_a_failed_write_leaves_nothing(store: Store) -> None:
    """An error inside a write undoes the whole of it."""

    def fail() -> None:
        with writing(store) as conn:
            conn.execute(sa.insert(schema.athletes).values(uid="1", name="Ina", added_at=0.0))
            raise RuntimeError("stop")

    with pytest.raises(RuntimeError, match="stop"):
        fail()

    assert list_athletes(store) == ()


@pytest.mark.parametrize(
    ("address", "message"),
    [
        ("mysql://club", "mysql; a folder or a postgresql:// URL is allowed"),
        ("postgresql://nobody:secret@/x?host=/nowhere-at-all", "Check the address and the rights"),
    ],
)
def test_wrong_addresses_are_told(address: str, message: str, tmp_path: Path) -> None:
    """A wrong address gives one sentence, and never the password."""
    with pytest.raises(InputError, match=message) as caught:
        open_store(address, recordings=tmp_path / "recordings")

    assert "secret" not in str(caught.value)


def test_a_file_that_is_no_database_is_told(tmp_path: Path) -> None:
    """Another file under the name of the store is refused and not changed."""
    path = tmp_path / "other.sqlite"
    path.write_text("not a database at all, " * 100)
    with pytest.raises(InputError, match="cannot be used"):
        open_store(path)

    assert path.read_text() == "not a database at all, " * 100


def test_a_full_disk_is_told(lite: Store) -> None:
    """When the database can grow no more, one sentence says so, and the store is as it was before."""
    add_athlete(lite, "Ina")

    def fill() -> None:
        with writing(lite) as conn:
            conn.exec_driver_sql("PRAGMA max_page_count = 1")  # raised by SQLite to the pages in use
            conn.execute(sa.insert(schema.sessions).values(uid="1", started_at=0.0, note="x" * 10**6))

    with pytest.raises(InputError, match="database or disk is full"):
        fill()

    with reading(lite) as conn:
        assert conn.execute(sa.select(sa.func.count()).select_from(schema.sessions)).scalar_one() == 0
        assert conn.exec_driver_sql("PRAGMA integrity_check").scalar_one() == "ok"


# ------------------------------------------------------------------------------------------------ migrations


def _second_step(conn: sa.Connection) -> None:
    conn.exec_driver_sql("ALTER TABLE athletes ADD COLUMN coach TEXT NOT NULL DEFAULT ''")


def test_migration_keeps_what_is_there(store: Store) -> None:
    """A later step runs once, and the rows written before it are still there."""
    steps = (*schema.STEPS, schema.MigrationStep(len(schema.STEPS) + 1, "coach", _second_step))
    add_athlete(store, "Ina")
    with writing(store) as conn:
        first = schema.migrate(conn, steps)
    with writing(store) as conn:
        second = schema.migrate(conn, steps)
        rows = conn.exec_driver_sql("SELECT name, coach FROM athletes").all()

    assert (first, second) == (1, 0)
    assert [tuple(r) for r in rows] == [("Ina", "")]


def test_a_failed_migration_changes_nothing(store: Store) -> None:
    """A step that fails half-way leaves tables and version as they were."""

    def broken(conn: sa.Connection) -> None:
        _second_step(conn)
        raise RuntimeError("power cut")

    steps = (*schema.STEPS, schema.MigrationStep(len(schema.STEPS) + 1, "coach", broken))
    with pytest.raises(RuntimeError, match="power cut"), writing(store) as conn:
        schema.migrate(conn, steps)
    with reading(store) as conn:
        assert schema.STEPS[-1].version == schema.stored_version(conn)
        assert "coach" not in {c["name"] for c in sa.inspect(conn).get_columns("athletes")}


def test_a_newer_store_is_refused(place: Place) -> None:
    """A store written by a newer forcekit is not touched."""
    with place.open() as store, writing(store) as conn:
        conn.execute(sa.insert(schema.schema_version).values(version=999, applied_at=0.0, what="later"))

    with pytest.raises(InputError, match="version 999"):
        place.open()


# -------------------------------------------------------------------------------- several writers, and crashes


def test_eight_writers_at_once_lose_nothing(place: Place, tmp_path: Path) -> None:
    """Eight processes that open a new store and write at once all store every attempt."""
    with place.open() as store:
        for i in range(8):
            add_athlete(store, f"athlete {i}")
    names = ",".join(f"athlete {i}" for i in range(8))
    writers = start_writer(place.address, place.recordings, names, 0, 12, tmp_path)
    said = writers.communicate(timeout=120)[0].split()

    assert writers.returncode == 0
    assert len(said) == 8 * 12
    with place.open() as store:
        assert problems(store, said) == []
        assert [a.n_attempts for a in list_athletes(store)] == [12] * 8


def test_two_processes_may_make_the_store_at_once(place: Place, tmp_path: Path) -> None:
    """Several first openings at the same moment make one sound store; the unknown athlete is then told."""
    children = [start_writer(place.address, place.recordings, "nobody", 0, 1, tmp_path) for _ in range(2)]
    for child in children:
        child.communicate(timeout=60)
    with place.open() as store, reading(store) as conn:
        assert schema.STEPS[-1].version == schema.stored_version(conn)


def test_killed_writers_lose_nothing(place: Place, tmp_path: Path) -> None:
    """After kill -9 in the middle of writing, all acknowledged attempts are there and none is half there."""
    rng = random.Random(5)
    with place.open() as store:
        add_athlete(store, "Ina")
    acknowledged: list[str] = []
    for i in range(2):
        acknowledged += kill_while_writing(place.address, place.recordings, "Ina", 100_000 * i, tmp_path, rng)

    assert len(acknowledged) >= 2
    with place.open() as store:
        assert problems(store, acknowledged) == []


def test_a_killed_server_loses_nothing(server: Server, tmp_path: Path) -> None:
    """After kill -9 of all the server's processes, it recovers with every acknowledged attempt."""
    place = Place(server.new_database("crash"), tmp_path / "recordings", server)
    with place.open() as store:
        add_athlete(store, "Ina")
    acknowledged = kill_while_writing(
        place.address, place.recordings, "Ina", 0, tmp_path, random.Random(6), at_kill=lambda _: server.crash()
    )
    server.start()

    assert acknowledged
    with place.open() as store:
        assert problems(store, acknowledged) == []


def test_damage_within_the_file_is_told_in_words(tmp_path: Path) -> None:
    """A store that opens but holds pages of rubbish says that it is damaged and where the raw recordings are."""
    with open_store(tmp_path) as store:
        add_athlete(store, "Ina")
        with writing(store) as conn:
            root = conn.execute(sa.text("SELECT rootpage FROM sqlite_master WHERE name = 'athletes'")).scalar_one()
    file = tmp_path / "history.sqlite"
    data = bytearray(file.read_bytes())
    size = int.from_bytes(data[16:18], "big")
    data[(root - 1) * size : root * size] = b"\x5a" * size
    file.write_bytes(data)

    with open_store(tmp_path) as store, pytest.raises(InputError, match=r"is damaged or cannot be read .*recordings"):
        list_athletes(store)


def test_a_home_folder_of_nobody_is_named() -> None:
    """A place that begins with ~ and a name nobody has is refused in words."""
    with pytest.raises(InputError, match="names the home folder of nobody known here"):
        open_store("~nobody of that name/history")
