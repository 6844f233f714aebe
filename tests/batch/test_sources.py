"""Which device file, which bar, which card belongs to a recording; and what is refused."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import pytest

from forcekit.batch.find import find_files, find_jobs
from forcekit.batch.rules import Rules, device_of, load_rules
from forcekit.batch.run import BatchWanted, run_batch
from forcekit.batch.sidecar import load_sidecar, with_sidecar
from forcekit.errors import InputError

SAMPLES = Path(__file__).parents[2] / "sample_signals"


def lifts(out: Path) -> list[dict[str, str]]:
    """The table of lifts."""
    with (out / "lifts.csv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def write(path: Path, text: str) -> Path:
    """Write a text file."""
    path.write_text(text, encoding="utf-8")
    return path


def test_rules_name_device_files_by_name_and_by_header(season: Path, tmp_path: Path) -> None:
    """The first rule that fits wins; a rule with both keys needs both; without a rule the folder's file is taken."""
    shutil.copy(season / "hall" / "device.toml", tmp_path / "a.toml")
    shutil.copy(season / "north" / "device.toml", tmp_path / "b.toml")
    path = write(
        tmp_path / "rules.toml",
        '[[plate]]\nheader = "laboratory north"\nfiles = "hall/*"\ndevice = "a.toml"\n'
        '[[plate]]\nheader = "laboratory north"\ndevice = "b.toml"\n'
        '[[plate]]\nfiles = "hall/lift_[01]*"\ndevice = "a.toml"\n',
    )
    rules = load_rules(path)
    found = {
        name: device_of(season / name, name, season, rules, "plate").name
        for name in ("north/lift_6.csv", "hall/lift_1.csv", "hall/lift_2.csv")
    }
    assert {"north/lift_6.csv": "b.toml", "hall/lift_1.csv": "a.toml", "hall/lift_2.csv": "device.toml"} == found
    trouble = "hall/trouble/still.csv"
    assert season / "hall" / "device.toml" == device_of(season / trouble, trouble, season, Rules(), "plate")


def test_a_rule_that_fits_nothing_is_told(season: Path, tmp_path: Path) -> None:
    """A misspelt folder would leave its recordings to a more general device file."""
    shutil.copy(season / "hall" / "device.toml", tmp_path / "a.toml")
    path = write(
        tmp_path / "rules.toml",
        'skip = ["hall/trouble/*", "*_draft.csv"]\n'
        '[[plate]]\nfiles = "hal/*"\ndevice = "a.toml"\n[[plate]]\nfiles = "hall/*"\ndevice = "a.toml"\n',
    )
    result = run_batch(BatchWanted(inputs=[str(season)], out=tmp_path / "out", rules=path), 1)
    assert (
        'rules.toml: skip = "*_draft.csv" fits no file; correct it, or take it out',
        'rules.toml: [[plate]] files = "hal/*" fits no file; correct it, or take it out',
    ) == result.warnings


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('[[plate]]\ndevise = "a.toml"\n', "devise"),
        ('[[bar]]\ndevice = "a.toml"\n', "describes a plate"),
        ('[[plate]]\ndevice = "gone.toml"\n', "no such file"),
        ('bar_name = "{stem}{suffix}"\n', "must hold"),
    ],
)
def test_bad_rules_are_refused(text: str, told: str, season: Path, tmp_path: Path) -> None:
    """Each with its reason."""
    shutil.copy(season / "hall" / "device.toml", tmp_path / "a.toml")
    with pytest.raises(InputError, match=told):
        load_rules(write(tmp_path / "rules.toml", text))


def test_bars_are_paired_and_measured(tmp_path: Path) -> None:
    """NAME.bar.csv belongs to NAME.csv, by the rules file's own name for it too, and is no recording of its own."""
    for name, bar in (("lost_in_front", "lost_in_front.bar.csv"), ("pattern_arms_early", "pattern_arms_early.bar.csv")):
        shutil.copy(SAMPLES / f"{name}.csv", tmp_path)
        shutil.copy(SAMPLES / bar, tmp_path)
        shutil.copy(SAMPLES / f"{name}.card.toml", tmp_path)
    out = tmp_path / "out"
    devices = {"device": SAMPLES / "club_plate_1000_hz.toml", "bar_device": SAMPLES / "club_bar.toml"}
    run_batch(BatchWanted(inputs=[str(tmp_path)], out=out, **devices), 1)
    table = lifts(out)
    assert ["lost_in_front.csv", "pattern_arms_early.csv"] == [r["file"] for r in table]
    assert all(float(r["bar_dip_depth"]) > 0.05 for r in table)
    assert all(r["load_kg"] != "" for r in table)  # NAME.card.toml beside a recording is its attempt card

    root, files, _ = find_files([str(tmp_path)])
    rules = Rules(skip=("out/*", "pattern*"), bar_name="{stem}.bar.csv")
    (job,) = find_jobs(root, files, rules)
    assert str(tmp_path / "lost_in_front.bar.csv") == job.bar


def test_cards_come_from_a_table(season: Path, tmp_path: Path) -> None:
    """Semicolons, decimal commas, names with and without the folder, unknown columns, rows without a file."""
    table = write(
        tmp_path / "cards.csv",
        "file;athlete;load_kg;stature_m;outcome;weather\n"
        "hall/lift_1.csv;Ines Falkner;62,5;1,70;missed forward;rain\n"
        "lift_2.csv;Ines Falkner;65;1,70;made;sun\n"
        "lift_77.csv;Ines Falkner;70;;made;sun\n",
    )
    out = tmp_path / "out"
    result = run_batch(BatchWanted(inputs=[str(season / "hall")], out=out, cards=table), 1)
    by_file = {r["file"]: r for r in lifts(out)}

    # The folder given is "hall" itself, so that the first row's folder is no part of the names.
    assert "" == by_file["lift_1.csv"]["athlete"]
    assert ("Ines Falkner", "65.0", "made") == tuple(
        by_file["lift_2.csv"][k] for k in ("athlete", "load_kg", "outcome")
    )
    assert "" != by_file["lift_2.csv"]["dip_depth_of_stature"]
    told = " ".join(result.warnings)
    assert "not used: weather" in told
    assert "not there: hall/lift_1.csv, lift_77.csv" in told
    assert "says nothing of 10 of 11" in told


@pytest.mark.parametrize("above", ["", "sep=;\n", "\n;;\n"])
def test_names_of_recordings_may_be_spelt_in_more_than_one_way(above: str, season: Path, tmp_path: Path) -> None:
    """An accent that is a sign of its own, a folder that begins with a point, a column of numbers without a name."""
    folder = tmp_path / "Zoe\u0308"  # as some systems write it
    folder.mkdir()
    for n in (1, 2):
        shutil.copy(season / "hall" / f"lift_{n}.csv", folder / f"le\u0301ger {n}.csv")
    table = write(
        tmp_path / "cards.csv",
        above + ";file;load_kg;;\n0;./Zo\u00eb/l\u00e9ger 1.csv;60;;\n1;l\u00e9ger 2.csv;62,5\n",
    )
    root, files, _ = find_files([str(tmp_path)])
    jobs, missing = with_sidecar(find_jobs(root, files, Rules(), [table]), load_sidecar(table))
    assert () == missing
    assert [60.0, 62.5] == [job.card.load_kg for job in jobs if job.card is not None]


def test_a_note_keeps_its_lines(tmp_path: Path) -> None:
    """A field in quotes that goes over two lines is one note of two lines, and the next row keeps its line number."""
    table = write(tmp_path / "cards.csv", 'file,note\na.csv,"bar ran away\nfeet late"\nb.csv,sep\u2028arated\n')
    rows = load_sidecar(table).rows
    assert ["bar ran away\nfeet late"] == [row.card.note for row in rows["a.csv"]]
    assert [("sep\u2028arated", 4)] == [(row.card.note, row.line) for row in rows["b.csv"]]


def test_a_card_that_changes_is_done_again(season: Path, tmp_path: Path) -> None:
    """Another load in the table: that recording alone is analysed again."""
    table = write(tmp_path / "cards.csv", "file,load_kg\nlift_1.csv,60\nlift_2.csv,60\n")
    wanted = BatchWanted(inputs=[str(season / "hall")], out=tmp_path / "out", cards=table)
    run_batch(wanted, 1)
    write(table, "file,load_kg\nlift_1.csv,60\nlift_2.csv,65\n")
    assert 1 == run_batch(wanted, 1).n_analysed


def test_cards_of_a_session_hold_from_their_time_on(tmp_path: Path) -> None:
    """Rows with at_s: a load before each lift, an outcome after it."""
    shutil.copy(SAMPLES / "session_of_oda.csv", tmp_path)
    table = write(
        tmp_path / "cards.csv",
        "file,at_s,load_kg,outcome\nsession_of_oda.csv,0,40,\nsession_of_oda.csv,500,,made\n",
    )
    out = tmp_path / "out"
    run_batch(BatchWanted(inputs=[str(tmp_path)], out=out, cards=table, device=SAMPLES / "club_plate.toml"), 1)
    table_of_lifts = lifts(out)
    assert len(table_of_lifts) > 1
    assert {"40.0"} == {r["load_kg"] for r in table_of_lifts}
    assert "made" == table_of_lifts[-1]["outcome"]
    assert "" == table_of_lifts[0]["outcome"]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("name,load_kg\nlift_1.csv,60\n", 'no column "file"'),
        ("file,laod_kg\nlift_1.csv,60\n", 'did you mean "load_kg"'),
        ("file,load_kg,load_kg\nlift_1.csv,60,60\n", "there twice"),
        ("file,load_kg\nlift_1.csv,heavy\n", "line 2: load_kg is .heavy."),
        ("file,at_s\nlift_1.csv,nan\n", "line 2: at_s is .nan."),
        ("file,outcome\nlift_1.csv,lost\n", "use one of: made"),
        ("file,stature_m\nlift_1.csv,178\n", "stature_m"),
        ("file,load_kg\n,60\n", "column file is empty"),
        ("file,load_kg\nlift_1.csv,60\nlift_1.csv,65\n", "lines 2 and 3 both name"),
        ("file,at_s,bar\nlift_1.csv,,\nlift_1.csv,3,gone.csv\n", "line 3: bar is .gone.csv.; there is no such file in"),
        ("file,at_s,date\nlift_1.csv,1,2024-05-31\nlift_1.csv,3,2024-06-01\n", "lines 2 and 3 say different things"),
        ("file,load_kg\nlift_1.csv,62,5\n", "line 2: found 3 fields under 2 columns"),
        ("file,load_kg,,\nlift_1.csv,62,5,\n", "line 2: found 4 fields under 2 columns"),
        ('file,note,load_kg\nlift_1.csv,"sore knee,60\nlift_2.csv,,60\n', "line 2: this line cannot be read"),
        ("\nsep=,\nname,load_kg\n", 'no column "file"'),
        (",;\n;,\n", 'no column "file"'),
        ("file,date\nlift_1.csv,yesterday\n", "write it like"),
        ("file,load_kg\nsame.csv,60\n", "write the folder, too"),
    ],
)
def test_bad_tables_of_cards_are_refused(text: str, told: str, season: Path, tmp_path: Path) -> None:
    """Each with its line and what to do."""
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        shutil.copy(season / "hall" / "lift_1.csv", tmp_path / folder / "same.csv")
    shutil.copy(season / "hall" / "lift_1.csv", tmp_path)
    root, files, _ = find_files([str(tmp_path)])
    table = write(tmp_path / "cards.csv", text)
    with pytest.raises(InputError, match=told):
        with_sidecar(find_jobs(root, files, Rules(), [table]), load_sidecar(table))


def test_patterns_lists_and_files_name_the_same(season: Path, tmp_path: Path) -> None:
    """A pattern, a list and the files themselves; given twice, a file counts once."""
    files = sorted(str(p) for p in (season / "hall").glob("lift_*.csv"))
    by_pattern = find_files([str(season / "hall" / "lift_*.csv")])
    by_list = find_files([], files)
    twice = find_files([*files, *files])
    assert sorted(by_pattern[1]) == sorted(by_list[1]) == sorted(twice[1]) == [Path(p) for p in files]
    assert season / "hall" == by_pattern[0] == by_list[0]


def test_lifts_are_kept_in_the_history(season: Path, tmp_path: Path) -> None:
    """Each lift with a known lifter once, however often the batch runs; unknown lifters are named before the work."""
    from forcekit.history.people import add_athlete, list_athletes
    from forcekit.history.store import open_store

    table = write(
        tmp_path / "cards.csv", "file,athlete,load_kg\nlift_1.csv,Ines Falkner,60\nlift_2.csv,Ines Falkner,65\n"
    )
    where = tmp_path / "club.sqlite"
    wanted = BatchWanted(inputs=[str(season / "hall")], out=tmp_path / "out", cards=table, store=str(where))
    with open_store(where), pytest.raises(InputError, match="does not know Ines Falkner"):
        run_batch(wanted, 1)
    with open_store(where) as store:
        add_athlete(store, "Ines Falkner", stature_m=1.7)
    run_batch(wanted, 1)
    run_batch(BatchWanted(inputs=wanted.inputs, out=tmp_path / "other", cards=table, store=str(where)), 1)
    with open_store(where) as store:
        assert [2] == [a.n_attempts for a in list_athletes(store)]
    (row,) = [r for r in lifts(tmp_path / "out") if r["file"] == "lift_2.csv"]
    assert "1.7" == row["stature_m"]


def test_a_lifter_corrected_in_the_history_is_done_again(season: Path, tmp_path: Path) -> None:
    """Stature or body mass corrected in the history: that lifter's recordings are analysed again, and no other one."""
    from forcekit.history.people import add_athlete, add_body_mass, change_athlete
    from forcekit.history.store import open_store

    table = write(
        tmp_path / "cards.csv", "file,athlete,load_kg\nlift_1.csv,Ines Falkner,60\nlift_2.csv,Oke Brandvold,65\n"
    )
    where = tmp_path / "club.sqlite"
    wanted = BatchWanted(inputs=[str(season / "hall")], out=tmp_path / "out", cards=table, store=str(where))
    with open_store(where) as store:
        add_athlete(store, "Ines Falkner", stature_m=1.7)
        add_athlete(store, "Oke Brandvold", stature_m=1.8)
    assert 11 == run_batch(wanted, 1).n_analysed
    assert 0 == run_batch(wanted, 1).n_analysed
    with open_store(where) as store:
        change_athlete(store, "Ines Falkner", stature_m=1.72)
    assert 1 == run_batch(wanted, 1).n_analysed
    with open_store(where) as store:
        add_body_mass(store, "Oke Brandvold", 93.0)
    assert 1 == run_batch(wanted, 1).n_analysed
    assert ["1.72"] == [r["stature_m"] for r in lifts(tmp_path / "out") if r["file"] == "lift_1.csv"]
