"""Every fault is really there and the clean lift is really clean, by the true measures."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from forcekit.simulate.faults import PATTERNS, clean_plan, faulty_plan, random_plan
from forcekit.simulate.lifter import simulate_lift

Measures = Mapping[str, float]
SEEDS = range(6)


def has(pattern: str, m: Measures) -> bool:
    """Whether a lift's true measures lie clearly beyond common-practice limits for a pattern.

    The limits are our own choice of what is beyond dispute (common practice, no published values): pressure shifts
    of 12 % of the foot, a stance beyond 68 % of the foot, a turnaround longer than 0.10 s, and so on.
    """
    dip, drive, total = m["shift_in_dip_of_foot"], m["shift_in_drive_of_foot"], m["shift_total_of_foot"]
    return {
        "forward_in_dip": dip > 0.12,
        "back_then_forward": dip < 0.03 and drive > 0.12 and total > 0.12,
        "forward_throughout": m["stance_pressure_of_foot"] > 0.68 and abs(total) < 0.12,
        "toward_heels": total < -0.12,
        "bar_floats": m["bar_least_rack_load"] < 0.1 and m["bar_separation"] > 0.01,
        "arms_early": m["bar_lead"] < -0.02,
        "elbows_drop": m["shaft_rotation_dip"] < -0.26,
        "slow_turnaround": m["transition_time"] > 0.10,
        "too_deep": m["dip_depth_of_stature"] > 0.16,
        "too_shallow": m["dip_depth_of_stature"] < 0.05,
        "double_dip": m["unweighting_time"] > 0.7,
        "side_to_side": abs(m["side_shift"]) > 0.025,
        "falls_short": m["peak_drive_velocity"] < 0.8,
    }[pattern]


@pytest.mark.parametrize("pattern", PATTERNS)
def test_a_faulty_plan_shows_its_fault_and_no_other(pattern: str) -> None:
    """The fault put in is beyond its limit; all others are not."""
    truth = simulate_lift(faulty_plan(pattern), 1).truths[0]
    assert truth.patterns == (pattern,)
    assert [p for p in PATTERNS if has(p, truth.measures)] == [pattern]


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("seed", SEEDS)
def test_a_drawn_fault_is_beyond_its_limit(pattern: str, seed: int) -> None:
    """However lifter, load and timing are drawn, the fault is there and no other."""
    truth = simulate_lift(random_plan(np.random.default_rng(seed), pattern), seed).truths[0]
    assert [p for p in PATTERNS if has(p, truth.measures)] == [pattern]


@pytest.mark.parametrize("seed", range(20))
def test_a_drawn_clean_lift_is_clean_and_plausible(seed: int) -> None:
    """No fault, and numbers inside the published bands.

    Bands: dip 6 to 16 % of stature, braking 0.08 to 0.25 s, peak force 1.6 to 3 times the weight (own reading of the
    ranges collected in Soriano et al. 2019, Sports Med. 49:867-885, and Drechsler 1998, secondary copies seen);
    velocity 0.9 to 2.0 m/s.
    """
    truth = simulate_lift(random_plan(np.random.default_rng(seed)), seed).truths[0]
    m = truth.measures
    assert [p for p in PATTERNS if has(p, m)] == []
    assert 0.06 < m["dip_depth_of_stature"] < 0.16
    assert 0.08 < m["braking_time"] < 0.25
    assert 1.5 < m["peak_force_of_weight"] < 3.1
    assert 0.85 < m["peak_drive_velocity"] < 2.0
    assert m["transition_time"] < 0.045
    assert abs(m["shift_total_of_foot"]) < 0.05


def test_changes_reach_the_plan_but_not_the_fault() -> None:
    """A changed load is kept; the fault's own fields win."""
    plan = faulty_plan("elbows_drop", bar_mass_kg=55.0, elbows_drop_rad=0.0)
    assert plan.bar_mass_kg == 55.0
    assert plan.elbows_drop_rad > 0.3
    assert clean_plan(bar_mass_kg=55.0).bar_mass_kg == 55.0


def test_drawing_is_repeatable() -> None:
    """The same generator state gives the same plan."""
    one, again = (random_plan(np.random.default_rng(8), "too_deep") for _ in range(2))
    assert one == again
