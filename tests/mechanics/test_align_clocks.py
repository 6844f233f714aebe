"""Plate and bar on one clock: the offset and drift that were put in come back, and what is ambiguous is refused."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from bar_worlds import in_si
from hypothesis import given
from hypothesis import strategies as st

from forcekit.errors import CannotMeasure, Reason
from forcekit.mechanics.align import Alignment, align_by_motion, vertical_part
from forcekit.mechanics.align_marks import align_by_marks, find_marks
from forcekit.mechanics.clock_map import ClockMap, fit_clock, shared_clock
from forcekit.model import FloatArray
from forcekit.simulate.bar_sensor import SimulatedBarSensor, record_bar
from forcekit.simulate.faults import random_plan
from forcekit.simulate.lifter import simulate_lift
from forcekit.simulate.motion import Motion

PLATE_HZ = 1000.0
LIMIT_S = {200.0: 0.002, 1000.0: 0.001}


@cache
def jerk(seed: int) -> Motion:
    """A simulated jerk."""
    return simulate_lift(random_plan(np.random.default_rng([seed, 11]), movement="jerk"), seed, rate_hz=2000.0)


def plate_curve(motion: Motion, seed: int) -> FloatArray:
    """System acceleration as a noisy plate at 1 kHz gives it, g (F/W - 1)."""
    t = np.arange(0.0, motion.duration_s, 1.0 / PLATE_HZ)
    force = np.interp(t, motion.t_s, motion.force_up_n) + np.random.default_rng(seed).normal(0.0, 3.0, t.size)
    weight = motion.gravity_mps2 * (motion.plan.body_mass_kg + motion.plan.bar_mass_kg)
    return np.asarray(motion.gravity_mps2 * (force / weight - 1.0))


def bar_curve(motion: Motion, seed: int, sensor: SimulatedBarSensor) -> tuple[FloatArray, float]:
    """Vertical part of what the bar's sensor sends, and its first stamp."""
    stream = record_bar(motion, sensor, seed)
    return vertical_part(in_si(stream)[0], motion.gravity_mps2), float(stream.t_s[0])


def window(motion: Motion) -> tuple[float, float]:
    """Stance, dip and braking."""
    mark = motion.marks[0]
    return (max(0.1, mark.onset_s - 1.0), mark.lowest_s)


def noisy(rate_hz: float, seed: int, **changes: float) -> SimulatedBarSensor:
    """A sensor with bias and noise."""
    bias = np.random.default_rng([seed, 3]).normal(0.0, 0.049, 3)
    return SimulatedBarSensor(
        rate_hz=rate_hz, offset_m=(0.0, 0.3, 0.0), accel_bias_mps2=tuple(bias.tolist()), accel_noise=1.5e-3, **changes
    )


@pytest.mark.parametrize("rate_hz", [200.0, 1000.0])
@pytest.mark.parametrize("seed", range(6))
def test_offset_of_a_lift_comes_back(rate_hz: float, seed: int) -> None:
    """Unknown offsets of up to 40 s are found within 1 ms at 1 kHz and 2 ms at 200 Hz."""
    motion = jerk(seed)
    offset = float(np.random.default_rng([seed, 4]).uniform(-40.0, 40.0))
    bar, start = bar_curve(motion, seed, noisy(rate_hz, seed, clock_offset_s=offset))
    got = align_by_motion(
        plate_curve(motion, seed), PLATE_HZ, bar, rate_hz, windows_s=(window(motion),), bar_start_s=start
    )
    assert abs(got.clock.offset_s - offset) < LIMIT_S[rate_hz]
    assert abs(got.clock.offset_s - offset) < 4.0 * got.clock.offset_u_s
    assert got.clock.confidence > 0.99


def session(n: int, gap_s: float) -> tuple[FloatArray, FloatArray, FloatArray, tuple[tuple[float, float], ...]]:
    """Several lifts with pauses: fine times, system and bar acceleration, and the windows."""
    plate, bar, windows, t0 = [], [], [], 0.0
    for seed in range(n):
        m = jerk(seed)
        weight = m.gravity_mps2 * (m.plan.body_mass_kg + m.plan.bar_mass_kg)
        pause = np.zeros(round(gap_s * 2000.0 * (1.0 + 0.13 * seed)))
        plate += [m.gravity_mps2 * (m.force_up_n / weight - 1.0), pause]
        bar += [m.bar_acceleration_mps2[:, 2], pause]
        a, b = window(m)
        windows.append((t0 + a, t0 + b))
        t0 += (m.t_s.size + pause.size) / 2000.0
    x = np.concatenate(plate)
    return np.arange(x.size) / 2000.0, x, np.concatenate(bar), tuple(windows)


def test_several_lifts_tell_the_drift() -> None:
    """Three lifts over five minutes with 80 ppm of drift: offset and drift come back within their uncertainty."""
    t, plate, bar, windows = session(3, 120.0)
    rng = np.random.default_rng(2)
    pace, offset = 1.0 + 8e-5, -7.35
    own = np.arange(0.0, t[-1] * pace, 1.0 / 200.0)
    sampled = np.interp(own / pace, t, bar) + rng.normal(0.0, 0.03, own.size)
    coarse = np.interp(np.arange(0.0, t[-1], 1e-3), t, plate) + rng.normal(0.0, 0.03, int(np.ceil(t[-1] / 1e-3)))
    got = align_by_motion(coarse, PLATE_HZ, sampled, 200.0, windows_s=windows, bar_start_s=offset).clock
    assert abs(got.drift - 8e-5) < 3.0 * got.drift_u
    assert got.drift_u < 1e-5
    for at in (windows[0][0], windows[-1][1]):
        true = offset + at * pace
        assert abs(float(got.to_bar(np.array([at]))[0]) - true) < 0.002


@pytest.mark.parametrize("lost", ["first", "last"])
def test_lifts_that_the_bar_did_not_record_have_no_say(lost: str) -> None:
    """A bar switched on after the first of six lifts, or off before the last, is aligned by the other five.

    Where the recording is cut, a constant stood in for the lift, whose misfit is 0/0.
    """
    t, plate, bar, windows = session(6, 4.0)
    edge = windows[1][0] - 2.0 if lost == "first" else windows[4][1] + 2.0
    first, last = (round(edge * 200.0), None) if lost == "first" else (0, round(edge * 200.0))
    own, start = bar[::10][first:last], first / 200.0 if lost == "first" else 0.0
    noisy_own = own + np.random.default_rng(5).normal(0.0, 0.02, own.size)
    got = align_by_motion(plate[::2], 1000.0, noisy_own, 200.0, windows_s=windows, bar_start_s=start)
    assert got.offsets_s.size == 5
    assert "movement of the 5 lifts of 6 that the bar recorded" in got.clock.how
    middle = 0.5 * (windows[2][0] + windows[2][1])
    assert abs(float(got.clock.to_bar(np.array([middle]))[0]) - middle) < 0.002
    assert t[-1] > edge


def part_of_a_set(bar: FloatArray, windows: tuple[tuple[float, float], ...], k: int) -> tuple[FloatArray, float]:
    """Bar's samples at 200 Hz from shortly before the last k lifts on, with their first stamp."""
    first = round((windows[-k][0] - 1.0) * 200.0)
    own = bar[::10][first:]
    return own + np.random.default_rng(k).normal(0.0, 0.02, own.size), first / 200.0


def test_a_bar_that_recorded_two_of_six_lifts_is_aligned() -> None:
    """The time between two lifts tells where they belong, though most of the plate's are missing; one tells nothing."""
    _, plate, bar, windows = session(6, 4.0)
    own, start = part_of_a_set(bar, windows, 2)
    got = align_by_motion(plate[::2], 1000.0, own, 200.0, windows_s=windows, bar_start_s=start)
    assert got.offsets_s.size == 2
    assert abs(float(got.clock.to_bar(np.array([windows[-1][1]]))[0]) - windows[-1][1]) < 0.002
    own, start = part_of_a_set(bar, windows, 1)
    with pytest.raises(CannotMeasure, match="recorded a single one, which looks like any other"):
        align_by_motion(plate[::2], 1000.0, own, 200.0, windows_s=windows, bar_start_s=start)


def test_two_lifts_with_another_pause_are_not_two_of_the_plates() -> None:
    """Six lifts on the plate, the last two on the bar with 30 ms more between them: both fit, the time does not."""
    _, plate, bar, windows = session(6, 4.0)
    middle = round((windows[-1][0] - 0.5) * 2000.0)
    longer = np.concatenate([bar[:middle], np.zeros(60), bar[middle:]])
    own, start = part_of_a_set(longer, windows, 2)
    with pytest.raises(CannotMeasure, match="by the time between them"):
        align_by_motion(plate[::2], 1000.0, own, 200.0, windows_s=windows, bar_start_s=start)


def test_a_lift_just_outside_the_recording_at_every_offset_is_no_error() -> None:
    """Two lifts half an hour apart, the bar off before the second: one is not enough, at whatever sample it ends."""
    t = np.arange(0.0, 2000.0, 0.01)
    curve = sum(
        5.0 * np.exp(-(((t - at - 0.3) / 0.1) ** 2)) - 3.0 * np.exp(-(((t - at) / 0.1) ** 2)) for at in (20.0, 1990.0)
    )
    windows = ((19.0, 20.5), (1989.0, 1990.5))
    for n in range(198_935, 198_960):
        with pytest.raises(CannotMeasure, match="no two of the plate's 2 lifts"):
            align_by_motion(curve, 100.0, curve[:n], 100.0, windows_s=windows, largest_offset_s=1.0)


def test_one_of_two_similar_lifts_is_ambiguous() -> None:
    """A window of one lift fits a second, equal lift of the bar's recording as well: refused, with both offsets."""
    t, plate, bar, windows = session(1, 4.0)
    twice = np.concatenate([bar, bar])
    with pytest.raises(CannotMeasure, match="and at") as refused:
        align_by_motion(plate[::2], 1000.0, twice[::10], 200.0, windows_s=windows)
    assert refused.value.reason is Reason.NOT_ALIGNED
    assert t.size == bar.size
    near = align_by_motion(plate[::2], 1000.0, twice[::10], 200.0, windows_s=windows, largest_offset_s=2.0)
    assert near.clock.offset_s == pytest.approx(0.0, abs=0.002)


def test_another_lift_is_refused() -> None:
    """Standing still, or a periodic bounce, does not pass for the dip of the plate."""
    motion = jerk(0)
    plate = plate_curve(motion, 0)
    t = np.arange(0.0, 20.0, 0.005)
    for wrong in (np.random.default_rng(1).normal(0.0, 0.1, t.size), 4.0 * np.sin(2.0 * np.pi * 1.3 * t)):
        with pytest.raises(CannotMeasure) as refused:
            align_by_motion(plate, PLATE_HZ, wrong, 200.0, windows_s=(window(motion),))
        assert refused.value.reason is Reason.NOT_ALIGNED


def test_recordings_that_cannot_overlap_are_refused() -> None:
    """An offset limit that leaves nothing to compare is said to be the reason."""
    motion = jerk(0)
    bar, _ = bar_curve(motion, 0, noisy(200.0, 0))
    with pytest.raises(CannotMeasure, match="do not overlap"):
        align_by_motion(
            plate_curve(motion, 0), PLATE_HZ, bar, 200.0, windows_s=(window(motion),), bar_start_s=3600.0,
            largest_offset_s=30.0,
        )  # fmt: skip


def knocks(times: tuple[float, ...], rate_hz: float, ring_hz: float, seed: int, *, size: float = 30.0) -> FloatArray:
    """Ringing knocks on slow movement and noise."""
    t = np.arange(0.0, 12.0, 1.0 / rate_hz)
    out = np.sin(2.0 * np.pi * 0.4 * t) + np.random.default_rng(seed).normal(0.0, 0.05, t.size)
    for at in times:
        since = t - at
        ring = size * np.exp(-since / 0.02) * np.cos(2.0 * np.pi * ring_hz * since)
        out += np.where(since >= 0.0, ring, 0.0)
    return np.asarray(out)


def test_knocks_are_found_and_align_the_clocks() -> None:
    """Three taps with unequal pauses, felt with different ringing at different rates: the offset within 2 ms."""
    times = (2.0, 2.7, 4.1)
    plate = find_marks(knocks(times, 1000.0, 60.0, 1), 1000.0)
    bar = find_marks(knocks(times, 500.0, 90.0, 2, size=80.0), 500.0, start_s=33.25)
    np.testing.assert_allclose(plate, times, atol=0.002)
    got = align_by_marks(plate, bar, step_s=0.002)
    assert abs(got.offset_s - 33.25) < 0.002
    assert got.confidence >= 0.99


def test_regular_taps_are_ambiguous() -> None:
    """Taps once a second, of which each device missed a different one, fit in two ways."""
    plate, bar = np.array([1.0, 2.0, 3.0]), np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    with pytest.raises(CannotMeasure, match="unequal pauses"):
        align_by_marks(plate, bar, step_s=0.005)


def test_no_knock_is_said_so() -> None:
    """Silence on one side is named."""
    with pytest.raises(CannotMeasure, match="the bar felt no knock"):
        align_by_marks(np.array([1.0]), np.zeros(0), step_s=0.005)
    assert find_marks(np.random.default_rng(1).normal(0.0, 1.0, 4000), 1000.0).size == 0


def test_marks_minutes_apart_tell_the_drift() -> None:
    """Marks at the start and the end of ten minutes give a drift of 60 ppm to a few ppm."""
    plate = np.array([10.0, 11.3, 12.1, 600.0, 601.7])
    bar = 5.0 + plate * (1.0 + 6e-5)
    got = align_by_marks(plate, bar, step_s=0.001)
    assert abs(got.drift - 6e-5) < 3.0 * got.drift_u
    assert got.drift_u < 3e-6


@given(offset=st.floats(-50.0, 50.0), drift=st.floats(-1e-4, 1e-4), ref=st.floats(0.0, 600.0), t=st.floats(0.0, 3600.0))
def test_to_bar_and_back_is_the_same_time(offset: float, drift: float, ref: float, t: float) -> None:
    """The two directions of the map are inverse to each other."""
    clock = ClockMap(offset, drift, ref, 0.001, 1e-5, 1.0, "stamps", "made up")
    assert float(clock.to_plate(clock.to_bar(np.array([t])))[0]) == pytest.approx(t, abs=1e-9)


def test_one_mark_leaves_the_drift_at_its_prior() -> None:
    """With one mark the drift is unknown: zero with its prior, and the map grows uncertain away from the mark."""
    clock = fit_clock(
        np.array([10.0]), np.array([3.0]), np.array([1e-3]), common_u_s=0.0, confidence=1.0, by="knocks", how="one"
    )
    assert (clock.offset_s, clock.drift, clock.drift_u) == (3.0, 0.0, 5e-5)
    assert clock.u_at(10.0) == pytest.approx(1e-3)
    assert clock.u_at(110.0) == pytest.approx(np.hypot(1e-3, 5e-3))


def test_marks_that_scatter_more_than_stated_widen_the_map() -> None:
    """Offsets that do not lie on a line within their uncertainty enlarge it (Birge ratio)."""
    t = np.array([0.0, 10.0, 20.0, 30.0])
    calm = fit_clock(t, np.zeros(4), np.full(4, 1e-3), common_u_s=0.0, confidence=1.0, by="knocks", how="")
    rough = fit_clock(
        t, np.array([5e-3, -5e-3, 5e-3, -5e-3]), np.full(4, 1e-3), common_u_s=0.0, confidence=1.0, by="knocks", how=""
    )
    assert rough.offset_u_s > 4.0 * calm.offset_u_s


def test_a_shared_clock_needs_no_search() -> None:
    """Sensors stamped by one host keep their stamps, with the stamp's uncertainty."""
    clock = shared_clock(u_s=0.002)
    np.testing.assert_array_equal(clock.to_bar(np.array([1.0, 2.0])), [1.0, 2.0])
    assert clock.u_at(100.0) == 0.002


def test_result_names_the_runner_up() -> None:
    """The alignment tells how good the next best offset was."""
    motion = jerk(1)
    bar, start = bar_curve(motion, 1, noisy(200.0, 1))
    got: Alignment = align_by_motion(
        plate_curve(motion, 1), PLATE_HZ, bar, 200.0, windows_s=(window(motion),), bar_start_s=start
    )
    assert got.rival < 0.9 * got.correlation
    assert "next best" in got.clock.how
