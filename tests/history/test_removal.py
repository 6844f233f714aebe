"""A removal beside an addition: the raw file that one takes and the other needs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from helpers import HalfSines
from places import Place
from reps import START, add, kept

from forcekit.analysis.pipeline import analyze
from forcekit.history import keep, reimport, removal
from forcekit.history.keep import Files, keep_lifts
from forcekit.history.people import add_athlete
from forcekit.history.recordings import find_kept
from forcekit.history.reimport import import_tables
from forcekit.history.removal import remove_athlete
from forcekit.history.tables import export_tables
from forcekit.results import Analysis

_LIFT = Analysis("take.csv", (analyze(HalfSines().recording(1000.0))[0],))


def test_a_file_noted_while_it_is_removed_stays(place: Place, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between the deletion of the rows and that of the files somebody else's lift of the same recording is stored."""
    with place.open() as store, place.open() as beside:
        for name in ("Ina", "Eva"):
            add_athlete(store, name)
        file = kept(store, tmp_path, "raw")
        add(store, "Ina", files=(file,), lift_at_s=2.0)
        finish = removal._finish

        def after_another(*args: Any) -> int:
            add(beside, "Eva", files=(kept(beside, tmp_path, "raw"),), lift_at_s=2.0)
            return finish(*args)

        monkeypatch.setattr(removal, "_finish", after_another)
        done = remove_athlete(store, "Ina")

        assert done.n_files == 0
        assert find_kept(store, file.sha256) is not None


def test_a_file_removed_while_it_is_noted_comes_back(
    place: Place, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A recording that was there already goes with its attempt just before another lift of it is stored."""
    path = tmp_path / "take.csv"
    path.write_text("raw")
    with place.open() as store, place.open() as beside:
        for name in ("Ina", "Eva"):
            add_athlete(store, name)
        keep_lifts(store, "Ina", _LIFT, Files(path), at=START)
        store_them = keep.keep_again

        def after_a_removal(*args: Any, **more: Any) -> Any:
            assert remove_athlete(beside, "Ina").n_files == 1
            return store_them(*args, **more)

        monkeypatch.setattr(keep, "keep_again", after_a_removal)
        keep_lifts(store, "Eva", _LIFT, Files(path), at=START)
        files = [p.read_text() for p in store.recordings.rglob("*.csv")]

        assert files == ["raw"]


def test_a_file_removed_while_tables_come_in_is_brought_again(
    place: Place, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same for an import: what the store had is copied in after all."""
    with place.open() as store, place.open() as beside:
        add_athlete(store, "Ina")
        add(store, files=(kept(store, tmp_path, "raw"),), lift_at_s=2.0)
        export_tables(store, tmp_path / "out")
        keep_raw = reimport._keep_raw
        gone: list[int] = []

        def before_a_removal(*args: Any) -> list[str]:
            new = keep_raw(*args)
            if not gone:
                gone.append(remove_athlete(beside, "Ina").n_files)
            return new

        monkeypatch.setattr(reimport, "_keep_raw", before_a_removal)
        done = import_tables(store, tmp_path / "out")

        assert (gone, done.n_attempts, done.n_files) == ([1], 1, 1)
        assert [p.read_text() for p in store.recordings.rglob("*.csv")] == ["raw"]
