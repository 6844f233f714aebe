"""A bar sensor that was on late or off early: the lifts it recorded are measured with it, the others without."""

from __future__ import annotations

import dataclasses
from functools import cache

import numpy as np
import pytest

from forcekit.analysis.pipeline import analyze
from forcekit.model import Recording, Stream
from forcekit.results import Lift
from forcekit.simulate.bar_sensor import SimulatedBarSensor, record_bar
from forcekit.simulate.faults import random_plan
from forcekit.simulate.motion import Motion
from forcekit.simulate.reps import next_rep
from forcekit.simulate.sensors import PlateSensor, record_plate
from forcekit.simulate.session import Step, StepName, simulate_session

OFFSET_S = 13.21


@cache
def a_set() -> tuple[Motion, Recording]:
    """Four jerks of one lifter, shorter together than what is one window, with plate and bar on clocks of their own."""
    rng = np.random.default_rng([2, 5])
    plan = random_plan(rng, movement="jerk")
    before: tuple[StepName, ...] = ("empty", "step on", "unrack", "walk out")
    steps = [Step(name=n) for n in before]
    for _ in range(4):
        lift = Step(name="lift", plan=next_rep(rng, plan))
        steps += [lift, Step(name="stand", seconds=float(rng.uniform(0.5, 2.0)))]
    motion = simulate_session(steps, plan, 2)
    plate = record_plate(motion, PlateSensor(rate_hz=500.0, noise_n=1.0), 2)
    sensor = SimulatedBarSensor(
        offset_m=(0.0, 0.2, 0.0), accel_noise=1.5e-3, gyro_noise=1.75e-4, clock_offset_s=OFFSET_S, clock_drift_ppm=60.0,
        gravity_mps2=motion.gravity_mps2,
    )  # fmt: skip
    return motion, dataclasses.replace(plate, bar=record_bar(motion, sensor, 2))


def analysed(first_s: float, last_s: float) -> tuple[Lift, ...]:
    """The lifts, with the bar recording between two times on the plate's clock."""
    recording = a_set()[1]
    bar = recording.bar
    assert isinstance(bar, Stream)
    kept = (bar.t_s >= OFFSET_S + first_s) & (bar.t_s <= OFFSET_S + last_s)
    bar = dataclasses.replace(bar, t_s=bar.t_s[kept], raw={n: v[kept] for n, v in bar.raw.items()})
    return analyze(dataclasses.replace(recording, bar=bar)).lifts


@pytest.mark.parametrize("lost", ["late", "early", "begins in a lift"])
def test_lifts_the_bar_recorded_are_measured_with_it(lost: str) -> None:
    """Two of four lifts: their depth is as true as ever; of the others it is said that the bar was not recording."""
    motion = a_set()[0]
    onset = [mark.onset_s for mark in motion.marks]
    first, last, seen = {
        "late": (onset[2] - 3.0, np.inf, (2, 3)),
        "early": (-np.inf, onset[1] + 6.0, (0, 1)),
        "begins in a lift": (onset[1] + 1.0, np.inf, (2, 3)),
    }[lost]
    lifts = analysed(first, last)
    assert len(lifts) == 4
    for i, (lift, truth) in enumerate(zip(lifts, motion.truths, strict=True)):
        depth = lift["bar_dip_depth"]
        if i in seen:
            assert depth.low is not None
            assert depth.high is not None
            assert depth.low <= truth.measures["bar_dip_depth"] <= depth.high
            assert any("the 2 lifts of 4 that the bar recorded" in q.sentence for q in lift.quality)
        else:
            (why,) = (q.sentence for q in lift.quality if q.name == "bar sensor readings")
            assert "not recording during this lift" in why or "begins after the dip" in why
            assert why.rstrip(".")[1:] in str(depth.withheld)
            assert lift["dip_depth"].value is not None


def test_one_lift_of_four_is_refused_with_both_reasons() -> None:
    """Which of the plate's lifts it is cannot be told; the plate's own numbers stay."""
    onset = [mark.onset_s for mark in a_set()[0].marks]
    for lift in analysed(onset[1] - 2.5, onset[1] + 5.0):
        told = str(lift["bar_dip_depth"].withheld)
        assert "different lifts, or the bar recorded a single one" in told
        assert "let both record at least 2 lifts" in told
        assert lift["dip_depth"].value is not None
