"""A simulated bar sensor: exact when nothing is wrong, and wrong by exactly what is declared otherwise."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forcekit.constants import STANDARD_GRAVITY_MPS2, UNITS
from forcekit.errors import InputError
from forcekit.model import FloatArray, Stream
from forcekit.simulate.bar_sensor import BarTurn, SimulatedBarSensor, ideal_readings, record_bar

G = STANDARD_GRAVITY_MPS2
T = np.arange(0.0, 1.0005, 0.001)
angles = st.floats(-3.0, 3.0)


@dataclass(frozen=True)
class Bar:
    """A bar with constant acceleration and constant shaft rate."""

    acceleration: tuple[float, float, float] = (0.0, 0.0, 0.0)
    shaft_rate: float = 0.0
    t_s: FloatArray = field(default_factory=lambda: T)

    @property
    def bar_acceleration_mps2(self) -> FloatArray:
        """The same at every time."""
        return np.tile(np.array(self.acceleration), (self.t_s.size, 1))

    @property
    def shaft_angle_rad(self) -> FloatArray:
        """Grows evenly."""
        return self.shaft_rate * self.t_s

    @property
    def shaft_rate_radps(self) -> FloatArray:
        """Constant."""
        return np.full(self.t_s.size, self.shaft_rate)


def si(stream: Stream, names: tuple[str, ...]) -> FloatArray:
    """Channels in SI by the device file."""
    return np.column_stack([stream.raw[n] * UNITS[stream.device.channel(n).unit][1] for n in names])


ACCEL, GYRO = ("accel x", "accel y", "accel z"), ("gyro x", "gyro y", "gyro z")


@given(mount=st.tuples(angles, angles, angles))
def test_at_rest_the_force_is_gravity_in_every_mounting(mount: tuple[float, float, float]) -> None:
    """Whatever the mounting, a still sensor feels g and no turn."""
    force, rate = ideal_readings(Bar(), T[:3], SimulatedBarSensor(mount_rotvec_rad=mount))
    np.testing.assert_allclose(np.linalg.norm(force, axis=1), G, rtol=1e-12)
    np.testing.assert_allclose(rate, 0.0, atol=1e-12)


def test_a_falling_bar_feels_nothing() -> None:
    """In free fall the specific force is zero."""
    force, _ = ideal_readings(Bar((0.0, 0.0, -G)), T, SimulatedBarSensor())
    np.testing.assert_allclose(force, 0.0, atol=1e-12)


def test_elbows_up_turn_about_the_right_pointing_axis() -> None:
    """Elbows up is a negative rate about y (left), and gravity then leans toward the sensor's forward axis."""
    force, rate = ideal_readings(Bar(shaft_rate=0.5), T, SimulatedBarSensor())
    np.testing.assert_allclose(rate, np.tile([0.0, -0.5, 0.0], (T.size, 1)), atol=1e-9)
    # After 0.5 rad the forward axis of the bar points up by that angle, so it feels g sin(0.5).
    np.testing.assert_allclose(force[-1], [G * np.sin(0.5), 0.0, G * np.cos(0.5)], atol=1e-9)


def test_a_sensor_off_the_axis_feels_the_centripetal_force() -> None:
    """A turn at constant rate adds omega² r toward the axis (textbook circular motion)."""
    on, _ = ideal_readings(Bar(shaft_rate=4.0), T, SimulatedBarSensor())
    off, _ = ideal_readings(Bar(shaft_rate=4.0), T, SimulatedBarSensor(offset_m=(0.03, 0.4, 0.0)))
    np.testing.assert_allclose(off - on, np.tile([-16.0 * 0.03, 0.0, 0.0], (T.size, 1)), atol=1e-6)


def test_yaw_moves_a_sensor_at_the_end_of_the_shaft() -> None:
    """A bar that starts to turn about the vertical pushes a sensor on its left end back: -alpha r."""
    turn = BarTurn(0.5 * 3.0 * T**2, np.zeros_like(T))
    force, rate = ideal_readings(Bar(), T, SimulatedBarSensor(offset_m=(0.0, 0.4, 0.0)), turn)
    assert rate[100, 2] == pytest.approx(3.0 * T[100], abs=1e-9)
    # At 0.1 s the bar has yawed by 0.015 rad; in its own axes the tangential part is exactly -alpha r.
    assert force[100, 0] == pytest.approx(-3.0 * 0.4, abs=1e-6)
    assert force[100, 1] == pytest.approx(-((3.0 * T[100]) ** 2) * 0.4, abs=1e-6)


def test_bias_scale_and_units_are_as_declared() -> None:
    """Readings in g and degrees per second come back through the device file with bias and scale on top."""
    sensor = SimulatedBarSensor(
        accel_bias_mps2=(0.1, -0.2, 0.3), accel_scale=(0.0, 0.0, 0.01), gyro_bias_radps=(0.01, 0.02, 0.03),
        accel_unit="g", gyro_unit="deg/s",
    )  # fmt: skip
    stream = record_bar(Bar(), sensor, 1)
    np.testing.assert_allclose(si(stream, ACCEL)[5], [0.1, -0.2, 1.01 * G + 0.3], rtol=1e-12)
    np.testing.assert_allclose(si(stream, GYRO)[5], [0.01, 0.02, 0.03], rtol=1e-12)


def test_noise_has_the_declared_density() -> None:
    """The standard deviation of a sample is density times the root of the rate."""
    stream = record_bar(Bar(), SimulatedBarSensor(rate_hz=1000.0, accel_noise=2e-3, gyro_noise=1e-4), 3)
    # 3000 values: the standard deviation is good to 1.3 %; 5 % is nearly four of those.
    assert np.std(si(stream, ACCEL) - [0.0, 0.0, G]) == pytest.approx(2e-3 * np.sqrt(1000.0), rel=0.05)
    assert np.std(si(stream, GYRO)) == pytest.approx(1e-4 * np.sqrt(1000.0), rel=0.05)


def test_saturation_stops_at_the_declared_limit() -> None:
    """Readings beyond the range stay at it, and the device file says so."""
    stream = record_bar(Bar((0.0, 0.0, 10.0)), SimulatedBarSensor(accel_range_mps2=16.0), 1)
    assert stream.raw["accel z"].max() == 16.0
    assert stream.device.channel("accel z").highest == 16.0


def test_a_fast_clock_counts_more_time() -> None:
    """With 100 ppm the clock shows 100 µs more after a second; its first stamp is the offset."""
    stream = record_bar(Bar(), SimulatedBarSensor(rate_hz=1000.0, clock_offset_s=5.0, clock_drift_ppm=100.0), 1)
    assert stream.t_s[0] == 5.0
    n = stream.t_s.size
    assert n == 1001  # 1.0001 s of its own time hold 1001 samples
    long = np.arange(0.0, 20.0005, 0.001)
    slow = record_bar(Bar(t_s=long), SimulatedBarSensor(rate_hz=1000.0, clock_drift_ppm=100.0), 1)
    assert slow.t_s.size == 20003  # floor(20 · 1000 · 1.0001) + 1


@pytest.mark.parametrize(
    ("mount", "axis"),
    [((0.0, 0.0, 0.0), "y"), ((0.0, 0.0, np.pi / 2), "x"), ((np.pi, 0.0, 0.0), "-y"), ((np.pi / 2, 0.0, 0.0), "-z")],
)
def test_the_device_file_names_the_axis_along_the_shaft(mount: tuple[float, float, float], axis: str) -> None:
    """The declared shaft axis is the sensor axis that points left in this mounting."""
    stream = record_bar(Bar(), SimulatedBarSensor(mount_rotvec_rad=mount), 1)
    assert stream.device.bar is not None
    assert stream.device.bar.shaft_axis == axis


def test_an_oblique_mounting_cannot_be_declared() -> None:
    """No axis along the shaft means none may be declared."""
    with pytest.raises(InputError, match="no sensor axis lies along the shaft"):
        record_bar(Bar(), SimulatedBarSensor(mount_rotvec_rad=(0.0, 0.0, 0.4)), 1)


def test_the_same_seed_gives_the_same_numbers() -> None:
    """Noise depends on the seed only."""
    sensor = SimulatedBarSensor(accel_noise=1e-3)
    a, b, c = (record_bar(Bar(), sensor, s).raw["accel x"] for s in (1, 1, 2))
    np.testing.assert_array_equal(a, b)
    assert np.any(a != c)
