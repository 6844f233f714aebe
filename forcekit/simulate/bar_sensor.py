"""An inertial sensor on the shaft of a simulated bar: what it would send, with every fault such a sensor has.

Frames::

      level: x forward, y to the lifter's left, z up          bar: the same axes at stance, turning with the
      shaft R(level <- bar) = Rz(yaw) Rx(roll) Ry(-shaft angle)     shaft angle is positive when the elbows go
      up,
                                                              that is right-handed about -y

Readings are point samples: specific force (what an accelerometer feels, +g upward at rest) and angular rate
of the sensor at the instant of the sample. The exact integral of the rate is the orientation, so that finite
increments formed from neighbouring readings give the shaft angle back.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np

from forcekit.constants import STANDARD_GRAVITY_MPS2, unit_factor
from forcekit.errors import InputError
from forcekit.model import BarSensor, Channel, DeviceFile, FloatArray, Stream, TimeAxis

__all__ = ["BarTurn", "ShaftMotion", "SimulatedBarSensor", "ideal_readings", "record_bar"]

Axis = Literal["x", "y", "z", "-x", "-y", "-z"]
ACCEL = ("accel x", "accel y", "accel z")
GYRO = ("gyro x", "gyro y", "gyro z")
_MOUNT_TOLERANCE = 1e-6


class ShaftMotion(Protocol):
    """What the sensor needs to know of the bar: the motion of its middle and the rotation about its shaft."""

    @property
    def t_s(self) -> FloatArray:
        """Uniform time, shape (n,)."""

    @property
    def bar_acceleration_mps2(self) -> FloatArray:
        """Acceleration of the bar's middle in the level frame, shape (n, 3)."""

    @property
    def shaft_angle_rad(self) -> FloatArray:
        """Rotation about the shaft, elbows up positive, shape (n,)."""

    @property
    def shaft_rate_radps(self) -> FloatArray:
        """Its rate, shape (n,)."""


@dataclass(frozen=True, slots=True, eq=False)
class BarTurn:
    """Turning of the whole bar, on the times of the motion.

    Attributes
    ----------
    yaw_rad : array, shape (n,)
        About the vertical, positive when the left end goes back.
    roll_rad : array, shape (n,)
        About the forward axis, positive when the left end goes up.
    """

    yaw_rad: FloatArray
    roll_rad: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedBarSensor:
    """A sensor and everything that is wrong with it; the defaults are a perfect one in the middle of the shaft.

    Attributes
    ----------
    mount_rotvec_rad : rotation vector from the sensor's axes to the bar's axes
    offset_m : from the bar's middle to the sensor, in the bar's axes at stance
    accel_bias_mps2, gyro_bias_radps, accel_scale, gyro_scale : per sensor axis; a scale of 0.01 reads 1 % too
        much
    accel_noise, gyro_noise : white noise; the sample's standard deviation is this times the root of the rate
        (m/s² and rad/s per root hertz)
    accel_range_mps2, gyro_range_radps : readings beyond it stay at it
    counts_per_unit : numbers are rounded to 1/this of a unit; 0 leaves them as they are
    clock_offset_s : what the sensor's clock shows when the motion's clock shows zero
    clock_drift_ppm : positive when the sensor's clock runs fast
    declare_shaft_axis : whether the device file says which axis lies along the shaft
    """

    rate_hz: float = 1000.0
    mount_rotvec_rad: tuple[float, float, float] = (0.0, 0.0, 0.0)
    offset_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    accel_bias_mps2: tuple[float, float, float] = (0.0, 0.0, 0.0)
    gyro_bias_radps: tuple[float, float, float] = (0.0, 0.0, 0.0)
    accel_scale: tuple[float, float, float] = (0.0, 0.0, 0.0)
    gyro_scale: tuple[float, float, float] = (0.0, 0.0, 0.0)
    accel_noise: float = 0.0
    gyro_noise: float = 0.0
    accel_range_mps2: float = float("inf")
    gyro_range_radps: float = float("inf")
    counts_per_unit: float = 0.0
    has_gyro: bool = True
    accel_unit: str = "m/s2"
    gyro_unit: str = "rad/s"
    clock_offset_s: float = 0.0
    clock_drift_ppm: float = 0.0
    declare_shaft_axis: bool = True
    gravity_mps2: float = STANDARD_GRAVITY_MPS2


def ideal_readings(
    motion: ShaftMotion, t_s: FloatArray, sensor: SimulatedBarSensor, turn: BarTurn | None = None
) -> tuple[FloatArray, FloatArray]:
    """Specific force and angular rate in the sensor's axes without any fault, each of shape (n, 3).

    Parameters
    ----------
    motion : ShaftMotion
    t_s : array, shape (n,), second
        Instants on the motion's clock, inside it.
    sensor : SimulatedBarSensor
        Its mounting and offset are used.
    turn : BarTurn, optional
        Turning of the whole bar; none if left out.

    Notes
    -----
    f = Rᵀ(a + g ẑ) + α × r + ω × (ω × r), with ω and α in the bar's axes from the angles' derivatives.
    """
    from scipy.interpolate import CubicHermiteSpline, CubicSpline
    from scipy.spatial.transform import Rotation

    grid = motion.t_s
    pitch = CubicHermiteSpline(grid, -motion.shaft_angle_rad, -motion.shaft_rate_radps)
    pitch_rate = CubicSpline(grid, -motion.shaft_rate_radps)
    still = np.zeros_like(grid)
    yaw = CubicSpline(grid, still if turn is None else turn.yaw_rad)
    roll = CubicSpline(grid, still if turn is None else turn.roll_rad)

    def rate(at: FloatArray) -> FloatArray:
        p, r = pitch(at), roll(at)
        cp, sp, cr, sr = np.cos(p), np.sin(p), np.cos(r), np.sin(r)
        roll_rate, yaw_rate = roll(at, 1), yaw(at, 1)
        return np.column_stack(
            [
                roll_rate * cp - yaw_rate * cr * sp,
                pitch_rate(at) + yaw_rate * sr,
                roll_rate * sp + yaw_rate * cr * cp,
            ]
        )

    half = 1e-4
    inside = np.clip(t_s, grid[0] + half, grid[-1] - half)
    omega = rate(t_s)
    alpha = (rate(inside + half) - rate(inside - half)) / (2.0 * half)
    attitude = Rotation.from_euler("ZXY", np.column_stack([yaw(t_s), roll(t_s), pitch(t_s)]))
    felt = CubicSpline(grid, motion.bar_acceleration_mps2)(t_s) + np.array([0.0, 0.0, sensor.gravity_mps2])
    arm = np.asarray(sensor.offset_m)
    force = attitude.inv().apply(felt) + np.cross(alpha, arm) + np.cross(omega, np.cross(omega, arm))
    to_sensor = Rotation.from_rotvec(sensor.mount_rotvec_rad).inv()
    return to_sensor.apply(force), to_sensor.apply(omega)


def record_bar(motion: ShaftMotion, sensor: SimulatedBarSensor, seed: int, *, turn: BarTurn | None = None) -> Stream:
    """Record a simulated motion with a simulated sensor.

    Parameters
    ----------
    motion : ShaftMotion
    sensor : SimulatedBarSensor
    seed : int
        Of the noise.
    turn : BarTurn, optional

    Returns
    -------
    Stream
        Raw numbers in the sensor's units and a device file that says the truth about them. Its times are
        those the sensor's own clock shows, counted from the recording's first sample at `clock_offset_s`.
    """
    rng = np.random.default_rng(seed)
    pace = 1.0 + 1e-6 * sensor.clock_drift_ppm
    n = int(np.floor((motion.t_s[-1] - motion.t_s[0]) * sensor.rate_hz * pace)) + 1
    ticks = np.arange(n) / sensor.rate_hz
    true_t = np.minimum(motion.t_s[0] + ticks / pace, motion.t_s[-1])
    force, rate = ideal_readings(motion, true_t, sensor, turn)
    groups = [(ACCEL, sensor.accel_unit, "acceleration", force, sensor.accel_bias_mps2, sensor.accel_scale)]
    limits = [(sensor.accel_noise, sensor.accel_range_mps2)]
    if sensor.has_gyro:
        groups.append((GYRO, sensor.gyro_unit, "rate of turn", rate, sensor.gyro_bias_radps, sensor.gyro_scale))
        limits.append((sensor.gyro_noise, sensor.gyro_range_radps))
    raw: dict[str, FloatArray] = {}
    channels: list[Channel] = []
    for (names, unit, kind, ideal, bias, scale), (noise, reach) in zip(groups, limits, strict=True):
        read = ideal * (1.0 + np.asarray(scale)) + np.asarray(bias)
        read = read + noise * np.sqrt(sensor.rate_hz) * rng.standard_normal(read.shape)
        factor = unit_factor(unit, kind, "simulated bar sensor")
        numbers = np.clip(read, -reach, reach) / factor
        if sensor.counts_per_unit > 0.0:
            numbers = np.round(numbers * sensor.counts_per_unit) / sensor.counts_per_unit
        limit = reach / factor if np.isfinite(reach) else None
        for i, name in enumerate(names):
            raw[name] = numbers[:, i]
            channels.append(Channel(name=name, unit=unit, highest=limit, lowest=-limit if limit else None))
    start = sensor.clock_offset_s + pace * motion.t_s[0]
    return Stream(start + ticks, raw, _device(sensor, tuple(channels)), "simulated bar", "stamps")


def _device(sensor: SimulatedBarSensor, channels: tuple[Channel, ...]) -> DeviceFile:
    bar = BarSensor(
        accel=ACCEL,
        gyro=GYRO if sensor.has_gyro else None,
        shaft_axis=shaft_axis(sensor) if sensor.declare_shaft_axis else None,
        from_middle_m=sensor.offset_m[1],
    )
    return DeviceFile(
        name="simulated bar sensor",
        kind="bar",
        time=TimeAxis(rate_hz=sensor.rate_hz),
        channels=channels,
        bar=bar,
    )


def shaft_axis(sensor: SimulatedBarSensor) -> Axis:
    """Name of the sensor axis that points along the shaft to the left; refused when none does.

    Raises
    ------
    InputError
        If the mounting is oblique: no axis of the sensor lies along the shaft.
    """
    from scipy.spatial.transform import Rotation

    left = Rotation.from_rotvec(sensor.mount_rotvec_rad).inv().apply([0.0, 1.0, 0.0])
    i = int(np.argmax(np.abs(left)))
    if abs(left[i]) < 1.0 - _MOUNT_TOLERANCE:
        raise InputError(
            "simulated bar sensor: no sensor axis lies along the shaft with this mounting, so none can be declared; "
            "turn it so that one does, or set declare_shaft_axis to false."
        )
    names: tuple[tuple[Axis, Axis], ...] = (("x", "-x"), ("y", "-y"), ("z", "-z"))
    return names[i][0] if left[i] > 0.0 else names[i][1]
