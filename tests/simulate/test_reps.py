"""Reps of one lifter: the same body and bar, a spread as stated."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from forcekit.simulate.faults import random_plan
from forcekit.simulate.lifter import simulate_lift
from forcekit.simulate.reps import next_rep
from forcekit.simulate.session import same_lifter


def test_reps_spread_as_stated_around_the_same_lifter() -> None:
    """Depth and braking time of 300 reps have the coefficient of variation that was asked for (to 4 of its errors)."""
    rng = np.random.default_rng(5)
    usual = random_plan(rng, movement="jerk")
    reps = [next_rep(rng, usual, spread=0.04) for _ in range(300)]
    assert all(same_lifter(r, usual) == r and r.bar_mass_kg == usual.bar_mass_kg for r in reps)
    for name in ("dip_depth_of_stature", "braking_s"):
        values = np.array([getattr(r, name) for r in reps])
        assert values.std() / getattr(usual, name) == pytest.approx(0.04, rel=4.0 / np.sqrt(600.0))


def test_recovery_lasts_as_planned() -> None:
    """A second more in the catch and in standing up is a second more of the motion."""
    rng = np.random.default_rng(6)
    plan = next_rep(rng, random_plan(rng, movement="jerk"))
    longer = dataclasses.replace(plan, recover_s=plan.recover_s + 1.0)
    spent = simulate_lift(longer, 1, rate_hz=1000.0).duration_s - simulate_lift(plan, 1, rate_hz=1000.0).duration_s
    assert spent == pytest.approx(1.0, abs=0.01)
