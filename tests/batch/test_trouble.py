"""What lies in folders that no lift can be read from, and what happens to files while a batch runs."""

from __future__ import annotations

import csv
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from season_files import batch

import forcekit.batch.one
from forcekit.batch.find import find_files
from forcekit.batch.journal import Journal
from forcekit.batch.run import BatchWanted, run_batch
from forcekit.errors import InputError
from forcekit.history.people import add_athlete
from forcekit.history.store import open_store


def failures(out: Path) -> dict[str, str]:
    """Reasons by file."""
    with (out / "failures.csv").open(newline="", encoding="utf-8") as file:
        return {row["file"]: row["why"] for row in csv.DictReader(file)}


@pytest.fixture
def two(season: Path, tmp_path: Path) -> Path:
    """A folder with two good recordings."""
    folder = tmp_path / "two"
    folder.mkdir()
    for name in ("lift_0.csv", "lift_1.csv", "device.toml"):
        shutil.copy(season / "hall" / name, folder)
    return folder


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no such files")
def test_links_and_pipes_are_failures_of_their_own(two: Path, tmp_path: Path) -> None:
    """A link that leads nowhere and a pipe that nobody writes into cost the other recordings nothing."""
    (two / "gone.csv").symlink_to(tmp_path / "not there.csv")
    os.mkfifo(two / "pipe.csv")
    done = batch(two, "-o", tmp_path / "out", code=1)
    assert "4 recordings: 2 with 2 lifts, 0 without a lift, 2 failed" in done.stdout
    why = failures(tmp_path / "out")
    assert why["gone.csv"].startswith("gone.csv: this is a link to a file that is not there;")
    assert why["pipe.csv"].startswith("pipe.csv: this is a pipe or a device,")


def test_folders_that_are_not_looked_into_are_told(
    two: Path, season: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A link to a folder may lead in a circle, a folder may be locked: nothing is left out in silence."""
    (two / "linked").symlink_to(season, target_is_directory=True)
    (two / "locked").mkdir()
    scandir: Callable[[str], object] = os.scandir

    def refuse(path: str) -> object:
        if str(path).endswith("locked"):
            raise PermissionError(13, "Permission denied", str(path))
        return scandir(path)

    monkeypatch.setattr(os, "scandir", refuse)
    _, found, passed = find_files([str(two)])
    assert ["lift_0.csv", "lift_1.csv"] == sorted(p.name for p in found)
    linked, locked = sorted(passed)
    assert linked.startswith(f"{two / 'linked'}: a link to a folder is not followed;")
    assert locked.startswith(f"{two / 'locked'}: this folder cannot be looked into (Permission denied);")
    only = tmp_path / "only links"
    only.mkdir()
    (only / "linked").symlink_to(season, target_is_directory=True)
    with pytest.raises(InputError, match=r"no recordings are found; .* a link to a folder is not followed"):
        find_files([str(only)])
    assert set(passed) <= set(run_batch(BatchWanted(inputs=[str(two)], out=tmp_path / "out"), 1).warnings)


@pytest.mark.parametrize("removed", [True, False])
def test_a_file_that_changes_meanwhile_is_done_again(
    removed: bool, two: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was read is no longer what is there: a failure that says so, and the next run tries again."""
    victim, whole = two / "lift_0.csv", (two / "lift_0.csv").read_bytes()
    real = forcekit.batch.one.analyze

    def meddled(*args: object) -> object:
        if removed:
            victim.unlink(missing_ok=True)
        else:
            victim.write_bytes(whole + b"\n")
        return real(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(forcekit.batch.one, "analyze", meddled)
    wanted = BatchWanted(inputs=[str(two)], out=tmp_path / "out")
    run_batch(wanted, 1)
    told = "lift_0.csv: a file of this recording was changed or removed while it was read; run the batch again."
    assert {"lift_0.csv": told} == failures(tmp_path / "out")
    monkeypatch.undo()
    victim.write_bytes(whole)
    assert (1, 0) == (lambda r: (r.n_analysed, r.n_failed))(run_batch(wanted, 1))


def test_a_disk_that_refuses_the_tables_is_named_with_a_remedy(two: Path, tmp_path: Path) -> None:
    """One sentence that names the folder; what was analysed is not lost."""
    out = tmp_path / "out"
    (out / ".lifts.csv.part").mkdir(parents=True)
    done = batch(two, "-o", out, code=2)
    assert done.stderr.startswith(f"forcekit: {out}: the tables cannot be written (Is a directory); make room")
    (out / ".lifts.csv.part").rmdir()
    assert "2 had not changed since the last run" in batch(two, "-o", out).stdout


def test_a_journal_that_cannot_be_written_is_one_sentence(two: Path, tmp_path: Path) -> None:
    """Also where it only forgets recordings that are gone."""
    done = run_batch(BatchWanted(inputs=[str(two)], out=tmp_path / "out"), 1)
    assert 2 == done.n_analysed
    with Journal(tmp_path / "out") as journal:
        journal._db.execute("PRAGMA query_only=1")
        with pytest.raises(InputError, match=r"progress.sqlite: cannot be written .*; see to the disk"):
            journal.keep_only(["lift_0.csv"])


def test_older_parquet_does_not_stay_beside_newer_csv(two: Path, tmp_path: Path) -> None:
    """Who reads the Parquet later would read the numbers of an earlier run."""
    out = tmp_path / "out"
    run_batch(BatchWanted(inputs=[str(two)], out=out, parquet=True), 1)
    assert (out / "lifts.parquet").is_file()
    (two / "lift_1.csv").unlink()
    run_batch(BatchWanted(inputs=[str(two)], out=out, parquet=False), 1)
    assert [] == sorted(p.name for p in out.glob("*.parquet"))


def test_the_same_recording_under_two_names_is_told(two: Path, tmp_path: Path) -> None:
    """A copy counts in every mean; it is kept in the tables, for only a person knows which one to remove."""
    (two / "copies").mkdir()
    shutil.copy(two / "lift_1.csv", two / "copies" / "lift_1 (2).csv")
    shutil.copy(two / "device.toml", two / "copies")
    result = run_batch(BatchWanted(inputs=[str(two)], out=tmp_path / "out"), 1)
    told = "the same recording twice, its lifts count twice: lift_1.csv as copies/lift_1 (2).csv; remove one"
    assert (told,) == result.warnings
    assert 3 == result.n_lifts
    assert (told,) == run_batch(BatchWanted(inputs=[str(two)], out=tmp_path / "out"), 1).warnings


def test_tables_of_an_earlier_batch_are_no_recordings(two: Path, tmp_path: Path) -> None:
    """They lie in the season's folder, and this batch writes elsewhere; a recording may have the name of a table."""
    run_batch(BatchWanted(inputs=[str(two)], out=two / "tables", parquet=True), 1)
    shutil.copy(two / "lift_1.csv", two / "lifts.csv")
    _, found, _ = find_files([str(two)])
    assert ["lift_0.csv", "lift_1.csv", "lifts.csv"] == sorted(p.name for p in found)


def test_lifts_that_no_history_can_keep_are_told(two: Path, tmp_path: Path) -> None:
    """Without a name there is nobody to keep them for; also in a run that has nothing to do."""
    wanted = BatchWanted(inputs=[str(two)], out=tmp_path / "out", store=str(tmp_path / "club.sqlite"))
    for _ in range(2):
        (told,) = run_batch(wanted, 1).warnings
        assert told.startswith("--store: 2 of 2 lifts name no lifter and were not kept; say who lifts")


def test_lifts_of_somebody_the_history_does_not_know_have_not_failed(two: Path, tmp_path: Path) -> None:
    """They stand in the tables; that they are not kept is told beside, and mended by the next run."""
    store = str(tmp_path / "club.sqlite")
    for name in ("lift_0", "lift_1"):
        (two / f"{name}.card.toml").write_text('athlete = "Mirja Holt"\n')
    done = batch(two, "-o", tmp_path / "out", "--store", store, code=1)
    told = "2 with 2 lifts, 0 without a lift, 0 failed, of 2 the lifts could not be kept in the history"
    assert told in done.stdout
    assert "limits" not in done.stdout
    with open_store(store) as history:
        add_athlete(history, "Mirja Holt")
    done = batch(two, "-o", tmp_path / "out", "--store", store)
    assert "2 with 2 lifts, 0 without a lift, 0 failed\n" in done.stdout
    assert "`forcekit reanalyze NAME` judges by the lifter's own" in done.stdout


def test_a_bar_file_that_the_cards_replace_is_told(two: Path, tmp_path: Path) -> None:
    """It lies beside its recording and would have been taken; nothing of it is in the tables."""
    for name in ("lift_0.bar.csv", "other_sensor.csv"):
        shutil.copy(two / "lift_1.csv", two / name)
    cards = tmp_path / "cards.csv"
    cards.write_text("file,bar\nlift_0.csv,other_sensor.csv\n")
    told = run_batch(BatchWanted(inputs=[str(two)], out=tmp_path / "out", cards=cards), 1).warnings
    assert "cards.csv: names another bar file, so that nothing is made of lift_0.bar.csv" in told


def test_the_bars_device_file_must_be_one(two: Path, tmp_path: Path) -> None:
    """Said before the work, not in each file; and where a device file was looked for, up to which folder."""
    with pytest.raises(InputError, match=r"--bar-device .*: it describes a plate"):
        run_batch(BatchWanted(inputs=[str(two)], out=tmp_path / "out", bar_device=two / "device.toml"), 1)
    (two / "device.toml").rename(tmp_path / "device.toml")
    run_batch(BatchWanted(inputs=[str(two)], out=tmp_path / "out"), 1)
    assert f"lies beside it or above, up to {two};" in failures(tmp_path / "out")["lift_0.csv"]
