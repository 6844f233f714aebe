"""The command line for tests, which never sees anybody's history; devices to calibrate, and a season that is kept."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
import typer

from forcekit import cli
from forcekit.acquire.device_file import save_device
from tests.stories.in_process import Run, run
from tests.stories.kept_season import NAME, Place, analysis
from tests.stories.season import season as season_files
from tests.stories.wrong_devices import bar_device, plate_device


@pytest.fixture(autouse=True, scope="module")
def commands_built_once() -> Iterator[None]:
    """Typer builds all commands anew at every call, which takes longer than most commands do."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("forcekit.cli.app", typer.main.get_command(cli.app))
        yield


@pytest.fixture(autouse=True)
def nobodys_history(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Without --store there is no history."""
    monkeypatch.setenv("FORCEKIT_DATA", str(tmp_path / "no history"))


@pytest.fixture
def forcekit(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Give `run` with its fixtures filled in."""
    return lambda *words: run(capsys, monkeypatch, *words)


@pytest.fixture
def plate(tmp_path: Path) -> Path:
    """Write the device file of the plate and give its path."""
    save_device(plate_device(), tmp_path / "shed.toml")
    return tmp_path / "shed.toml"


@pytest.fixture
def bar(tmp_path: Path) -> Path:
    """Write the device file of the bar sensor and give its path."""
    save_device(bar_device(), tmp_path / "bar.toml")
    return tmp_path / "bar.toml"


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Place:
    """Ten usual reps at 70 and 80 kg, analysed and kept by the commands themselves."""
    files, store = tmp_path_factory.mktemp("files"), tmp_path_factory.mktemp("data") / "history"
    place = Place(store, files, tuple(season_files(files)))
    body = ("--stature", 170, "--foot-length", 25.5, "--body-mass", 71.5, "--note", "club <b>lifter</b>")
    assert place.ask("athlete", "add", NAME, *body).code == 0
    for rep in place.reps:
        said = place.ask(*analysis(rep))
        assert (said.code, said.err) == (0, "")
    return place


@pytest.fixture
def place(made: Place, tmp_path: Path) -> Place:
    """A copy of it that a test may change."""
    store = tmp_path / "history"
    shutil.copytree(made.store, store)
    return Place(store, made.files, made.reps)
