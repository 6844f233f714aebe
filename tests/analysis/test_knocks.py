"""Knocks on the empty plate as marks: from the recording of a session to the clock of its bar."""

from __future__ import annotations

import dataclasses
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from forcekit.acquire.source import read
from forcekit.analysis.pipeline import analyze
from forcekit.model import Recording, Stream
from forcekit.results import Lift, QualityCheck
from forcekit.simulate.bar_sensor import SimulatedBarSensor, record_bar
from forcekit.simulate.faults import random_plan
from forcekit.simulate.knocks import knock_plate
from forcekit.simulate.motion import Motion
from forcekit.simulate.sensors import PlateSensor, record_plate
from forcekit.simulate.session import Step, StepName, simulate_session
from forcekit.simulate.write import CsvDialect, write_card, write_device, write_stream

SENSOR = SimulatedBarSensor(
    offset_m=(0.0, 0.2, 0.0),
    accel_bias_mps2=(0.04, -0.03, 0.05),
    gyro_bias_radps=(0.005, -0.006, 0.004),
    accel_noise=1.5e-3,
    gyro_noise=1.75e-4,
    clock_offset_s=13.21,
    clock_drift_ppm=60.0,
)
KNOCKS = (2.0, 2.7, 4.1)
AFTER = (0.4, 1.3, 1.9)
"""After the lifter has stepped off, seconds before the end."""


@cache
def session(pattern: str | None, seed: int, empty_s: float = 8.0) -> Motion:
    """The plate empty for a while, then one lift with everything that surrounds it."""
    plan = random_plan(np.random.default_rng([seed, 5]), pattern, movement="jerk")
    before: tuple[StepName, ...] = ("step on", "unrack", "walk out")
    after: tuple[StepName, ...] = ("walk in", "rerack", "step off", "empty")
    steps = [Step(name="empty", seconds=empty_s), *(Step(name=n) for n in before), Step(name="lift", plan=plan)]
    return simulate_session([*steps, *(Step(name=n) for n in after)], plan, seed)


def recorded(motion: Motion, seed: int) -> Recording:
    """Plate and bar, each on its own clock."""
    plate = record_plate(motion, PlateSensor(rate_hz=1000.0, noise_n=1.0), seed)
    sensor = dataclasses.replace(SENSOR, gravity_mps2=motion.gravity_mps2)
    return dataclasses.replace(plate, bar=record_bar(motion, sensor, seed))


def clock_check(lift: Lift) -> QualityCheck:
    """What is told of the two clocks."""
    (check,) = (q for q in lift.quality if q.name == "plate and bar on one clock")
    return check


@pytest.mark.parametrize("seed", [0, 1])
def test_knocks_align_what_the_movement_cannot(seed: int) -> None:
    """A bar that floats moves otherwise than the body: without knocks no clock is found, with three one is.

    The lead is then within its interval of what is true; it hangs on the clock alone.
    """
    motion = session("bar_floats", seed)
    (without,) = analyze(recorded(motion, seed)).lifts
    assert clock_check(without).verdict == "bad"
    (lift,) = analyze(recorded(knock_plate(motion, KNOCKS), seed)).lifts
    assert clock_check(lift).verdict == "good"
    assert "3 knocks" in clock_check(lift).sentence
    lead = lift["bar_lead"]
    assert lead.low is not None
    assert lead.high is not None
    assert lead.low <= motion.truths[0].measures["bar_lead"] <= lead.high


@pytest.mark.parametrize(
    ("knocks", "told"),
    [
        ((2.0, 2.7), "knocks on the empty plate do not help either: 2 found, 3 needed)."),
        ((2.0, 3.0, 4.0), "on the bar fit in several ways; tap with unequal pauses)."),
    ],
)
def test_knocks_that_cannot_be_used_are_told(knocks: tuple[float, ...], told: str) -> None:
    """Where the movement tells nothing, the same note says why the knocks do not either; without knocks, nothing."""
    motion = session("bar_floats", 1)
    recording = recorded(knock_plate(motion, knocks), 1)
    if len(knocks) == 3:  # the first was not felt on the bar
        recording = dataclasses.replace(recording, bar=without(recording.bar, SENSOR.clock_offset_s + 2.5))
    (lift,) = analyze(recording).lifts
    assert clock_check(lift).verdict == "bad"
    assert "either: " in clock_check(lift).sentence
    assert clock_check(lift).sentence.endswith(told)
    (none,) = analyze(recorded(motion, 1)).lifts
    assert "knocks" not in clock_check(none).sentence


def without(bar: Stream | None, until_s: float) -> Stream:
    """The bar's recording begun later."""
    assert bar is not None
    kept = bar.t_s >= until_s
    return dataclasses.replace(bar, t_s=bar.t_s[kept], raw={n: v[kept] for n, v in bar.raw.items()})


def test_knocks_are_taken_where_they_are_surer() -> None:
    """Knocks before and after the lift are surer than a movement that a bending bar may have misled.

    Those before it alone are not: two crystals may drift apart by more than a millisecond in 30 s.
    """
    motion = session(None, 1, 20.0)
    (late,) = analyze(recorded(knock_plate(motion, KNOCKS), 1)).lifts
    assert "movement" in clock_check(late).sentence
    after = [float(motion.t_s[-1]) - t for t in AFTER]
    (lift,) = analyze(recorded(knock_plate(motion, [*KNOCKS, *after]), 1)).lifts
    assert "6 knocks" in clock_check(lift).sentence
    lead, true = lift["bar_lead"], motion.truths[0].measures["bar_lead"]
    assert lead.value == pytest.approx(true, abs=0.001)


def test_steps_and_catches_are_no_knocks() -> None:
    """In a session without knocks nothing but the movement aligns."""
    (lift,) = analyze(recorded(session(None, 1), 1)).lifts
    assert clock_check(lift).verdict == "good"
    assert "movement" in clock_check(lift).sentence


def test_knocks_leave_the_plates_numbers_alone() -> None:
    """A plate that was knocked while empty has the same zero and measures the same depth, within 0.1 mm."""
    depths = [
        analyze(dataclasses.replace(recorded(m, 1), bar=None)).lifts[0]["dip_depth"].value
        for m in (session(None, 1), knock_plate(session(None, 1), KNOCKS))
    ]
    assert depths[0] is not None
    assert depths[1] == pytest.approx(depths[0], abs=1e-4)


def test_knocks_in_two_exported_files(tmp_path: Path) -> None:
    """The same from two CSVs as exporters write them."""
    recording = recorded(knock_plate(session("bar_floats", 1), KNOCKS), 1)
    assert recording.plate is not None
    assert recording.bar is not None
    write_device(write_stream(recording.plate, tmp_path / "plate.csv", CsvDialect()), tmp_path / "plate.toml")
    write_device(write_stream(recording.bar, tmp_path / "bar.csv", CsvDialect(time_decimals=6)), tmp_path / "bar.toml")
    write_card(recording.card, tmp_path / "card.toml")
    got = read(
        tmp_path / "plate.csv",
        device=tmp_path / "plate.toml",
        bar=tmp_path / "bar.csv",
        bar_device=tmp_path / "bar.toml",
        card=tmp_path / "card.toml",
    )
    (lift,) = analyze(got).lifts
    assert "3 knocks" in clock_check(lift).sentence
    assert lift["bar_lead"].ok
