"""How wide the text of the commands may be."""

from __future__ import annotations

import shutil

__all__ = ["text_width"]

NARROWEST, WIDEST = 60, 96
"""Columns; longer lines are hard to read (our choice)."""


def text_width() -> int:
    """Columns that sentences are wrapped to: as the terminal has, and the widest into a file or a pipe."""
    return min(max(shutil.get_terminal_size((WIDEST, 24)).columns, NARROWEST), WIDEST)
