"""From the channels of a sensor on the shaft to specific force and rate of turn on a uniform clock."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forcekit.errors import InputError
from forcekit.mechanics.bar_fit import BarSettings
from forcekit.mechanics.plate_matrix import calibrated
from forcekit.mechanics.timebase import fill, uniform_timebase
from forcekit.model import BarSensor, BoolArray, FloatArray, Stream

__all__ = ["BarReadings", "Felt", "bar_settings", "felt_by_bar", "read_bar"]

PIECE = 1 << 15
"""Of a long recording so many samples are worked on at a time: they stay in the fast memory (our choice)."""


@dataclass(frozen=True, slots=True, eq=False)
class BarReadings:
    """Readings of a whole recording in SI, in the sensor's axes.

    Attributes
    ----------
    t_s : array, shape (n,)
        On the sensor's own clock.
    rate_hz : float
    accel_mps2 : array, shape (n, 3)
    gyro_radps : array, shape (n, 3), or None
    missing, saturated : array of bool, shape (n,)
    sensor : BarSensor
    notes : tuple of str
    """

    t_s: FloatArray
    rate_hz: float
    accel_mps2: FloatArray
    gyro_radps: FloatArray | None
    missing: BoolArray
    saturated: BoolArray
    sensor: BarSensor
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Felt:
    """Size of what a bar's accelerometer feels (m/s², gravity included), shape (n,), on an even clock of its own."""

    start_s: float
    rate_hz: float
    size_mps2: FloatArray


def felt_by_bar(bar: Stream | BarReadings) -> Felt:
    """Size of what the accelerometer feels: of a recording of any length, or of readings that are there already.

    Raises
    ------
    InputError
        As for `read_bar`.
    """
    if isinstance(bar, BarReadings):
        return Felt(float(bar.t_s[0]), bar.rate_hz, _size(bar.accel_mps2))
    sensor, stream = _sensor(bar), _finite(bar)
    timebase = uniform_timebase(stream.t_s, stream.source)
    columns = [fill(timebase, calibrated(stream, name, "acceleration")) for name in sensor.accel]
    size = np.empty(timebase.t_s.size)
    for a in range(0, size.size, PIECE):
        size[a : a + PIECE] = _size(_force(np.column_stack([c[a : a + PIECE] for c in columns]), sensor))
    return Felt(float(timebase.t_s[0]), timebase.rate_hz, size)


def _size(accel_mps2: FloatArray) -> FloatArray:
    return np.asarray(np.sqrt(np.einsum("ni,ni->n", accel_mps2, accel_mps2)))


def _force(accel_mps2: FloatArray, sensor: BarSensor) -> FloatArray:
    """Specific force by the sensor's calibration, if it has one."""
    c = sensor.calibration
    return accel_mps2 if c is None else (accel_mps2 - np.array(c.accel_bias_mps2)) @ np.array(c.accel_matrix).T


def _sensor(stream: Stream) -> BarSensor:
    if stream.device.bar is None:
        raise InputError(f"{stream.source}: its device file has no [bar] section that names the sensor's channels.")
    return stream.device.bar


def read_bar(stream: Stream) -> BarReadings:
    """Specific force and rate of turn of a bar recording, with the device file's calibration applied.

    Parameters
    ----------
    stream : Stream
        Of a device of kind ``"bar"``.

    Raises
    ------
    InputError
        If there are too few samples or the device file has no [bar] section.
    """
    sensor, stream = _sensor(stream), _finite(stream)
    timebase = uniform_timebase(stream.t_s, stream.source)
    saturated = np.zeros(timebase.t_s.size, dtype=bool)

    def vector(names: tuple[str, str, str], kind: str) -> FloatArray:
        columns = []
        for name in names:
            channel, raw = stream.device.channel(name), stream.raw[name]
            if channel.highest is not None:
                saturated[timebase.index[raw >= channel.highest]] = True
            if channel.lowest is not None:
                saturated[timebase.index[raw <= channel.lowest]] = True
            columns.append(fill(timebase, calibrated(stream, name, kind)))
        return np.column_stack(columns)

    accel = _force(vector(sensor.accel, "acceleration"), sensor)
    turn = None if sensor.gyro is None else vector(sensor.gyro, "rate of turn")
    c = sensor.calibration
    if c is not None and turn is not None:
        turn = (turn - np.array(c.gyro_bias_radps)) @ np.array(c.gyro_matrix).T
    notes = list(stream.notes)
    if timebase.jitters:
        notes.append("the bar's time stamps jitter; its samples were interpolated to an even clock")
    return BarReadings(timebase.t_s, timebase.rate_hz, accel, turn, timebase.missing, saturated, sensor, tuple(notes))


def _finite(stream: Stream) -> Stream:
    """Leave out samples that hold no finite number; they are missing then."""
    sound = np.logical_and.reduce([np.isfinite(values) for values in stream.raw.values()])
    if sound.all():
        return stream
    raw = {name: values[sound] for name, values in stream.raw.items()}
    note = f"{int(np.count_nonzero(~sound))} samples of the bar hold no finite number and were left out"
    return replace(stream, t_s=stream.t_s[sound], raw=raw, notes=(*stream.notes, note))


def bar_settings(sensor: BarSensor) -> BarSettings:
    """What is believed of a sensor: the usual figures, or those of its calibration where it has one."""
    c = sensor.calibration
    usual = BarSettings()
    if c is None:
        return usual
    return BarSettings(
        accel_bias_u_mps2=c.accel_bias_u_mps2 or usual.accel_bias_u_mps2,
        accel_scale_u=c.accel_scale_u or usual.accel_scale_u,
        gyro_scale_u=c.gyro_scale_u or usual.gyro_scale_u,
        accel_noise=c.accel_noise or usual.accel_noise,
        gyro_noise=c.gyro_noise or usual.gyro_noise,
    )
