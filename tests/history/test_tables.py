"""Export, import and complete deletion."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
import sqlalchemy as sa
from places import Place
from reps import FINDING, START, add, kept, measures

from forcekit.errors import InputError
from forcekit.history import schema as t
from forcekit.history.again import _recordings
from forcekit.history.attempts import add_attempt
from forcekit.history.kept_lift import findings_of
from forcekit.history.people import add_athlete, add_session, find_athlete, list_athletes
from forcekit.history.recordings import find_kept
from forcekit.history.reimport import import_tables
from forcekit.history.removal import remove_athlete, remove_attempt
from forcekit.history.series import list_attempts, measures_of, series
from forcekit.history.store import Store, open_store, reading
from forcekit.history.tables import TABLES, Format, export_tables
from forcekit.model import AttemptCard


def _fill(store: Store, folder: Path) -> None:
    add_athlete(store, "Ina", stature_m=1.7, body_mass_kg=64.0, note='says "up", always')
    add_athlete(store, "Zarquon Ölberg", foot_length_m=0.27)
    session = add_session(store, note="Zarquon alone")
    for i in range(3):
        file = kept(store, folder, f"Ina {i}")
        add(store, day=i, files=(file,), lift_at_s=2.0, transition_time=0.1 + i / 7)
        add(store, day=i, files=(file,), lift_at_s=2.0, definitions="2", transition_time=0.1 + i / 9)
    both = kept(store, folder, "both of them")
    add(store, files=(both,), lift_at_s=1.0)
    add(store, "Zarquon Ölberg", files=(both,), lift_at_s=9.0)
    for i in range(20):
        file = kept(store, folder, f"Zarquon {i}")
        add(store, "Zarquon Ölberg", day=i, files=(file,), lift_at_s=2.0, session_id=session, dip_depth=0.1 + i / 99)


def _all_rows(folder: Path) -> dict[str, list[str]]:
    return {table.name: sorted((folder / f"{table.name}.csv").read_text().splitlines()) for table in TABLES}


@pytest.mark.parametrize("fmt", ["csv", "parquet"])
def test_what_is_exported_can_be_imported(place: Place, tmp_path: Path, fmt: Format) -> None:
    """Export, import into an empty store and export again give the same tables, cell for cell."""
    with place.open() as store, open_store(tmp_path / "other") as other:
        _fill(store, tmp_path)
        export_tables(store, tmp_path / "out", fmt=fmt)
        export_tables(store, tmp_path / "first")
        done = import_tables(other, tmp_path / "out")
        export_tables(other, tmp_path / "second")

    assert (done.n_athletes, done.n_attempts, done.n_results, done.n_known) == (2, 25, 28, 0)
    assert _all_rows(tmp_path / "first") == _all_rows(tmp_path / "second")


def test_importing_twice_adds_nothing(place: Place, tmp_path: Path) -> None:
    """Everything that is there already is recognised."""
    with place.open() as store:
        _fill(store, tmp_path)
        export_tables(store, tmp_path / "out")
        done = import_tables(store, tmp_path / "out")

    assert (done.n_athletes, done.n_attempts, done.n_results, done.n_known, done.n_files) == (0, 0, 0, 25, 0)


def test_the_same_lift_analysed_on_two_computers_is_one_attempt(tmp_path: Path) -> None:
    """An imported lift of a known recording becomes a further result of the known attempt."""
    with open_store(tmp_path / "one") as one, open_store(tmp_path / "two") as two:
        add_athlete(one, "Ina")
        add(one, files=(kept(one, tmp_path, "raw"),), lift_at_s=2.0)
        export_tables(one, tmp_path / "empty")
        import_tables(two, tmp_path / "empty")
        remove_attempt(two, list_attempts(two, "Ina")[0].id)
        add(two, files=(kept(two, tmp_path, "raw"),), lift_at_s=2.1, definitions="2", transition_time=0.2)
        export_tables(two, tmp_path / "out")
        done = import_tables(one, tmp_path / "out")
        line = list_attempts(one, "Ina")

    assert (done.n_attempts, done.n_results, done.n_known) == (0, 1, 1)
    assert [a.n_results for a in line] == [2]


def test_one_athlete_alone_is_exported(store: Store, tmp_path: Path) -> None:
    """The export of one athlete holds all of it, raw files too, no word of another and no recording of theirs."""
    _fill(store, tmp_path)
    plate = replace(kept(store, tmp_path, "the plate both stood on"), role="device")
    for name in ("Ina", "Zarquon Ölberg"):
        add(store, name, files=(plate, kept(store, tmp_path, f"{name} on it")), lift_at_s=2.0)
    done = export_tables(store, tmp_path / "out", athlete="Ina")
    text = "".join(p.read_text() for p in (tmp_path / "out").glob("*.csv"))
    raw = sorted(p.read_text() for p in (tmp_path / "out" / "recordings").iterdir())

    assert (done.n_rows["attempts"], done.n_rows["results"], done.n_rows["sessions"]) == (5, 8, 0)
    assert "Zarquon" not in text
    assert raw == ["Ina 0", "Ina 1", "Ina 2", "Ina on it", "the plate both stood on"]
    assert (done.n_files, done.n_withheld) == (5, 1)
    with (tmp_path / "out" / "athletes.csv").open(newline="") as file:
        assert [row["note"] for row in csv.DictReader(file)] == ['says "up", always']


def test_a_withheld_recording_does_not_hinder_the_import(lite: Store, tmp_path: Path) -> None:
    """The attempt comes in with its numbers; a later import of the whole store recognises it and brings the file."""
    _fill(lite, tmp_path)
    export_tables(lite, tmp_path / "one", athlete="Ina")
    export_tables(lite, tmp_path / "all")
    with open_store(tmp_path / "other") as other:
        first, second = import_tables(other, tmp_path / "one"), import_tables(other, tmp_path / "all")

    assert (first.n_attempts, first.n_files) == (4, 3)
    assert (second.n_attempts, second.n_known, second.n_files) == (21, 4, 21)


def test_a_broken_table_changes_nothing(store: Store, tmp_path: Path) -> None:
    """Text in the place of a number is told with file, row and column, and nothing is imported."""
    _fill(store, tmp_path)
    export_tables(store, tmp_path / "out")
    path = tmp_path / "out" / "attempts.csv"
    lines = path.read_text().splitlines()
    path.write_text("\n".join([*lines[:3], lines[3].replace("80.0", "eighty"), *lines[4:]]))
    with open_store(tmp_path / "other") as other:
        with pytest.raises(InputError, match=r'attempts.csv, row 4, column load_kg: "eighty"'):
            import_tables(other, tmp_path / "out")

        assert list_athletes(other) == ()


def _mend(folder: Path, table: str, change: Callable[[list[bytes]], list[bytes]]) -> None:
    path = folder / f"{table}.csv"
    path.write_bytes(b"".join(change(path.read_bytes().splitlines(keepends=True))))


@pytest.mark.parametrize(
    ("table", "change", "told"),
    [
        ("athletes", lambda rows: rows[:1], "is not in the table athletes"),
        ("attempts", lambda rows: [rows[0], *rows[2:]], "is not in the table attempts"),
        ("results", lambda rows: rows[:-1], "is not in the table results"),
        ("attempts", lambda rows: [*rows, rows[-1]], "do not hold together"),
        ("measures", lambda rows: [*rows[:3], rows[3].split(b",")[0] + b"\n", *rows[4:]], "do not hold together"),
        ("measures", lambda rows: [*rows, b"\xff\xfe\n"], "no table in UTF-8"),
        ("measures", lambda rows: [rows[0], *(r.replace(b",0.125,", b",nan,") for r in rows[1:])], '"nan" is found'),
    ],
)
def test_tables_that_do_not_fit_change_nothing(
    lite: Store, tmp_path: Path, table: str, change: Callable[[list[bytes]], list[bytes]], told: str
) -> None:
    """A row without its parent, a row twice, half a row, bytes that are no text: one sentence, no raw file stays."""
    _fill(lite, tmp_path)
    export_tables(lite, tmp_path / "out")
    _mend(tmp_path / "out", table, change)
    with open_store(tmp_path / "other") as other:
        with pytest.raises(InputError, match=told):
            import_tables(other, tmp_path / "out")

        assert list_athletes(other) == ()
        assert [p for p in other.recordings.rglob("*") if p.is_file()] == []


@pytest.mark.parametrize(
    ("about", "told"),
    [
        (None, "about.json is missing. Give a folder that was written by an export"),
        ("{", "cannot be read or is damaged"),
        ("[]", "does not say which version"),
        ('{"format": "new"}', "does not say which version"),
        ('{"format": 2}', "have version 2, and this forcekit reads version 1. Update forcekit"),
    ],
)
def test_tables_of_another_version_are_refused(lite: Store, tmp_path: Path, about: str | None, told: str) -> None:
    """What a later version wrote may mean something else, so it is not taken in."""
    _fill(lite, tmp_path)
    export_tables(lite, tmp_path / "out")
    path = tmp_path / "out" / "about.json"
    path.unlink() if about is None else path.write_text(about)
    with open_store(tmp_path / "other") as other:
        with pytest.raises(InputError, match=told):
            import_tables(other, tmp_path / "out")

        assert list_athletes(other) == ()


@pytest.mark.parametrize("name", ["", "  ", "Ina ", "I\x1b[2Jna", '"I\nna"'])
def test_an_imported_name_can_be_shown_and_typed(lite: Store, tmp_path: Path, name: str) -> None:
    """A name that `athlete add` would refuse does not come in by a table."""
    add_athlete(lite, "Ina")
    export_tables(lite, tmp_path / "out")
    path = tmp_path / "out" / "athletes.csv"
    path.write_text(path.read_text().replace("Ina", name))
    with open_store(tmp_path / "other") as other:
        with pytest.raises(InputError, match="import, table athletes: the name"):
            import_tables(other, tmp_path / "out")

        assert list_athletes(other) == ()


def test_a_damaged_parquet_table_is_told(lite: Store, tmp_path: Path) -> None:
    """A file cut short is named."""
    _fill(lite, tmp_path)
    export_tables(lite, tmp_path / "out", fmt="parquet")
    path = tmp_path / "out" / "measures.parquet"
    path.write_bytes(path.read_bytes()[:-20])
    with open_store(tmp_path / "other") as other, pytest.raises(InputError, match=r"measures\.parquet: it is damaged"):
        import_tables(other, tmp_path / "out")


def test_a_refused_name_leaves_no_raw_file(lite: Store, tmp_path: Path) -> None:
    """The raw recordings of an athlete that was not taken in must not lie in the store, where nothing deletes them."""
    _fill(lite, tmp_path)
    export_tables(lite, tmp_path / "out")
    with open_store(tmp_path / "other") as other:
        add_athlete(other, "Ina")
        with pytest.raises(InputError, match='another athlete named "Ina"'):
            import_tables(other, tmp_path / "out")

        assert [p for p in other.recordings.rglob("*") if p.is_file()] == []


def test_an_export_does_not_take_the_place_of_the_folder_one_is_in(
    lite: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The folder would be renamed away under the feet of the shell."""
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    with pytest.raises(InputError, match="the folder you are in"):
        export_tables(lite, ".")


@pytest.mark.parametrize("folder", ["file/out", "a" * 300, "~nobody-of-that-name/out"])
def test_a_folder_that_cannot_be_made_is_the_exports(lite: Store, tmp_path: Path, folder: str) -> None:
    """Below a file, with too long a name, in the home of nobody: the folder asked for is blamed, not the store's."""
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match=r"^export: ") as told:
        export_tables(lite, folder if folder.startswith("~") else tmp_path / folder)

    assert folder in str(told.value)
    assert "FORCEKIT_DATA" not in str(told.value)


def test_an_export_does_not_overwrite(store: Store, tmp_path: Path) -> None:
    """A folder with something in it is refused and left as it is; nothing unfinished stays behind."""
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "mine.txt").write_text("mine")
    with pytest.raises(InputError, match="not an empty folder"):
        export_tables(store, tmp_path / "out")

    assert [p.name for p in (tmp_path / "out").iterdir()] == ["mine.txt"]


def test_a_deleted_athlete_leaves_no_byte(lite: Store, tmp_path: Path) -> None:
    """After deletion neither name, uid, session note nor raw file is found in any file of the data folder."""
    _fill(lite, tmp_path)
    uid = find_athlete(lite, "Zarquon Ölberg").uid
    done = remove_athlete(lite, "Zarquon Ölberg")
    everything = b"".join(p.read_bytes() for p in (tmp_path / "data").rglob("*") if p.is_file())

    assert (done.n_attempts, done.n_results, done.n_files) == (21, 21, 20)
    assert [w for w in ("Zarquon", "lberg", uid) if w.encode() in everything] == []
    assert b"Ina 0" in everything


def test_deleting_one_athlete_keeps_the_others(store: Store, tmp_path: Path) -> None:
    """The other athlete's numbers and raw files stay, the shared recording included; no row of the deleted is left."""
    _fill(store, tmp_path)
    before = series(store, "Ina", "transition_time").value.tolist()
    remove_athlete(store, "Zarquon Ölberg")
    with reading(store) as conn:
        owners = set(conn.execute(sa.select(t.measures.c.athlete_id)).scalars())
        hashes = conn.execute(sa.select(t.recordings.c.sha256)).scalars().all()

    assert before == series(store, "Ina", "transition_time").value.tolist()
    assert [a.name for a in list_athletes(store)] == ["Ina"]
    assert {find_athlete(store, "Ina").id} == owners
    assert len(hashes) == 4
    assert all(find_kept(store, h) is not None for h in hashes)


def test_one_attempt_is_deleted(store: Store, tmp_path: Path) -> None:
    """Its results and its raw file go, the others stay; a second time it is told."""
    _fill(store, tmp_path)
    line = list_attempts(store, "Ina")[-1]
    done = remove_attempt(store, line.id)

    assert (done.n_attempts, done.n_results, done.n_files) == (1, 2, 1)
    assert line.id not in [a.id for a in list_attempts(store, "Ina")]
    assert all(measures_of(store, a.id) for a in list_attempts(store, "Ina"))
    with pytest.raises(InputError, match="there is no attempt"):
        remove_attempt(store, line.id)


def _analysed(store: Store, folder: Path, name: str, **values: float) -> None:
    """The same lift, with what this analysis found."""
    file = kept(store, folder, "raw")
    said = [replace(FINDING, sentence=f"analysis {name}")]
    add_attempt(
        store, "Ina", measures(values), card=AttemptCard(), definitions="1", findings=said, at=START, lift_at_s=2.0,
        files=[file], setup={"analysis": name},
    )  # fmt: skip


def test_an_older_result_that_comes_in_later_is_not_the_newest(place: Place, tmp_path: Path) -> None:
    """The result analysed last counts everywhere, whichever of them the store got first."""
    with place.open() as store, open_store(tmp_path / "other") as other:
        add_athlete(other, "Ina")
        export_tables(other, tmp_path / "nobody")
        import_tables(store, tmp_path / "nobody")
        _analysed(other, tmp_path, "1", transition_time=0.1)
        _analysed(store, tmp_path, "2", transition_time=0.2)
        export_tables(other, tmp_path / "out")
        done = import_tables(store, tmp_path / "out")
        (line,) = list_attempts(store, "Ina")
        (kept_one,), _ = _recordings(store, "Ina")

        assert (done.n_results, line.n_results) == (1, 2)
        assert series(store, "Ina", "transition_time").value.tolist() == [0.2]
        assert measures_of(store, line.id)["transition_time"].value == 0.2
        assert [f.sentence for f in findings_of(store, [line.id])[line.id]] == ["analysis 2"]
        assert kept_one.setup == {"analysis": "2"}
