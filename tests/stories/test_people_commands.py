"""Athletes and their attempts as a coach keeps them: listed, corrected, exported, analysed again and removed."""

from __future__ import annotations

import sqlite3
import tomllib
from pathlib import Path

import pytest

from tests.stories.kept_season import NAME, SAMPLES, Place, run


def test_athletes_are_listed_changed_and_weighed(place: Place) -> None:
    """What is known is listed as it was typed; a change and a new body mass show."""
    assert place.ask("athlete", "change", NAME, "--stature", 171, "--name", "Ines").code == 0
    assert place.ask("athlete", "weigh", "Ines", 72.4).code == 0
    said = place.ask("athlete", "list")

    assert "10 attempts, last 2024-03-13, 171 cm tall, foot 25.5 cm, 72.4 kg, club <b>lifter</b>" in said.out
    assert place.ask("athlete", "weigh", "Ines", 724).code == 2
    assert "--stature is 1.71 cm" in place.ask("athlete", "change", "Ines", "--stature", 1.71).err


def test_one_attempt_is_shown_corrected_and_removed(place: Place) -> None:
    """Its measures with intervals; a typed number removes it; anything else does not."""
    shown = place.ask("attempt", 4)
    kept = place.ask("attempt", 4, "--remove", typed="yes\n")
    gone = place.ask("attempt", 4, "--remove", typed="4\n")

    assert "dip_depth" in shown.out
    assert "±" in shown.out
    assert (kept.code, gone.code) == (2, 0)
    assert "1 result, 1 raw file" in gone.text
    assert "there is no attempt 4" in place.ask("attempt", 4).err
    assert "made, missed forward" in place.ask("attempt", 5, "--outcome", "lost").err


def test_a_corrected_stature_reaches_the_results_by_reanalyze(place: Place) -> None:
    """Every kept recording is analysed again; both results stay, the newer one counts."""
    place.ask("athlete", "change", NAME, "--stature", 180)
    said = place.ask("reanalyze", NAME, "--json").data
    usual = place.ask("usual", NAME, "dip_depth_of_stature", "--json").data["usual"][0]  # type: ignore[index]

    assert (said["n_recordings"], said["n_changed"], said["n_not_kept"]) == (10, 10, 0)
    assert (said["failed"], said["not_found"]) == ([], [])
    assert usual["centre"] == pytest.approx(0.105 * 170 / 180, abs=0.002)
    assert place.ask("attempts", NAME).out.count("2 results") == 10
    assert "the same in 10" in place.ask("reanalyze", NAME).text


def test_a_correction_taken_back_brings_the_earlier_results_back(place: Place) -> None:
    """The results of the first stature come out again: they count once more, and this is said."""
    for stature in (180, 170):
        place.ask("athlete", "change", NAME, "--stature", stature)
        said = place.ask("reanalyze", NAME).text
    usual = place.ask("usual", NAME, "dip_depth_of_stature", "--json").data["usual"][0]  # type: ignore[index]

    assert "another result in 10 attempts, the same in 0" in said
    assert "In 10 of them an earlier result came out again and counts once more." in said
    assert "Findings go by the lifter's own limits" in said
    assert usual["centre"] == pytest.approx(0.105, abs=0.002)
    assert place.ask("attempts", NAME).out.count("2 results") == 10
    assert "the same in 10" in place.ask("reanalyze", NAME).text


@pytest.mark.parametrize("fmt", ["csv", "parquet"])
def test_export_and_import_carry_everything(place: Place, tmp_path: Path, fmt: str) -> None:
    """A new store from the export lists the same attempts; importing twice adds nothing."""
    out, new = tmp_path / "out", Place(tmp_path / "new", place.files, place.reps)
    assert "1 athlete, 10 attempts" in place.ask("export", out, "--format", fmt).text
    assert "10 attempts" in new.ask("import", out).text
    again = new.ask("import", out)

    assert "Added: 0 athletes, 0 attempts" in again.text
    assert place.ask("attempts", NAME).out == new.ask("attempts", NAME).out
    assert "csv and parquet are allowed" in place.ask("export", tmp_path / "x", "--format", "xls").err


def test_removing_an_athlete_needs_the_name(place: Place, tmp_path: Path) -> None:
    """Only the typed name deletes; then no file of the store holds the name or a recording any more."""
    assert place.ask("athlete", "export", NAME, tmp_path / "copy").code == 0
    refused, nobody = place.ask("athlete", "remove", NAME, typed="y\n"), place.ask("athlete", "remove", NAME)
    assert (refused.code, nobody.code) == (2, 2)
    assert place.ask("attempts", NAME).out.count("\n") == 10

    gone = place.ask("athlete", "remove", NAME, typed=f"{NAME}\n")
    left = [p for p in place.store.rglob("*") if p.is_file()]
    assert gone.code == 0
    assert "10 attempts, 10 results, 11 raw files" in gone.text
    assert [p for p in left if NAME.encode() in p.read_bytes() or p.suffix == ".csv"] == []
    assert (tmp_path / "copy" / "attempts.csv").is_file()


def test_the_bars_file_may_come_later(tmp_path: Path) -> None:
    """A lift analysed without the bar's file, then with it, is one attempt with two results; both can be repeated."""
    lift = SAMPLES / "pattern_elbows_drop"
    words = [
        "analyze",
        f"{lift}.csv",
        "--card",
        f"{lift}.card.toml",
        "--device",
        SAMPLES / "club_plate.toml",
        "--brief",
    ]
    bar = ["--bar", f"{lift}.bar.csv", "--bar-device", SAMPLES / "club_bar.toml"]
    name = tomllib.loads(Path(f"{lift}.card.toml").read_text())["athlete"]
    where = ["--store", tmp_path / "h"]
    run("athlete", "add", name, *where)
    alone, both = run(*words, *where), run(*words, *bar, *where)

    assert "Kept as attempt 1 of" in alone.text
    assert "as another result of attempt 1" in both.text
    assert "shaft_rotation_dip" in run("attempt", 1, *where).out
    assert "the same in 1" in run("reanalyze", name, *where).text


def test_a_session_keeps_each_of_its_lifts(tmp_path: Path) -> None:
    """A recording with three lifts gives three attempts; one that was deleted does not come back by itself."""
    session, where = SAMPLES / "session_of_oda", ["--store", tmp_path / "h"]
    run("athlete", "add", "Oda Brennek", *where)
    card = ["--card", f"{session}.card.toml", "--device", SAMPLES / "club_plate.toml", "--date", "2024-05-02T18:00"]
    said = run("analyze", f"{session}.csv", *card, "--json", *where)
    gone = run("attempt", 2, "--remove", "--yes", *where)

    assert [1, 2, 3] == [k["attempt"] for k in said.data["history"]["kept"]]  # type: ignore[index]
    assert "1 result, 0 raw files" in gone.text
    assert "1 lift found beside them and left out" in run("reanalyze", "Oda Brennek", *where).text
    assert run("attempts", "Oda Brennek", *where).out.count("\n") == 2


def test_another_lifters_lift_in_the_file_is_not_called_left_out(tmp_path: Path) -> None:
    """Two lifters in one recording: analysing the one's lifts again says nothing of the other's."""
    session, where = SAMPLES / "session_of_oda", ["--store", tmp_path / "h"]
    card = ["--card", f"{session}.card.toml", "--device", SAMPLES / "club_plate.toml", "--date", "2024-05-02T18:00"]
    for name in ("Oda Brennek", "Guest"):
        run("athlete", "add", name, *where)
    run("analyze", f"{session}.csv", *card, *where)
    with sqlite3.connect(tmp_path / "h" / "history.sqlite") as base:
        for column, table in (("id", "attempts"), ("attempt_id", "measures")):
            base.execute(f"UPDATE {table} SET athlete_id = 2 WHERE {column} = 2")
    base.close()
    said = run("reanalyze", "Oda Brennek", "--json", *where).data

    assert (said["n_recordings"], said["n_not_kept"], said["not_found"]) == (1, 0, [])
