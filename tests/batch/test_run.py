"""A folder to tables: what stands in them, what fails, what is done again."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from season_files import batch, contents

import forcekit
from forcekit.batch.columns import TABLES, csv_lines
from forcekit.batch.run import BatchWanted, run_batch
from forcekit.batch.versions import code_hash
from forcekit.errors import InputError


def rows(out: Path, table: str) -> list[dict[str, str]]:
    """A table as it stands in its CSV."""
    with (out / f"{table}.csv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def wanted(season: Path, out: Path, **other: Any) -> BatchWanted:
    """A batch of the season's folder."""
    return BatchWanted(inputs=[str(season)], out=out, **other)


def test_the_command_end_to_end(season: Path, tmp_path: Path) -> None:
    """Eight lifts, four failures with their reasons, one file without a lift; exit code 1; nothing on top of it."""
    out = tmp_path / "out"
    done = batch(season, "-o", out, code=1)
    lifts, failures, files = rows(out, "lifts"), rows(out, "failures"), rows(out, "files")

    assert ["13 recordings: 8 with 8 lifts, 1 without a lift, 4 failed"] == done.stdout.splitlines()[:1]
    assert [f"hall/lift_{i}.csv" for i in range(6)] + ["north/lift_6.csv", "north/lift_7.csv"] == [
        r["file"] for r in lifts
    ]
    assert ["empty.csv", "picture.csv", "short.csv", "word.csv"] == [r["file"].split("/")[-1] for r in failures]
    assert ["the file is empty", "this is not a text file", "only 18 rows", '"oops'] == [
        word
        for word, r in zip(
            ["the file is empty", "this is not a text file", "only 18 rows", '"oops'], failures, strict=True
        )
        if word in r["why"]
    ]
    assert sorted(f["file"] for f in files) == [f["file"] for f in files]
    (still,) = [f for f in files if f["file"].endswith("still.csv")]
    assert still["state"] == "no lift"
    assert "no dip and drive follows" in still["reason"]
    assert "Traceback" not in done.stderr


def test_numbers_are_those_of_an_analysis(season: Path, tmp_path: Path) -> None:
    """Every measure of the table is, to the last digit, what `analyze` of the same file says."""
    run_batch(wanted(season, tmp_path / "out"), 1)
    row = next(r for r in rows(tmp_path / "out", "lifts") if r["file"] == "hall/lift_3.csv")
    (lift,) = forcekit.analyze(forcekit.read(season / "hall" / "lift_3.csv")).lifts

    for name, m in lift.measures.items():
        got = [row[name], row[f"{name}_low"], row[f"{name}_high"]]
        assert ["" if v is None else repr(v) for v in (m.value, m.low, m.high)] == got
    reasons: dict[str, list[str]] = json.loads(row["withheld"])
    assert {m.name: m.withheld for m in lift.measures.values() if not m.ok} == {
        name: why for why, names in reasons.items() for name in names
    }


def test_parquet_holds_what_csv_holds(season: Path, tmp_path: Path) -> None:
    """Both kinds of table read back as the same values, column by column."""
    import pyarrow.parquet as pq

    out = tmp_path / "out"
    run_batch(wanted(season, out, parquet=True), 1)
    for table in TABLES:
        read = pq.read_table(out / f"{table.name}.parquet")
        assert list(table.columns) == read.column_names
        kept = [tuple(row[c] for c in table.columns) for row in read.to_pylist()]
        assert (out / f"{table.name}.csv").read_text() == csv_lines([list(table.columns), *kept])


def test_only_what_changed_is_done_again(season: Path, tmp_path: Path) -> None:
    """A second run does nothing, a changed, a new and a removed file count, and so does a device file or a setting."""
    folder, out = tmp_path / "season", tmp_path / "out"
    shutil.copytree(season, folder)
    first = run_batch(wanted(folder, out), 1)
    before = contents(out)
    assert (13, 0) == (first.n_analysed, run_batch(wanted(folder, out), 1).n_analysed)
    assert before == contents(out)

    lift = folder / "hall" / "lift_1.csv"
    lift.write_bytes(lift.read_bytes().replace(b"laboratory", b"Laboratory"))
    assert 1 == run_batch(wanted(folder, out), 1).n_analysed
    (folder / "hall" / "lift_2.csv").rename(folder / "hall" / "lift_9.csv")
    assert 1 == run_batch(wanted(folder, out), 1).n_analysed
    device = folder / "north" / "device.toml"
    device.write_text(device.read_text() + "\n# checked\n")
    assert 2 == run_batch(wanted(folder, out), 1).n_analysed
    assert 13 == run_batch(wanted(folder, out, settings=forcekit.Settings(shortest_stance_s=0.7)), 1).n_analysed
    assert 13 == run_batch(wanted(folder, out, anew=True), 1).n_analysed
    fresh = tmp_path / "fresh"
    run_batch(wanted(folder, fresh), 1)
    assert contents(fresh) == contents(out)


def test_the_manifest_says_what_was_done(season: Path, tmp_path: Path) -> None:
    """Versions, settings, device files and the hashes of the tables; a folder without one is not complete."""
    import hashlib

    out = tmp_path / "out"
    device = season / "hall" / "device.toml"
    run_batch(wanted(season, out, device=device), 1)
    manifest = json.loads((out / "manifest.json").read_text())

    assert forcekit.__version__ == manifest["versions"]["forcekit"]
    assert hashlib.sha256(device.read_bytes()).hexdigest() == manifest["files"]["device"]["sha256"]
    for name, digest in manifest["tables"].items():
        assert hashlib.sha256((out / name).read_bytes()).hexdigest() == digest
    (hashed,) = {f["sha256"] for f in rows(out, "files") if f["file"] == "hall/lift_0.csv"}
    assert hashlib.sha256((season / "hall" / "lift_0.csv").read_bytes()).hexdigest() == hashed


@pytest.mark.parametrize(
    ("name", "counts"),
    [("model.py", True), ("results.py", True), ("analysis/cue_book.toml", True), ("batch/one.py", True),
     ("cli.py", False), ("show/charts.py", False)],
)  # fmt: skip
def test_another_code_is_another_batch(
    name: str, counts: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever decides the numbers tells two versions of the code apart; what only shows them does not."""
    root = tmp_path / "forcekit"
    shutil.copytree(Path(forcekit.__file__).parent, root, ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.setattr(forcekit, "__file__", str(root / "__init__.py"))
    before = code_hash.__wrapped__()
    with (root / name).open("a", encoding="utf-8") as file:
        file.write("# changed\n")
    assert counts == (before != code_hash.__wrapped__())


def test_the_quality_summary_adds_up(season: Path, tmp_path: Path) -> None:
    """Each measure and each check of all lifts is given or withheld once per lift."""
    run_batch(wanted(season, tmp_path / "out"), 1)
    table = rows(tmp_path / "out", "quality")
    lifts = rows(tmp_path / "out", "lifts")
    for name in forcekit.MEASURES:
        counts = {r["outcome"]: int(r["n"]) for r in table if (r["what"], r["name"]) == ("measure", name)}
        assert len(lifts) == sum(counts.values())
        assert sum(lift[name] != "" for lift in lifts) == counts.get("given", 0)
    assert {"failed": "4", "lifts": "8", "no lift": "1"} == {r["outcome"]: r["n"] for r in table if r["what"] == "file"}


def test_tables_are_private(season: Path, tmp_path: Path) -> None:
    """Athletes are named in them: only their owner can read them."""
    out = tmp_path / "out"
    run_batch(wanted(season, out), 1)
    assert {0o600} == {p.stat().st_mode & 0o777 for p in out.iterdir()}
    assert 0o700 == out.stat().st_mode & 0o777


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["nowhere", "-o", "out"], "there is no such file or folder"),
        (["*.nothing", "-o", "out"], "no file fits this pattern"),
        ([".", "-o", "out"], "no recordings are found"),
        (["."], "no folder for the tables is named"),
        (["-o", "out"], "nothing to analyse is named"),
        ([".", "-o", "out", "--shortest-stance", "20"], "5.0 s are allowed"),
        ([".", "-o", "out", "--workers", "2", "--dask", "here"], "exclude each other"),
    ],
)
def test_what_cannot_be_used_is_said_in_one_sentence(
    words: list[str], told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2 and one sentence."""
    import sys

    from forcekit.cli import main

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "argv", ["forcekit", "batch", *words])
    with pytest.raises(SystemExit, match="2"):
        main()
    assert told in " ".join(capsys.readouterr().err.split())


def test_two_batches_into_one_folder_are_refused(season: Path, tmp_path: Path) -> None:
    """While one writes there, another one is told so."""
    from forcekit.batch.journal import Journal

    with Journal(tmp_path), pytest.raises(InputError, match="another batch may be writing"):
        Journal(tmp_path)
