"""Running commands on a store that holds an invented lifter's season."""

from __future__ import annotations

import contextlib
import io
import json
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from forcekit.cli import main
from tests.stories.season import Rep, scattered, write_rep

SAMPLES = Path(__file__).parents[2] / "sample_signals"
NAME = "Ines [b]*_$x$"
"""A name that is markup in half of the world is plain text here."""


@dataclass(frozen=True)
class Said:
    """What a command left: exit code, standard output and standard error."""

    code: int
    out: str
    err: str

    @property
    def data(self) -> dict[str, object]:
        """The JSON it printed."""
        found: dict[str, object] = json.loads(self.out)
        return found

    @property
    def text(self) -> str:
        """Everything said, without line breaks."""
        return " ".join(f"{self.out} {self.err}".split())


def run(*words: object, typed: str = "") -> Said:
    """Run the command line in this process."""
    out, err, code = io.StringIO(), io.StringIO(), 0
    before = sys.argv, sys.stdin
    sys.argv, sys.stdin = ["forcekit", *(str(w) for w in words)], io.StringIO(typed)
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            main()
    except SystemExit as e:
        code = int(e.code or 0)
    finally:
        sys.argv, sys.stdin = before
    return Said(code, out.getvalue(), err.getvalue())


def analysis(rep: Rep, *more: object) -> list[object]:
    """Words that analyse a recording of the season."""
    return [
        "analyze", rep.path, "--device", rep.device, "--athlete", NAME, "--load", rep.load_kg, "--movement", "jerk",
        "--date", rep.day, "--outcome", rep.outcome, "--brief", *more,
    ]  # fmt: skip


@dataclass(frozen=True)
class Place:
    """A store with the season in it, and the files it came from."""

    store: Path
    files: Path
    reps: tuple[Rep, ...]

    def ask(self, *words: object, typed: str = "") -> Said:
        """Run a command on the store."""
        return run(*words, "--store", self.store, typed=typed)


def deep(place: Place) -> Rep:
    """A dip of 12.5 % of stature: unusual for this lifter, and no fault by the common limit of 14 %."""
    plan = replace(scattered(80.0, np.random.default_rng(5)), dip_depth_of_stature=0.125)
    return write_rep(place.files, "deep", plan, 50, "2024-03-20T18:00", "missed forward")
