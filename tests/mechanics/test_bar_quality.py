"""Ten wrong things done to a bar's recording: each is named in one sentence; a right recording gives none."""

from __future__ import annotations

import numpy as np
import pytest
from bar_worlds import World, readings, span
from test_align_clocks import PLATE_HZ, bar_curve, jerk, noisy, plate_curve, window

from forcekit.errors import CannotMeasure
from forcekit.mechanics.align import align_by_motion
from forcekit.mechanics.bar import BarMotion, bar_motion
from forcekit.mechanics.bar_quality import bar_quality, readings_quality
from forcekit.mechanics.pair_fit import FIT_RATE_HZ, explained_by_bar, smoothed
from forcekit.mechanics.pair_quality import agreement_check, alignment_check, stamps_check
from forcekit.mechanics.pair_surroundings import Surroundings
from forcekit.mechanics.rack import agreement
from forcekit.mechanics.uncertain import exact
from forcekit.model import BoolArray, FloatArray
from forcekit.results import QualityCheck
from forcekit.simulate.bar_sensor import SimulatedBarSensor

G = 9.80665
RATE = 200.0
RIGHT = SimulatedBarSensor(rate_hz=RATE, accel_noise=1.5e-3, gyro_noise=1.75e-4, gyro_bias_radps=(0.008, -0.008, 0.008))
WORLD = World()


def motion_of(accel: FloatArray, gyro: FloatArray | None) -> BarMotion:
    """Motion of the bar with the test's stance and rest."""
    return bar_motion(accel, gyro, RATE, stance=span(RATE, 0.5, 1.95), rests=(span(RATE, 5.05, 6.4),), shaft_axis="y")


def check(
    accel: FloatArray,
    gyro: FloatArray | None,
    *,
    with_motion: bool = False,
    missing: BoolArray | None = None,
    up_axis: str | None = "z",
    rate_hz: float = RATE,
) -> dict[str, QualityCheck]:
    """All checks by name."""
    motion = motion_of(accel, gyro) if with_motion else None
    found = bar_quality(accel, gyro, rate_hz, gravity_mps2=G, missing=missing, up_axis=up_axis, motion=motion)
    return {c.name: c for c in found}


def two() -> tuple[FloatArray, FloatArray]:
    """A right recording."""
    accel, gyro, _ = readings(WORLD, RIGHT)
    assert gyro is not None
    return accel, gyro


def wrong(found: dict[str, QualityCheck]) -> list[QualityCheck]:
    """The checks that are not good."""
    return [c for c in found.values() if c.verdict != "good"]


def test_a_right_recording_has_nothing_wrong() -> None:
    """All checks of a good recording are good, also when the range is small but enough."""
    found = check(*two(), with_motion=True)
    assert wrong(found) == []
    assert len(found) == 8


@pytest.mark.parametrize(("factor", "text"), [(1.0 / G, "numbers are in g, not in m/s²"), (G, "in m/s², not in g")])
def test_wrong_unit_of_the_accelerometer(factor: float, text: str) -> None:
    """Numbers in g declared as m/s², and the other way round."""
    accel, gyro = two()
    (only,) = [c for c in wrong(check(accel * factor, gyro)) if "unit" in c.name]
    assert (only.name, only.verdict) == ("bar accelerometer unit", "bad")
    assert text in only.sentence
    assert "bar_dip_depth" in only.withholds


@pytest.mark.parametrize(
    ("factor", "text"),
    [(180.0 / np.pi, "in degrees per second where radians"), (np.pi / 180.0, "in radians per second")],
)
def test_wrong_unit_of_the_gyroscope(factor: float, text: str) -> None:
    """Degrees declared as radians and the other way round, seen from how gravity turned."""
    accel, gyro = two()
    (only,) = wrong(check(accel, gyro * factor))
    assert (only.name, only.verdict) == ("bar gyroscope unit", "bad")
    assert text in only.sentence


def test_degrees_are_seen_even_when_the_bar_comes_back() -> None:
    """When the bar ends in the attitude it began with, impossible rates betray degrees."""
    there_and_back = World(shaft=((-0.12, 2.1, 2.6), (0.12, 2.6, 3.1)))
    accel, gyro, _ = readings(there_and_back, RIGHT)
    assert gyro is not None
    (only,) = wrong(check(accel, gyro * 180.0 / np.pi))
    assert "in degrees per second" in only.sentence


@pytest.mark.parametrize(
    "change",
    [np.diag([0.0, 0.0, 0.0]), np.diag([-1.0, -1.0, -1.0]), np.eye(3)[[1, 0, 2]]],
    ids=["dead", "left-handed", "swapped"],
)
def test_a_gyroscope_that_turns_otherwise_than_gravity(change: FloatArray) -> None:
    """Dead, of the other hand, or its channels in another order: gravity turns and the gyroscope does not say so."""
    accel, gyro = two()
    (only,) = [c for c in wrong(check(accel, gyro @ change)) if "gyroscope" in c.name]
    assert only.verdict == "bad"
    assert "disagrees with how gravity turned" in only.sentence
    assert "bar_forward_in_drive" in only.withholds


def test_an_accelerometer_that_reads_nothing() -> None:
    """Zeros are named as a wrong unit or scale, and nothing is divided by them."""
    accel, gyro = two()
    with np.errstate(all="raise"):
        found = readings_quality(np.zeros_like(accel), gyro, RATE, gravity_mps2=G)
    assert "unit or scale is wrong" in found[0].sentence


def test_upside_down() -> None:
    """A sensor clamped on upside down is named; left and right, forward and back would be swapped."""
    sensor = SimulatedBarSensor(rate_hz=RATE, mount_rotvec_rad=(np.pi, 0.0, 0.0))
    accel, gyro, _ = readings(WORLD, sensor)
    (only,) = wrong(check(accel, gyro))
    assert "upside down" in only.sentence
    assert "bar_forward_in_dip" in only.withholds
    assert wrong(check(accel, gyro, up_axis=None)) == []


def test_clamped_on_its_side() -> None:
    """A quarter turn about the shaft is doubtful, not bad."""
    sensor = SimulatedBarSensor(rate_hz=RATE, mount_rotvec_rad=(0.0, np.pi / 2, 0.0))
    accel, gyro, _ = readings(WORLD, sensor)
    (only,) = wrong(check(accel, gyro))
    assert only.verdict == "doubtful"
    assert "90 degrees off" in only.sentence


def test_saturated() -> None:
    """A sensor whose range ends at 14 m/s² has flat tops in the drive."""
    sensor = SimulatedBarSensor(rate_hz=RATE, accel_range_mps2=14.0)
    accel, gyro, _ = readings(WORLD, sensor)
    (only,) = wrong(check(accel, gyro))
    assert only.name == "bar sensor range"
    assert "choose a larger range" in only.sentence


def test_gaps() -> None:
    """A hole of 30 ms is bad, a single lost sample doubtful."""
    accel, gyro = two()
    missing = np.zeros(accel.shape[0], dtype=bool)
    missing[500] = True
    assert [c.verdict for c in wrong(check(accel, gyro, missing=missing))] == ["doubtful"]
    missing[500:506] = True
    (only,) = wrong(check(accel, gyro, missing=missing))
    assert (only.name, only.verdict) == ("bar sensor gaps", "bad")
    assert "first at 2.50 s" in only.sentence
    assert "30 ms" in only.sentence


def test_turning_sleeve() -> None:
    """A sensor on the sleeve runs on after the lift."""
    spinning = World(shaft=((-0.5, 2.1, 2.6), (14.0, 2.6, 5.0)))
    accel, gyro, _ = readings(spinning, RIGHT)
    (only,) = wrong(check(accel, gyro, with_motion=True))
    assert (only.name, only.verdict) == ("bar sensor fixed to the shaft", "bad")
    assert "turning sleeve" in only.sentence


def test_twisting_on_the_shaft() -> None:
    """A sensor that jumps round by 45 degrees in the catch is loose."""
    loose = World(shaft=((-0.12, 2.1, 2.6), (0.8, 2.85, 2.93)))
    accel, gyro, _ = readings(loose, RIGHT)
    (only,) = wrong(check(accel, gyro, with_motion=True))
    assert "twisted on the shaft" in only.sentence
    assert only.withholds == ("shaft_rotation_dip", "shaft_rotation_drive")


def test_sliding_along_the_shaft() -> None:
    """A sensor that slides 8 cm along the shaft in the catch moves sideways faster than any loaded bar."""
    sliding = World(left=((0.08, 2.9, 3.1),))
    accel, gyro, _ = readings(sliding, RIGHT)
    (only,) = wrong(check(accel, gyro, with_motion=True))
    assert "slid along the shaft" in only.sentence


def test_the_rest_afterwards_is_counted_from_the_stance() -> None:
    """From 1.95 s, where the bar leaves its stance, to the rest that begins at 5.05 s it is 3.1 s."""
    said = check(*two(), with_motion=True)["bar at rest afterwards"]
    assert "came to rest again 3.1 s after it left its stance" in said.sentence


def test_no_rest_afterwards_is_doubtful() -> None:
    """A recording that ends in the catch is said to drift."""
    accel, gyro = two()
    n = span(RATE, 0.0, 3.0)[1]
    motion = bar_motion(accel[:n], gyro[:n], RATE, stance=span(RATE, 0.5, 1.95), shaft_axis="y")
    found = bar_quality(accel[:n], gyro[:n], RATE, gravity_mps2=G, motion=motion)
    assert [c.name for c in found if c.verdict != "good"] == ["bar at rest afterwards"]


def test_slow_sensor_and_missing_gyroscope() -> None:
    """50 Hz is too slow; without a gyroscope only the vertical is given."""
    accel, gyro = two()
    assert [c.name for c in wrong(check(accel[::4], gyro[::4], rate_hz=50.0))] == ["bar sensor rate"]
    (only,) = wrong(check(accel, None))
    assert only.verdict == "doubtful"
    assert "only its vertical motion" in only.sentence


def test_uncalibrated_scale() -> None:
    """A reading 5 % off gravity is doubtful, 15 % bad."""
    accel, gyro = two()
    assert [c.verdict for c in wrong(check(1.05 * accel, gyro))] == ["doubtful"]
    assert [c.verdict for c in wrong(check(1.15 * accel, gyro))] == ["bad"]


@pytest.mark.parametrize(
    ("bar_start", "verdict", "text"),
    [
        (1005.0, "good", "overlap"),
        (1000.0 + 3604.0, "doubtful", "1 h ahead of"),
        (1000.0 - 2 * 3600.0, "doubtful", "2 h behind"),
        (1000.0 + 700.0, "bad", "700 s after"),
    ],
)
def test_clock_off_by_an_hour(bar_start: float, verdict: str, text: str) -> None:
    """A whole hour is a time zone, other gaps mean different lifts."""
    found = stamps_check(1000.0, 1012.0, bar_start, bar_start + 12.0)
    assert found.verdict == verdict
    assert text in found.sentence


def pair(plate_seed: int, bar_seed: int) -> tuple[QualityCheck, QualityCheck | None]:
    """Align a plate's and a bar's file and compare what they tell."""
    plate_motion, bar_motion_ = jerk(plate_seed), jerk(bar_seed)
    bar, start = bar_curve(bar_motion_, bar_seed, noisy(RATE, bar_seed))
    plate = plate_curve(plate_motion, plate_seed)
    try:
        result = align_by_motion(plate, PLATE_HZ, bar, RATE, windows_s=(window(plate_motion),), bar_start_s=start)
    except CannotMeasure as reason:
        return alignment_check(reason), None
    mark = plate_motion.marks[0]
    t = np.arange(mark.onset_s - 1.0, mark.drive_end_s - 0.03, 0.005)
    system = np.interp(t, np.arange(plate.size) / PLATE_HZ, plate)
    other = np.interp(result.clock.to_bar(t), start + np.arange(bar.size) / RATE, bar)
    plan = plate_motion.plan
    plate_t, bar_t = np.arange(plate.size) / PLATE_HZ, start + np.arange(bar.size) / RATE
    grid = np.arange(mark.onset_s - 1.0, mark.lowest_s + 0.1, 1.0 / FIT_RATE_HZ)
    fit = explained_by_bar(
        np.interp(grid, plate_t, smoothed(plate, PLATE_HZ)),
        np.interp(result.clock.to_bar(grid), bar_t, smoothed(bar, RATE)),
        (round(0.8 * FIT_RATE_HZ), round((1.03 + mark.lowest_s - mark.onset_s) * FIT_RATE_HZ)),
        mass_kg=plan.system_mass_kg,
        load_kg=plan.bar_mass_kg,
    )
    depths = []
    for curve in (system, other):
        v = np.cumsum(curve - curve[:190].mean()) * 0.005
        depths.append(-float(np.min(np.cumsum(v) * 0.005)))
    alike = agreement(system, other, exact(depths[0]), exact(depths[1]), left_frac=fit.left_frac)
    return alignment_check(result.clock), agreement_check(alike)


@pytest.mark.parametrize("seed", range(4))
def test_the_right_pair_agrees(seed: int) -> None:
    """Plate and bar of one lift are on one clock and tell the same dip."""
    aligned, agrees = pair(seed, seed)
    assert aligned.verdict == "good"
    assert agrees is not None
    assert agrees.verdict == "good"


def test_another_lifts_file_is_seen() -> None:
    """Pairs of different lifters are refused or called different by the shape of the dip alone, 19 of 20 at least.

    Two lifts may be alike: a jerk fits another jerk's dip with a correlation of 0.9 to 0.99, so the alignment alone
    cannot tell; what the bar leaves unexplained can.
    """
    pairs = [pair(i, j) for i in range(5) for j in range(5) if i != j]
    seen = [a.verdict == "bad" or (b is not None and b.verdict != "good") for a, b in pairs]
    assert sum(seen) >= 19


@pytest.mark.parametrize(
    ("left", "around", "said"),
    [
        (0.05, Surroundings(0.9, 0.9, 0.0, 3.0), "3.5 % at most"),
        (0.01, Surroundings(0.3, 0.35, 0.02, 3.0), "around the dip does not"),
        (0.01, Surroundings(0.6, 0.85, 0.12, 3.0), "0.85 if moved by 120 ms"),
        (0.025, None, "more than usual"),
        (0.025, Surroundings(0.6, 0.62, 0.01, 3.0), "more than usual"),
        (0.025, Surroundings(0.9, 0.9, 0.01, 3.0), "tell the same dip"),
        (0.01, None, "tell the same dip"),
    ],
)
def test_equal_curves_of_different_lifts_are_named(left: float, around: Surroundings | None, said: str) -> None:
    """Where the curves agree, what stays unexplained or what surrounds the dip is doubted in a sentence."""
    x = 3.0 * np.sin(np.linspace(0.0, 9.0, 800))
    found = agreement_check(agreement(x, x, exact(0.15), exact(0.15), left_frac=left, around=around))
    assert said in found.sentence
    assert found.verdict == ("good" if "same dip" in said else "doubtful")
    assert found.verdict == "good" or "different lifts" in found.sentence
