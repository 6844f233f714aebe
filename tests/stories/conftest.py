"""Commands run in tests never see the history of whoever runs the tests."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture(autouse=True)
def nobodys_history(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Without --store there is no history."""
    monkeypatch.setenv("FORCEKIT_DATA", str(tmp_path / "no history"))
