"""Sentences are wrapped to the terminal they stand in."""

from __future__ import annotations

import pytest

from forcekit.terminal import NARROWEST, WIDEST, text_width


@pytest.mark.parametrize(("columns", "expected"), [("80", 80), ("20", NARROWEST), ("300", WIDEST)])
def test_sentences_are_as_wide_as_the_terminal(monkeypatch: pytest.MonkeyPatch, columns: str, expected: int) -> None:
    """Within the widths that read well."""
    monkeypatch.setenv("COLUMNS", columns)
    assert expected == text_width()
