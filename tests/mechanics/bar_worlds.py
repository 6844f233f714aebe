"""Bars with a known motion for the tests: smooth steps between rests, in closed form."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from forcekit.constants import UNITS
from forcekit.model import BoolArray, FloatArray, Stream
from forcekit.simulate.bar_sensor import BarTurn, SimulatedBarSensor, record_bar

Step = tuple[float, float, float]
"""Height, start and end of one smooth step."""

_SHAPE = np.poly1d([-20.0, 70.0, -84.0, 35.0, 0.0, 0.0, 0.0, 0.0])
"""Smooth step of seventh degree: acceleration and jerk vanish at both ends."""


def stepped(t: FloatArray, steps: tuple[Step, ...], order: int = 0) -> FloatArray:
    """Sum of smooth steps, or a derivative of it."""
    out = np.zeros_like(t)
    shape = np.polyder(_SHAPE, order) if order else _SHAPE
    for height, start, end in steps:
        part = np.clip((t - start) / (end - start), 0.0, 1.0)
        if order:
            inside = (t > start) & (t < end)
            out[inside] += height * shape(part[inside]) / (end - start) ** order
        else:
            out += height * shape(part)
    return out


@dataclass(frozen=True)
class World:
    """A dip, a drive, a catch and a recovery; the bar rests until 2.0 s, and from 5.0 s on."""

    forward: tuple[Step, ...] = ((0.01, 2.2, 2.5), (-0.02, 2.5, 2.8), (-0.05, 2.75, 3.4), (0.04, 4.0, 4.8))
    left: tuple[Step, ...] = ((0.004, 2.2, 2.9), (-0.004, 4.0, 5.0))
    up: tuple[Step, ...] = ((-0.18, 2.0, 2.6), (0.6, 2.5, 3.1), (0.35, 4.0, 5.0))
    shaft: tuple[Step, ...] = ((-0.12, 2.1, 2.6), (0.5, 2.6, 3.1), (-0.1, 3.8, 4.5))
    yaw: tuple[Step, ...] = ()
    roll: tuple[Step, ...] = ()
    end_s: float = 6.5
    rate_hz: float = 2000.0
    t_s: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "t_s", np.arange(round(self.end_s * self.rate_hz) + 1) / self.rate_hz)

    def _xyz(self, order: int) -> FloatArray:
        return np.column_stack([stepped(self.t_s, s, order) for s in (self.forward, self.left, self.up)])

    @property
    def bar_position_m(self) -> FloatArray:
        """Position of the bar's middle."""
        return self._xyz(0)

    @property
    def bar_velocity_mps(self) -> FloatArray:
        """Velocity of the bar's middle."""
        return self._xyz(1)

    @property
    def bar_acceleration_mps2(self) -> FloatArray:
        """Acceleration of the bar's middle."""
        return self._xyz(2)

    @property
    def shaft_angle_rad(self) -> FloatArray:
        """Rotation about the shaft, elbows up positive."""
        return stepped(self.t_s, self.shaft)

    @property
    def shaft_rate_radps(self) -> FloatArray:
        """Rate of it."""
        return stepped(self.t_s, self.shaft, 1)

    @property
    def turn(self) -> BarTurn | None:
        """Turning of the whole bar."""
        if not self.yaw and not self.roll:
            return None
        return BarTurn(stepped(self.t_s, self.yaw), stepped(self.t_s, self.roll))

    def at(self, curve: FloatArray, t_s: FloatArray) -> FloatArray:
        """Columns of a curve at other times."""
        curve = curve.reshape(self.t_s.size, -1)
        return np.column_stack([np.interp(t_s, self.t_s, c) for c in curve.T])


def in_si(stream: Stream) -> tuple[FloatArray, FloatArray | None]:
    """Accelerometer and gyroscope in SI by the device file's words, worked out here."""
    bar = stream.device.bar
    assert bar is not None

    def group(names: tuple[str, str, str]) -> FloatArray:
        columns = []
        for name in names:
            c = stream.device.channel(name)
            columns.append(c.sign * c.scale * (stream.raw[name] - c.offset) * UNITS[c.unit][1])
        return np.column_stack(columns)

    return group(bar.accel), None if bar.gyro is None else group(bar.gyro)


def readings(
    world: World, sensor: SimulatedBarSensor, seed: int = 1
) -> tuple[FloatArray, FloatArray | None, FloatArray]:
    """Accelerometer and gyroscope in SI, and the sensor's times."""
    stream = record_bar(world, sensor, seed, turn=world.turn)
    accel, gyro = in_si(stream)
    return accel, gyro, stream.t_s


def span(rate_hz: float, start_s: float, end_s: float) -> tuple[int, int]:
    """First and last+1 sample of a stretch."""
    return round(start_s * rate_hz), round(end_s * rate_hz)


def from_stance(curve: FloatArray, t_s: FloatArray, stance_s: tuple[float, float]) -> FloatArray:
    """Curve counted from its mean over stance."""
    inside: BoolArray = (t_s >= stance_s[0]) & (t_s < stance_s[1])
    return np.asarray(curve - curve[inside].mean(axis=0))
