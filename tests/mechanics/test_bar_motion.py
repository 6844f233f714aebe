"""Motion of the bar: exact without noise in every mounting, honest with it, refused where it must be."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from bar_worlds import World, from_stance, readings, span
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter1d
from scipy.spatial.transform import Rotation

from forcekit.constants import STANDARD_GRAVITY_MPS2
from forcekit.errors import CannotMeasure, InputError, Reason
from forcekit.mechanics.bar import BarMotion, BarSettings, bar_motion
from forcekit.mechanics.bar_axis import ShaftAxis, declared_axis, find_shaft_axis
from forcekit.mechanics.bar_quality import motion_quality
from forcekit.mechanics.bar_readout import bar_at, bar_peak_speed, bar_zero_speed, ellipse
from forcekit.mechanics.bar_stillness import bar_rests
from forcekit.mechanics.uncertain import Uncertain
from forcekit.model import FloatArray
from forcekit.simulate.bar_sensor import SimulatedBarSensor

TURNING = World(yaw=((0.05, 2.3, 2.9), (-0.03, 4.0, 4.8)), roll=((0.03, 2.2, 2.7), (-0.04, 2.7, 3.2)))
PLAIN = World()
STANCE_S = (0.5, 1.95)
REST_S = (5.05, 6.4)
TRAVEL_TOLERANCE_M = 1e-4
ROTATION_TOLERANCE_RAD = math.radians(0.01)


def solved(world: World, sensor: SimulatedBarSensor, **options: object) -> BarMotion:
    """Motion from the readings with stance and the rest afterwards given."""
    accel, gyro, _ = readings(world, sensor)
    rate = sensor.rate_hz
    given_options: dict[str, object] = {"shaft_axis": "y", "from_middle_m": sensor.offset_m[1]} | options
    return bar_motion(accel, gyro, rate, stance=span(rate, *STANCE_S), rests=(span(rate, *REST_S),), **given_options)  # type: ignore[arg-type]


def truth(world: World, motion: BarMotion) -> tuple[FloatArray, FloatArray]:
    """True travel from stance and shaft angle on the motion's times."""
    position = world.at(world.bar_position_m, motion.t_s)
    return from_stance(position, motion.t_s, STANCE_S), world.at(world.shaft_angle_rad, motion.t_s)[:, 0]


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 333.0, 1000.0, 2000.0])
def test_a_perfect_sensor_gives_the_path_and_the_rotation_back(rate_hz: float) -> None:
    """Travel within 0.1 mm and rotation within 0.01 degree at every rate, off the middle, while the bar turns."""
    motion = solved(TURNING, SimulatedBarSensor(rate_hz=rate_hz, offset_m=(0.0, 0.4, 0.0)))
    travel, angle = truth(TURNING, motion)
    np.testing.assert_allclose(motion.travel_m, travel, atol=TRAVEL_TOLERANCE_M)
    np.testing.assert_allclose(motion.shaft_angle_rad, angle, atol=ROTATION_TOLERANCE_RAD)
    velocity = TURNING.at(TURNING.bar_velocity_mps, motion.t_s)
    np.testing.assert_allclose(motion.velocity_mps, velocity, atol=1e-3)


@pytest.mark.parametrize("rate_hz", [200.0, 1000.0])
def test_noise_of_the_gyroscope_through_the_arm(rate_hz: float) -> None:
    """What a noisy gyroscope changes in the middle's vertical acceleration and velocity is as large as stated.

    The stretch holds some 200 independent values, so that their standard deviation is known to 5 %.
    """
    sensor = SimulatedBarSensor(rate_hz=rate_hz, offset_m=(0.0, 0.6, 0.0))
    quiet, noisy = solved(PLAIN, sensor), solved(PLAIN, dataclasses.replace(sensor, gyro_noise=1.75e-4))
    within = slice(*span(rate_hz, 0.5, 6.4))
    for name, stated in (("acceleration_mps2", noisy.arm_noise_mps2), ("velocity_mps", noisy.arm_noise_mps)):
        off = (getattr(noisy, name) - getattr(quiet, name))[within, 2]
        slow = gaussian_filter1d(off, 0.2 * rate_hz)  # what attitude and level have to do with it
        assert float(np.std(off - slow)) == pytest.approx(stated, rel=0.15)


@settings(max_examples=5)
@given(mount=st.tuples(*[st.floats(-3.0, 3.0)] * 3))
def test_any_mounting_will_do(mount: tuple[float, float, float]) -> None:
    """An oblique sensor whose shaft direction is known gives the same path and rotation."""
    sensor = SimulatedBarSensor(
        rate_hz=250.0, mount_rotvec_rad=mount, offset_m=(0.0, 0.3, 0.0), declare_shaft_axis=False
    )
    left = Rotation.from_rotvec(mount).inv().apply([0.0, 1.0, 0.0])
    motion = solved(TURNING, sensor, shaft_axis=ShaftAxis(left, 0.02, True, "measured with a square"))
    travel, angle = truth(TURNING, motion)
    np.testing.assert_allclose(motion.travel_m, travel, atol=TRAVEL_TOLERANCE_M)
    np.testing.assert_allclose(motion.shaft_angle_rad, angle, atol=ROTATION_TOLERANCE_RAD)


@pytest.mark.parametrize(
    ("mount", "axis"),
    [
        ((0.0, 0.0, math.pi / 2), "x"),
        ((math.pi / 2, 0.0, 0.0), "-z"),
        ((math.pi, 0.0, 0.0), "-y"),
        ((0.0, 1.0, 0.0), "y"),
    ],
)
def test_every_declared_axis(mount: tuple[float, float, float], axis: str) -> None:
    """Whichever sensor axis points left along the shaft, the path and the rotation are the same."""
    sensor = SimulatedBarSensor(rate_hz=500.0, mount_rotvec_rad=mount, offset_m=(0.0, -0.25, 0.0))
    motion = solved(TURNING, sensor, shaft_axis=axis)
    travel, angle = truth(TURNING, motion)
    np.testing.assert_allclose(motion.travel_m, travel, atol=TRAVEL_TOLERANCE_M)
    np.testing.assert_allclose(motion.shaft_angle_rad, angle, atol=ROTATION_TOLERANCE_RAD)


def test_a_lever_off_the_shaft_is_taken_out() -> None:
    """A sensor 3 cm in front of the shaft moves when the shaft rolls; the middle does not."""
    sensor = SimulatedBarSensor(rate_hz=1000.0, offset_m=(0.03, 0.4, 0.01))
    with_lever = solved(TURNING, sensor, lever_m=np.array([0.03, 0.4, 0.01]))
    without = solved(TURNING, sensor)
    travel, _ = truth(TURNING, with_lever)
    np.testing.assert_allclose(with_lever.travel_m, travel, atol=TRAVEL_TOLERANCE_M)
    # The shaft rolls by 0.38 rad in the drive: 3 cm of lever rise by about 3 cm · sin 0.38 = 11 mm.
    assert np.abs(without.travel_m - travel).max() > 0.008
    acceleration = TURNING.at(TURNING.bar_acceleration_mps2, with_lever.t_s)
    # The smoothing of 12 ms takes a little off the peaks of angular acceleration.
    np.testing.assert_allclose(with_lever.acceleration_mps2, acceleration, atol=0.15)


def test_constant_errors_of_the_sensor_do_not_reach_the_vertical() -> None:
    """Bias of accelerometer and gyroscope and a wrong scale, without noise: the depth is good to the scale error."""
    sensor = SimulatedBarSensor(
        rate_hz=500.0, accel_bias_mps2=(0.05, -0.05, 0.05), gyro_bias_radps=(0.009, -0.009, 0.009),
        accel_scale=(0.003, 0.003, 0.003),
    )  # fmt: skip
    motion = solved(PLAIN, sensor)
    travel, _ = truth(PLAIN, motion)
    low = int(np.argmin(travel[:, 2]))
    assert motion.travel_m[low, 2] == pytest.approx(travel[low, 2], abs=0.003 * 0.18 + 5e-4)
    # The gyroscope's bias is seen in stance, where the bar is perfectly still.
    np.testing.assert_allclose(motion.gyro_bias_radps, [0.009, -0.009, 0.009], atol=2e-4)


def test_rest_afterwards_narrows_the_interval() -> None:
    """Without a rest after the lift the forward travel is more uncertain, and more so later."""
    sensor = SimulatedBarSensor(rate_hz=200.0, accel_noise=1.5e-3, gyro_noise=1.75e-4)
    accel, gyro, _ = readings(PLAIN, sensor)
    stance = span(200.0, *STANCE_S)
    both = bar_motion(accel, gyro, 200.0, stance=stance, rests=(span(200.0, *REST_S),), shaft_axis="y")
    one = bar_motion(accel, gyro, 200.0, stance=stance, shaft_axis="y")
    assert both.rests_after
    assert not one.rests_after
    wide, narrow = (np.array([bar_at(m, "travel", t, "forward").u for t in (2.5, 3.0, 4.0)]) for m in (one, both))
    assert np.all(narrow < wide)
    assert np.all(np.diff(wide) > 0.0)
    assert wide[2] > 3.0 * wide[0]


def test_interval_of_a_difference_is_not_that_of_independent_numbers() -> None:
    """Travel a tenth of a second apart shares its errors; the shared sources cancel in the difference."""
    motion = solved(PLAIN, SimulatedBarSensor(rate_hz=200.0, accel_noise=1.5e-3))
    a, b = bar_at(motion, "travel", 2.5, "forward"), bar_at(motion, "travel", 2.6, "forward")
    assert (a - b).u < 0.5 * math.hypot(a.u, b.u)


def test_ellipse_holds_both_coordinates() -> None:
    """The ellipse of independent coordinates has their half axes times the root of 5.99, long one first."""
    box = ellipse(Uncertain(0.0, np.array([1.0, 0.0])), Uncertain(0.0, np.array([0.0, 2.0])))
    # 5.991 is the tabulated 95 % point of chi-square with 2 degrees of freedom.
    assert (box.long_m, box.short_m) == pytest.approx((2.0 * math.sqrt(5.991), math.sqrt(5.991)), rel=1e-3)
    assert abs(box.angle_rad) == pytest.approx(math.pi / 2)
    tilted = ellipse(Uncertain(0.0, np.array([1.0, 0.1])), Uncertain(0.0, np.array([1.0, -0.1])))
    assert tilted.angle_rad == pytest.approx(math.pi / 4)


def test_instants_of_a_perfect_sensor() -> None:
    """Lowest point and fastest instants come back within 0.2 ms at 1 kHz."""
    motion = solved(PLAIN, SimulatedBarSensor(rate_hz=1000.0))
    v, a, t = PLAIN.bar_velocity_mps[:, 2], PLAIN.bar_acceleration_mps2[:, 2], PLAIN.t_s
    low = bar_zero_speed(motion, 2.1, 3.0)
    assert low is not None
    i = np.flatnonzero((v[:-1] < 0.0) & (v[1:] >= 0.0) & (t[1:] > 2.1))[0]
    assert low.t_s == pytest.approx(t[i] - v[i] / (v[i + 1] - v[i]) * 0.0005, abs=2e-4)
    peak = bar_peak_speed(motion, 2.5, 3.1)
    k = int(np.argmax(v))
    assert peak.t_s == pytest.approx(t[k] - a[k] / ((a[k + 1] - a[k - 1]) / 0.001), abs=2e-4)
    assert peak.value.value == pytest.approx(v[k], abs=1e-4)
    assert bar_zero_speed(motion, 2.1, 2.3) is None


def test_accelerometer_alone_gives_the_vertical_and_says_why_not_the_rest() -> None:
    """Without a gyroscope the depth is right within its wider interval; forward and rotation are withheld."""
    sensor = SimulatedBarSensor(rate_hz=500.0, has_gyro=False)
    motion = solved(World(shaft=((-0.05, 2.1, 2.6), (0.05, 2.6, 3.1))), sensor)
    full = solved(World(shaft=((-0.05, 2.1, 2.6), (0.05, 2.6, 3.1))), SimulatedBarSensor(rate_hz=500.0))
    depth = bar_at(motion, "travel", 2.0) - bar_at(motion, "travel", 2.535)
    true = float(
        np.interp(2.0, PLAIN.t_s, PLAIN.bar_position_m[:, 2]) - np.interp(2.535, PLAIN.t_s, PLAIN.bar_position_m[:, 2])
    )
    assert abs(depth.value - true) < 2.0 * depth.u
    assert depth.u > 2.0 * (bar_at(full, "travel", 2.0) - bar_at(full, "travel", 2.535)).u
    assert np.isnan(motion.travel_m[:, :2]).all()
    for quantity, direction in (("travel", "forward"), ("shaft angle", "up")):
        with pytest.raises(CannotMeasure, match="no gyroscope") as refused:
            bar_at(motion, quantity, 2.5, direction)  # type: ignore[arg-type]
        assert refused.value.reason is Reason.NO_GYRO


def test_accelerometer_alone_does_not_use_a_rest_in_another_attitude() -> None:
    """A rest after the bar has rolled by 16 degrees would bend the path; it is left out, with a note."""
    motion = solved(PLAIN, SimulatedBarSensor(rate_hz=500.0, has_gyro=False))
    assert motion.rests == (motion.stance,)
    assert "had rolled" in motion.notes[0]
    travel, _ = truth(PLAIN, motion)
    low = int(np.argmin(travel[: int(2.8 * 500), 2]))
    depth = bar_at(motion, "travel", low / 500.0)
    assert abs(depth.value - travel[low, 2]) < 2.0 * depth.u
    assert depth.u < 0.012


def test_shaft_found_from_the_movement_but_for_its_sign() -> None:
    """Undeclared, the axis is found from how the bar rolls; forward may be swapped, the size and the vertical not."""
    sensor = SimulatedBarSensor(rate_hz=500.0, mount_rotvec_rad=(0.4, -1.0, 2.0), declare_shaft_axis=False)
    motion = solved(PLAIN, sensor, shaft_axis=None, from_middle_m=0.0)
    assert motion.axis is not None
    assert not motion.axis.sign_known
    assert "may be swapped" in motion.notes[0]
    travel, angle = truth(PLAIN, motion)
    np.testing.assert_allclose(motion.travel_m[:, 2], travel[:, 2], atol=TRAVEL_TOLERANCE_M)
    # The direction is found within a degree or so, which takes a few parts in ten thousand off the forward travel
    # and mixes in the sideways one.
    assert motion.shaft_angle_rad is not None
    sign = np.sign(motion.shaft_angle_rad[-1])
    np.testing.assert_allclose(sign * motion.shaft_angle_rad, angle, atol=0.01)
    np.testing.assert_allclose(sign * motion.travel_m[:, 0], travel[:, 0], atol=2e-3)


def test_a_shaft_that_cannot_be_told_withholds_the_horizontal() -> None:
    """A bar that only goes up and down tells no direction: the vertical is given, the rest refused."""
    sensor = SimulatedBarSensor(rate_hz=500.0)
    motion = solved(World(forward=(), left=(), shaft=()), sensor, shaft_axis=None, from_middle_m=0.0)
    assert motion.axis is None
    assert len(motion_quality(motion)) == 1
    assert motion_quality(motion, -0.25)[1].sentence.startswith("Without the direction of the shaft it is not known")
    assert motion_quality(motion, -0.25)[1].sentence.endswith("declare shaft_axis in its device file.")
    assert "declare shaft_axis" in motion.notes[0]
    assert bar_at(motion, "travel", 2.5).value < -0.1
    with pytest.raises(CannotMeasure, match="direction of the shaft") as refused:
        bar_at(motion, "travel", 2.5, "forward")
    assert refused.value.reason is Reason.NO_SHAFT_AXIS


def test_witnesses_that_disagree_refuse() -> None:
    """A bar that turns about its forward axis and moves forward tells two shafts; neither is taken."""
    odd = World(
        shaft=(), roll=((0.4, 2.0, 2.6), (-0.4, 2.6, 3.1)), forward=((0.3, 2.0, 2.6), (-0.3, 2.6, 3.2)), left=()
    )
    accel, gyro, _ = readings(odd, SimulatedBarSensor(rate_hz=500.0))
    with pytest.raises(CannotMeasure, match="degrees apart"):
        find_shaft_axis(accel, gyro, 500.0, stance=span(500.0, *STANCE_S), moving=span(500.0, 2.0, 3.5))


def test_an_unknown_axis_name_is_refused() -> None:
    """Axis names are x, y, z with or without a minus sign."""
    with pytest.raises(InputError, match='the shaft axis is "left"'):
        declared_axis("left")


def test_rests_are_found_where_the_bar_rests() -> None:
    """Noise and sway of a standing lifter leave stance and the end as rests, and nothing of the lift."""
    sensor = SimulatedBarSensor(
        rate_hz=1000.0, accel_noise=1.5e-3, gyro_noise=1.75e-4, gyro_bias_radps=(0.02, 0.0, -0.02)
    )
    accel, gyro, _ = readings(PLAIN, sensor)
    found = bar_rests(accel, gyro, 1000.0)
    assert found[0][0] == 0
    # A window of 0.2 s that touches the movement is no rest; the first steps of a smooth start are below any limit.
    assert 1.85 < found[0][1] / 1000.0 < 2.05
    assert 4.9 < found[-1][0] / 1000.0 < 5.15
    inside = [r for r in found if 2.1 < r[0] / 1000.0 < 3.3]
    assert inside == []


def test_a_movement_that_dies_away_is_no_rest() -> None:
    """A bar that creeps up with 80 mm/s and stops within 0.7 s feels 0.11 m/s² at most; the rest begins near its end.

    What is left of the speed where the rest begins is the 15 mm/s of the settings and some noise, 25 mm/s at most.
    """
    rate = 200.0
    t = np.arange(0.0, 6.0, 1.0 / rate)
    slowing = (t > 2.0) & (t < 2.7)
    push = np.where((t > 1.9) & (t <= 2.0), 0.4 * np.pi * np.sin(10.0 * np.pi * (t - 1.9)), 0.0)
    up = push - np.where(slowing, 0.08 / 0.7, 0.0)
    force = np.column_stack([np.zeros(t.size), np.zeros(t.size), STANDARD_GRAVITY_MPS2 + up])
    force += np.random.default_rng(1).normal(0.0, 0.02, force.shape)
    rest = bar_rests(force, None, rate)[-1]
    speed_left = 0.08 * (1.0 - np.clip((rest[0] / rate - 2.0) / 0.7, 0.0, 1.0))
    assert speed_left < 0.025
    assert rest[0] / rate < 2.8
    assert rest[1] / rate > 5.8


def test_a_steady_push_is_not_taken_for_gravity() -> None:
    """A bar pushed up with 0.6 m/s² for 0.3 s without a tremor is stiller than any stance, and no rest."""
    rate = 200.0
    t = np.arange(0.0, 5.0, 1.0 / rate)
    push = (t >= 2.0) & (t < 2.3)
    up = np.where(push, 0.6, 0.0) - np.where((t >= 2.4) & (t < 2.5), 1.8, 0.0)
    tremor = 0.05 * np.sin(2.0 * np.pi * 3.0 * t) * ~push
    force = np.column_stack([np.zeros(t.size), np.zeros(t.size), STANDARD_GRAVITY_MPS2 + up + tremor])
    found = [(a / rate, b / rate) for a, b in bar_rests(force, None, rate)]
    assert len(found) == 2
    np.testing.assert_allclose(found, [(0.0, 2.0), (2.5, 5.0)], atol=0.25)


def test_a_small_push_at_the_start_does_not_cost_a_rest() -> None:
    """A bar that gains 20 mm/s in the first 0.15 s of a stance of 1.9 s: only those are cut off."""
    rate = 200.0
    t = np.arange(0.0, 1.9, 1.0 / rate)
    up = np.where(t < 0.15, 0.02 * 0.5 * np.pi / 0.15 * np.sin(np.pi * t / 0.15), 0.0)
    force = np.column_stack([np.zeros(t.size), np.zeros(t.size), STANDARD_GRAVITY_MPS2 + up])
    (rest,) = bar_rests(force, None, rate)
    assert rest[0] / rate < 0.2
    assert rest[1] / rate > 1.7


def test_steady_motion_that_looks_like_a_rest_is_left_out() -> None:
    """A bar that rises at constant speed is still for the sensor, not for the smoother."""
    lifted = World(up=((-0.18, 2.0, 2.6), (0.6, 2.5, 3.1), (3.0, 3.0, 5.0)), forward=(), left=(), end_s=6.5)
    sensor = SimulatedBarSensor(rate_hz=200.0, accel_noise=1.5e-3, gyro_noise=1.75e-4)
    accel, gyro, _ = readings(lifted, sensor)
    fake = span(200.0, 3.9, 4.1)  # the middle of the long rise: acceleration passes zero, velocity is 3 m/s
    motion = bar_motion(
        accel, gyro, 200.0, stance=span(200.0, *STANCE_S), rests=(fake, span(200.0, *REST_S)), shaft_axis="y"
    )
    assert motion.rejected == (fake,)
    assert "this rest was not used" in motion.notes[-1]


@pytest.mark.parametrize(
    ("change", "error", "text"),
    [
        ("g", InputError, r"reads 1 m/s² at rest"),
        ("nan", InputError, "not numbers"),
        ("short", CannotMeasure, "0.3 s are needed"),
        ("gap", CannotMeasure, "missing or at their limit"),
    ],
)
def test_what_cannot_be_computed_is_refused(change: str, error: type[Exception], text: str) -> None:
    """Wrong unit, holes and a stance too short are named."""
    accel, gyro, _ = readings(PLAIN, SimulatedBarSensor(rate_hz=200.0))
    stance, unusable = span(200.0, *STANCE_S), np.zeros(accel.shape[0], dtype=bool)
    if change == "g":
        accel = accel / 9.80665
    elif change == "nan":
        accel[500] = np.nan
    elif change == "short":
        stance = span(200.0, 1.8, 1.95)
    else:
        unusable[480:490] = True
    with pytest.raises(error, match=text):
        bar_motion(accel, gyro, 200.0, stance=stance, shaft_axis="y", unusable=unusable)


def test_settings_reach_the_interval() -> None:
    """A lifter who is said to sway twice as much gets a wider interval."""
    sensor = SimulatedBarSensor(rate_hz=200.0)
    u = []
    for sway in (0.004, 0.008):
        s = BarSettings(sway_mps=(sway, sway, sway), sway_worth=1e6)
        motion = solved(PLAIN, sensor, settings=s)
        u.append((bar_at(motion, "travel", 2.5, "forward") - bar_at(motion, "travel", 2.0, "forward")).u)
    assert u[1] > 1.5 * u[0]
