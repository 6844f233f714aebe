"""Running the command line in the process of a test."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from forcekit.cli import main

__all__ = ["Run", "run"]

Run = Callable[..., tuple[int, str, str]]
"""Words of a command -> exit code, standard output, standard error."""


def run(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, *words: str | Path
) -> tuple[int, str, str]:
    """Run the command line in this process; return exit code, standard output and standard error."""
    monkeypatch.setattr(sys, "argv", ["forcekit", *(str(w) for w in words)])
    code = 0
    try:
        main()
    except SystemExit as e:
        code = int(e.code or 0)
    out = capsys.readouterr()
    return code, out.out, out.err
