"""The linter and the type checker are part of the tests, so that there is one command for everything."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


# Where there is no cache to go on from, writing one takes a sixth of the time.
MYPY = ["mypy"] if (ROOT / ".mypy_cache").is_dir() else ["mypy", "--cache-dir=/dev/null"]


@pytest.mark.parametrize("command", [MYPY, ["ruff", "check", "."]], ids=["mypy", "ruff"])
def test_checker_has_nothing_to_say(command: list[str]) -> None:
    """Ruff and strict mypy, with the settings of pyproject.toml, find nothing."""
    done = subprocess.run([sys.executable, "-m", *command], capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-1000:]
