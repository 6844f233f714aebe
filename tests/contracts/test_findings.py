"""Every fault the plate can see is found, surely and first; clean lifts are left alone."""

from __future__ import annotations

import numpy as np
import pytest
from helpers import only_lift, simulated

from forcekit.simulate.faults import PATTERNS, random_plan
from forcekit.simulate.sensors import PlateSensor

ONLY_BY_THE_BAR = ("bar_floats", "arms_early", "elbows_drop")
SEEN_BY_PLATE = [p for p in PATTERNS if p not in ONLY_BY_THE_BAR]
KINDS = ("cells", "components", "pressure")


def sensor(seed: int) -> PlateSensor:
    """A plate with pressure, another kind for each seed."""
    return PlateSensor(kind=KINDS[seed % 3])  # type: ignore[arg-type]


@pytest.mark.parametrize("pattern", SEEN_BY_PLATE)
@pytest.mark.parametrize("seed", range(3))
def test_a_fault_is_clear_and_first(pattern: str, seed: int) -> None:
    """However lifter, load and timing are drawn, the fault that was put in heads the list and is clear."""
    plan = random_plan(np.random.default_rng([seed, 21]), pattern)
    lift = only_lift(simulated(plan, seed, sensor(seed))[1])
    assert [(f.pattern, f.strength) for f in lift.findings[:1]] == [(pattern, "clear")]


@pytest.mark.parametrize("pattern", SEEN_BY_PLATE)
def test_a_fault_raises_no_other_clear_one(pattern: str) -> None:
    """One cause, one clear finding."""
    plan = random_plan(np.random.default_rng([5, 22]), pattern)
    lift = only_lift(simulated(plan, 5)[1])
    assert [f.pattern for f in lift.findings if f.strength == "clear"] == [pattern]


@pytest.mark.parametrize("seed", range(12))
def test_a_clean_lift_raises_nothing_clear(seed: int) -> None:
    """Nothing is surely wrong with a clean lift of any movement."""
    lift = only_lift(simulated(random_plan(np.random.default_rng([seed, 23])), seed, sensor(seed))[1])
    assert [f for f in lift.findings if f.strength == "clear"] == []


@pytest.mark.parametrize("pattern", ONLY_BY_THE_BAR)
def test_what_only_the_bar_shows_is_not_claimed_from_the_plate(pattern: str) -> None:
    """Without a sensor on the bar no finding about the bar is made."""
    lift = only_lift(simulated(random_plan(np.random.default_rng([3, 24]), pattern), 3)[1])
    assert not {f.pattern for f in lift.findings} & {*ONLY_BY_THE_BAR, "bar_drifts_forward"}


@pytest.mark.parametrize("rate_hz", [100.0, 250.0])
def test_pressure_faults_are_seen_at_low_rates(rate_hz: float) -> None:
    """Where the pressure goes does not take a fast plate."""
    for pattern in ("forward_in_dip", "back_then_forward", "toward_heels", "side_to_side"):
        plan = random_plan(np.random.default_rng([1, 25]), pattern)
        lift = only_lift(simulated(plan, 1, PlateSensor(rate_hz=rate_hz))[1])
        assert (lift.findings[0].pattern, lift.findings[0].strength) == (pattern, "clear")
