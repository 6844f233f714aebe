"""Sessions: exactly the lifts are true, and nothing jumps between the steps."""

from __future__ import annotations

import numpy as np
import pytest

from forcekit.simulate.between import STEPS
from forcekit.simulate.faults import random_plan
from forcekit.simulate.plan import LiftPlan
from forcekit.simulate.session import Step, random_script, same_lifter, simulate_session

LIFTER = LiftPlan(bar_mass_kg=70.0)
EVERY_STEP = [
    Step(name="empty"),
    Step(name="disc on plate"),
    Step(name="spotter"),
    Step(name="step on"),
    Step(name="chat", seconds=3.0),
    Step(name="unrack"),
    Step(name="walk out"),
    Step(name="regrip"),
    Step(name="shrug"),
    Step(name="aborted dip"),
    Step(name="lift", plan=same_lifter(LiftPlan(bar_mass_kg=70.0, landing=0.0), LIFTER)),
    Step(name="come back"),
    Step(name="stand"),
    Step(name="lift", plan=LiftPlan(bar_mass_kg=70.0, movement="push press", stance_pressure_of_foot=0.5)),
    Step(name="walk in"),
    Step(name="rerack"),
    Step(name="step off"),
    Step(name="load", bar_kg=82.5),
    Step(name="step on"),
    Step(name="unrack"),
    Step(name="walk out"),
    Step(name="lift", plan=LiftPlan(bar_mass_kg=82.5, movement="jump dip")),
    Step(name="walk in"),
    Step(name="rerack"),
    Step(name="step off"),
    Step(name="empty"),
]
WHOLE = simulate_session(EVERY_STEP, LIFTER, 3)


def test_the_script_has_every_step() -> None:
    """What is tested below has gone through the whole table."""
    assert {step.name for step in EVERY_STEP} == set(STEPS)


def test_truth_is_exactly_the_lifts() -> None:
    """Three lifts with their movements and loads, in order, each after the one before."""
    assert [(t.movement, t.plan.bar_mass_kg) for t in WHOLE.truths] == [
        ("jerk", 70.0),
        ("push press", 70.0),
        ("jump dip", 82.5),
    ]
    onsets = [t.measures["onset_at"] for t in WHOLE.truths]
    assert onsets == sorted(onsets)


@pytest.mark.parametrize("name", ["body", "bar"])
def test_motion_has_no_jump(name: str) -> None:
    """Position and velocity are the integrals of the row below through the whole session."""
    h = 1.0 / WHOLE.rate_hz
    x, v, a = (getattr(WHOLE, f"{name}_{k}") for k in ("position_m", "velocity_mps", "acceleration_mps2"))
    step = h / 2.0 * (v[1:] + v[:-1]) - h**2 / 12.0 * (a[1:] - a[:-1])
    assert np.max(np.abs(np.diff(x, axis=0) - step)) < 1e-8
    # Trapezoid over a kink of acceleration (up to 1e3 m/s³) or its curvature: h²/8 times 1e3.
    assert np.max(np.abs(np.diff(v, axis=0) - h / 2.0 * (a[1:] + a[:-1]))) < h**2 / 8.0 * 1e3


def test_force_is_continuous_and_never_negative() -> None:
    """Between neighbouring samples the force changes by what a landing can do (under 300 N in 0.5 ms) and no more."""
    assert float(WHOLE.force_up_n.min()) >= 0.0
    assert float(np.max(np.abs(np.diff(WHOLE.force_up_n)))) < 300.0


def test_force_follows_from_the_motion() -> None:
    """Plate force is its part of body and bar less what the rack carries, plus what others put down."""
    g, m = WHOLE.gravity_mps2, WHOLE.plan.body_mass_kg
    body, bar = WHOLE.body_acceleration_mps2[:, 2], WHOLE.bar_acceleration_mps2[:, 2]
    lifter = m * (body + g) + WHOLE.bar_mass_kg * (bar + g) - WHOLE.support_n
    assert np.max(np.abs(WHOLE.force_up_n - WHOLE.on_plate * lifter - WHOLE.extra_n)) < 1e-9


def test_plate_reads_lifter_then_lifter_and_bar() -> None:
    """Before unracking the plate carries the body, after it body and bar."""
    g, m = WHOLE.gravity_mps2, WHOLE.plan.body_mass_kg
    alone = (WHOLE.on_plate == 1.0) & (WHOLE.carried == 0.0)
    onset = WHOLE.truths[0].measures["onset_at"]
    ready = (WHOLE.t_s > onset - 1.0) & (WHOLE.t_s < onset)
    assert float(np.median(WHOLE.force_up_n[alone])) == pytest.approx(m * g, rel=0.003)
    assert float(np.mean(WHOLE.force_up_n[ready])) == pytest.approx((m + 70.0) * g, rel=0.002)


def test_empty_plate_is_empty() -> None:
    """Nothing is on the plate before the disc is put down."""
    assert float(np.max(np.abs(WHOLE.force_up_n[WHOLE.t_s < 2.0]))) == 0.0


def test_racked_bar_lies_still() -> None:
    """While it is in the rack the bar does not move, but for 60 ms around taking it and putting it back."""
    n = round(0.06 * WHOLE.rate_hz)
    near = np.convolve(WHOLE.carried, np.ones(2 * n + 1), mode="same") > 0.5
    assert int(np.sum(~near)) > 10000
    assert np.max(np.abs(WHOLE.bar_velocity_mps[~near])) < 1e-12
    # Around it the bar takes up the lifter's sway, a few mm/s.
    assert np.max(np.abs(WHOLE.bar_velocity_mps[WHOLE.carried == 0.0])) < 0.01


def test_measures_of_a_lift_do_not_hang_on_its_place() -> None:
    """Without sway a lift in a session has the same true measures as alone, times shifted."""
    from forcekit.simulate.lifter import simulate_lift

    plan = LiftPlan(bar_mass_kg=70.0, sway_m=0.0, breath_m=0.0, tremor_mps2=0.0, bar_whip_m=0.0)
    steps = [Step(name="step on"), Step(name="unrack"), Step(name="walk out"), Step(name="stand", seconds=6.0)]
    within = simulate_session([*steps, Step(name="lift", plan=plan)], plan, 1, rate_hz=5000.0).truths[0].measures
    alone = simulate_lift(plan, 1).truths[0].measures
    # The bar still swings a little from the walk (1 mm, dying with 0.5 s over more than 8 s).
    for name in (
        "dip_depth",
        "braking_time",
        "peak_drive_velocity",
        "peak_force",
        "shift_in_drive",
        "bar_peak_velocity",
    ):
        assert within[name] == pytest.approx(alone[name], rel=1e-5, abs=1e-6), name


@pytest.mark.parametrize("seed", range(3))
def test_random_session_counts_its_lifts(seed: int) -> None:
    """A drawn script has the wanted number of lifts, and they come out true."""
    rng = np.random.default_rng(seed)
    lifter = random_plan(rng)
    script = random_script(rng, lifter, 4)
    motion = simulate_session(script, lifter, seed, rate_hz=500.0)
    assert len(motion.truths) == 4
    assert float(motion.force_up_n.min()) >= 0.0


def test_a_step_in_the_wrong_place_is_refused() -> None:
    """Nobody can walk out before taking the bar."""
    with pytest.raises(ValueError, match='step 2, "walk out": the lifter is in the wrong place'):
        simulate_session([Step(name="step on"), Step(name="walk out")], LIFTER, 1)


def test_a_lift_of_somebody_else_is_refused() -> None:
    """All plans of a session have the same body."""
    steps = [Step(name="step on"), Step(name="unrack"), Step(name="lift", plan=LiftPlan(body_mass_kg=60.0))]
    with pytest.raises(ValueError, match="another body"):
        simulate_session(steps, LIFTER, 1)


def test_a_lift_with_another_load_is_refused() -> None:
    """The load of the plan must be on the bar."""
    steps = [Step(name="step on"), Step(name="unrack"), Step(name="lift", plan=LiftPlan(bar_mass_kg=95.0))]
    with pytest.raises(ValueError, match=r"planned with 95\.0 kg, but 70\.0 kg"):
        simulate_session(steps, LIFTER, 1)


def test_same_seed_same_session() -> None:
    """A seed fixes every number of a session."""
    steps = [Step(name="step on"), Step(name="chat", seconds=4.0), Step(name="step off")]
    one, again = (simulate_session(steps, LIFTER, 9).force_up_n for _ in range(2))
    assert np.array_equal(one, again)
