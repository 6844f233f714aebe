"""The command line for tests, which never sees the history of whoever runs them, and devices to calibrate."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import typer

from forcekit import cli
from forcekit.acquire.device_file import save_device
from tests.stories.in_process import Run, run
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
