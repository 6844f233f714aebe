"""Sessions with many lifts and everything between them: exactly the lifts that were there."""

from __future__ import annotations

import dataclasses
from functools import cache

import numpy as np
import pytest
from helpers import HalfSines, vertical_recording

from forcekit.analysis.pipeline import analyze
from forcekit.analysis.segment import find_lifts, takeoff_threshold
from forcekit.mechanics.zero import ZeroReport, runs
from forcekit.model import Movement
from forcekit.results import Analysis
from forcekit.simulate.faults import clean_plan, random_plan
from forcekit.simulate.motion import Motion
from forcekit.simulate.plan import LiftPlan
from forcekit.simulate.sensors import PlateSensor, record_plate
from forcekit.simulate.session import Step, random_script, simulate_session

LIFTER = LiftPlan(bar_mass_kg=70.0)


def steps_with(*middle: Step) -> list[Step]:
    """A whole visit to the plate with these steps under the bar."""
    before = [Step(name="empty"), Step(name="step on"), Step(name="unrack"), Step(name="walk out")]
    after = [Step(name="walk in"), Step(name="rerack"), Step(name="step off"), Step(name="empty")]
    return [*before, *middle, *after]


def session(script: list[Step], lifter: LiftPlan, seed: int, rate_hz: float = 500.0) -> tuple[Motion, Analysis]:
    """A session and what is found in it."""
    motion = simulate_session(script, lifter, seed, rate_hz=1000.0)
    return motion, analyze(record_plate(motion, PlateSensor(rate_hz=rate_hz), seed))


def check_lifts(motion: Motion, found: Analysis) -> None:
    """The found lifts are the true ones, one for one by their lowest points."""
    true = [t.measures["lowest_at"] for t in motion.truths]
    # The lowest point of a long flat turnaround is the loosest: within 50 ms; lifts are seconds apart.
    assert [lift.instants.lowest_s for lift in found.lifts] == pytest.approx(true, abs=0.05), found.passed_over


@pytest.mark.parametrize("seed", range(8))
def test_a_random_session_has_exactly_its_lifts(seed: int) -> None:
    """Walk-outs, fidgets, false starts, faults, landings off the plate: every lift is found and nothing else is."""
    rng = np.random.default_rng([seed, 5])
    lifter = random_plan(rng)
    check_lifts(*session(random_script(rng, lifter, 4), lifter, seed))


@pytest.mark.parametrize("rate_hz", [80.0, 2000.0])
def test_a_session_has_its_lifts_at_the_ends_of_the_rates(rate_hz: float) -> None:
    """80 and 2000 Hz find the same lifts."""
    rng = np.random.default_rng([17, 5])
    lifter = random_plan(rng)
    check_lifts(*session(random_script(rng, lifter, 3), lifter, 17, rate_hz))


@cache
def aborted(n: int, seed: int) -> tuple[Motion, Analysis]:
    """A session with n aborted dips, each out of two seconds of standing, and one lift after them."""
    dips = [step for _ in range(n) for step in (Step(name="stand", seconds=2.0), Step(name="aborted dip"))]
    return session(steps_with(*dips, Step(name="stand"), Step(name="lift", plan=LIFTER)), LIFTER, seed)


def fast_dips(motion: Motion, speed_mps: float) -> list[float]:
    """Times before the lift's onset at which lifter and bar sink faster than this, one each dip."""
    held = motion.bar_mass_kg * motion.carried
    body = motion.plan.body_mass_kg
    speed = (body * motion.body_velocity_mps[:, 2] + held * motion.bar_velocity_mps[:, 2]) / (body + held)
    before = motion.t_s < motion.truths[0].measures["onset_at"]
    return [float(motion.t_s[a]) for a, _ in runs((speed < -speed_mps) & before)]


@pytest.mark.parametrize("seed", range(5))
def test_aborted_dips_are_named_and_not_counted(seed: int) -> None:
    """Dips thought better of: one lift, and those that reach the speed of a dip (0.25 m/s) are passed over by name."""
    motion, found = aborted(3, seed)
    check_lifts(motion, found)
    onset = motion.truths[0].measures["onset_at"]
    named = [p.at_s for p in found.passed_over if p.at_s < onset and "without a drive" in p.why]
    # A speed integrated from a weighing is known to about 0.01 m/s; dips that near the limit may go either way.
    surely, perhaps = fast_dips(motion, 0.26), fast_dips(motion, 0.24)
    assert len(perhaps) > 0
    assert all(min(abs(t - n) for n in named) < 0.3 for t in surely), (surely, found.passed_over)
    assert all(min(abs(t - n) for t in perhaps) < 0.3 for n in named), (perhaps, named)


MOVEMENTS: tuple[Movement, ...] = ("jerk", "push press", "push jerk", "jump dip", "dip only")


@pytest.mark.parametrize("movement", MOVEMENTS)
@pytest.mark.parametrize("seed", range(3))
def test_every_movement_is_one_lift(movement: Movement, seed: int) -> None:
    """Each movement is found once; take-off is seen exactly where the feet leave."""
    rng = np.random.default_rng([seed, 6])
    plan = random_plan(rng, movement=movement)
    motion, found = session(steps_with(Step(name="lift", plan=plan)), plan, seed)
    check_lifts(motion, found)
    assert (found[0].instants.takeoff_s is not None) == plan.feet_leave


@pytest.mark.parametrize("name", ["regrip", "shrug", "chat", "stand"])
def test_what_is_no_lift_is_none(name: str) -> None:
    """Re-gripping, shrugging, chatting and standing under the bar make no lift."""
    step = Step(name=name, seconds=4.0)  # type: ignore[arg-type]
    _, found = session(steps_with(step, step), LIFTER, 2)
    assert len(found) == 0
    assert found.reason


@pytest.mark.parametrize("landing", [1.0, 0.5, 0.0])
def test_where_the_feet_land_does_not_matter(landing: float) -> None:
    """A split that lands on the plate, half on it, or off it is one lift."""
    plan = dataclasses.replace(LIFTER, landing=landing)
    after = [Step(name="come back")] if landing == 0.0 else []
    check_lifts(*session(steps_with(Step(name="lift", plan=plan), *after), plan, 4))


def test_two_lifts_with_a_second_between_them_are_two() -> None:
    """Two dips and drives one after the other, each from its own second of standing, are not fused."""
    plan = clean_plan(bar_mass_kg=70.0, movement="push press", stance_s=1.5)
    steps = steps_with(*(Step(name="lift", plan=plan) for _ in range(3)))
    check_lifts(*session(steps, plan, 6))


def test_two_dips_without_standing_between_them_are_not_two_lifts() -> None:
    """A second dip and drive 0.1 s after the first has no stance of its own: one lift, not two, and no crash."""
    dip = HalfSines()
    one = dip.recording(500.0, noise_n=1.0).plate
    assert one is not None
    force = one.raw["fz"]
    start, end = int(2.0 * 500), int(3.13 * 500)
    fused = np.concatenate((force[:end], force[start:]))
    found = analyze(vertical_recording(np.arange(fused.size) / 500.0, fused))
    assert len(found) == 1
    assert found[0].instants.lowest_s == pytest.approx(2.0 + dip.T1 + dip.turn, abs=0.01)


def test_a_lift_cut_off_in_its_dip_is_not_counted() -> None:
    """A recording that ends before the drive has no lift, and says why."""
    whole = HalfSines().recording(500.0, noise_n=1.0).plate
    assert whole is not None
    n = int(2.36 * 500)
    found = analyze(vertical_recording(whole.t_s[:n], whole.raw["fz"][:n]))
    assert len(found) == 0
    assert found.reason


def test_a_hop_out_of_a_walk_is_named() -> None:
    """Feet in the air without a stance before it are passed over by that name."""
    rate = 500.0
    t = np.arange(int(8 * rate)) / rate
    force = 800.0 + 250.0 * np.sin(2.0 * np.pi * 1.7 * t)
    force[(t > 4.0) & (t < 4.4)] = 0.0
    found = analyze(vertical_recording(t, force + np.random.default_rng(1).standard_normal(t.size)))
    assert len(found) == 0
    assert [p.why for p in found.passed_over] == ["the feet left the plate without standing still before it"]


def test_threshold_of_take_off() -> None:
    """Five SD of the empty plate, at least 10 N; 20 N when it was never empty; the clipping limit of an exporter."""
    assert takeoff_threshold(ZeroReport(noise_n=5.8, offset_n=0.0), 7.0) == pytest.approx(29.0)
    assert takeoff_threshold(ZeroReport(noise_n=0.5, offset_n=0.0), 7.0) == 10.0
    assert takeoff_threshold(ZeroReport(), 0.5) == 20.0
    assert takeoff_threshold(ZeroReport(clipped_n=30.2, offset_n=0.0, noise_n=0.0), 7.0) == pytest.approx(30.2)


def test_an_empty_force_has_no_lift() -> None:
    """Nothing on the plate: no candidate, nothing passed over, no stretch."""
    force = np.random.default_rng(1).standard_normal(3000)
    assert find_lifts(force, 500.0, 1.0, 10.0, 9.81) == ([], [], [])
