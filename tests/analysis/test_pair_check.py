"""Another lift's bar file is named, and the right one is not, with bars that bend and bodies that are soft, too."""

from __future__ import annotations

import dataclasses
from functools import cache

import msgspec
import numpy as np
import pytest

from tests.benchmarks.pairs import Rep, is_named, lift_with, lifter


@cache
def reps(seed: int, world: str, pattern: str | None = None) -> list[Rep]:
    """Two reps of a lifter."""
    return lifter(seed, world=world, spread=0.04, pattern=pattern, n_reps=2)


@pytest.mark.parametrize("world", ["rigid", "bent", "soft"])
def test_the_right_file_is_not_named(world: str) -> None:
    """Plate and bar of one lift belong together, also where the discs lag by milliseconds and the body wobbles."""
    assert [False] * 4 == [is_named(lift_with(r, r)) for seed in (11, 12) for r, _ in reps(seed, world)]


@pytest.mark.parametrize("pattern", ["arms_early", "slow_turnaround", "double_dip", "bar_floats"])
def test_a_fault_is_not_taken_for_another_lift(pattern: str) -> None:
    """A lifter whose arms push early, who sits at the bottom, dips twice or loses the bar is told so, and no more."""
    assert [False] * 2 == [is_named(lift_with(r, r)) for r, _ in reps(21, "bent", pattern)]


def test_another_file_is_named() -> None:
    """Of 12 files of another rep of the same lifter at least 9 are named, and all 4 of another lifter.

    In the large run (tests/benchmarks/pairs.py) nine of ten are named; fewer than 9 of 12 has then a probability of
    3 %, and the seeds are fixed.
    """
    named = []
    for world in ("rigid", "bent", "soft"):
        for seed in (11, 12):
            (a, _), (b, _) = reps(seed, world)
            named += [is_named(lift_with(a, b)), is_named(lift_with(b, a))]
    assert sum(named) >= 9
    (a, _), (b, _) = reps(11, "bent")[0], reps(12, "bent")[0]
    (c, _), (d, _) = reps(11, "soft")[0], reps(12, "soft")[0]
    assert [True] * 4 == [is_named(lift_with(p, q)) for p, q in ((a, b), (b, a), (c, d), (d, c))]


def test_without_a_load_the_files_are_compared_all_the_same() -> None:
    """Nobody said the load: right files pass, another lifter's is named."""
    (a, _), (b, _) = reps(11, "bent")[0], reps(12, "bent")[0]
    unsaid = dataclasses.replace(a, card=msgspec.structs.replace(a.card, load_kg=None))
    assert not is_named(lift_with(unsaid, unsaid))
    assert is_named(lift_with(unsaid, b))


def test_a_bar_that_bends_widens_its_lead() -> None:
    """Where the dip put both on one clock, a bar that bends has moved that clock, and the lead's interval says so."""
    rigid, bent = (lift_with(r, r)["bar_lead"] for r in (reps(12, w)[0][0] for w in ("rigid", "bent")))
    assert rigid.ok
    assert bent.ok
    widths = [float(np.subtract(m.high, m.low)) for m in (rigid, bent)]  # type: ignore[arg-type]
    assert widths[1] > widths[0]
