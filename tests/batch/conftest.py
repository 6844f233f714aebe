"""One season for all tests of batches, and no history of whoever runs them."""

from __future__ import annotations

from pathlib import Path

import pytest
from season_files import make_season


@pytest.fixture(scope="session")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of recordings that no test changes."""
    return make_season(tmp_path_factory.mktemp("batch") / "season")


@pytest.fixture(autouse=True)
def nobodys_history(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Without --store there is no history."""
    monkeypatch.setenv("FORCEKIT_DATA", str(tmp_path / "no history"))
