"""A bar sensor's own figures from recordings of it: bias, scale and misalignment, and the noise."""

from __future__ import annotations

from dataclasses import dataclass, replace

import msgspec
import numpy as np

from forcekit.constants import local_gravity
from forcekit.errors import InputError
from forcekit.mechanics.allan import NoiseFigures, allan_deviation, noise_figures
from forcekit.mechanics.bar_readings import BarReadings, read_bar
from forcekit.mechanics.bar_stillness import bar_rests
from forcekit.mechanics.gyro_calibration import GyroCalibration, calibrate_gyro
from forcekit.mechanics.imu_calibration import AccelCalibration, calibrate_accel, still_positions
from forcekit.model import BarCalibration, DeviceFile, FloatArray, Stream, Vector

__all__ = ["BarFit", "BarNoise", "bar_noise", "calibrate_bar", "device_with", "with_noise"]

SHORTEST_NOISE_S = 60.0
"""A shorter rest shows no noise figure worth keeping (our choice)."""

LARGEST_MISSING_FRAC = 0.001
"""Lost samples are bridged by lines, which are quieter than the sensor; beyond this part they spoil the figures."""


@dataclass(frozen=True, slots=True, eq=False)
class BarFit:
    """Calibration of both sensors; `gyro` is None, with the reason in `no_gyro`, when it could not be fitted."""

    accel: AccelCalibration
    gyro: GyroCalibration | None
    no_gyro: str
    calibration: BarCalibration


@dataclass(frozen=True, slots=True, eq=False)
class BarNoise:
    """Noise of each axis (x, y, z) over one rest of `seconds`; `gyro` is empty without a gyroscope."""

    seconds: float
    rate_hz: float
    accel: tuple[NoiseFigures, ...]
    gyro: tuple[NoiseFigures, ...]

    @property
    def accel_noise(self) -> float:
        """White noise of the noisiest axis, m/s² per root hertz; 0 when it was not seen."""
        return _worst(self.accel)

    @property
    def gyro_noise(self) -> float:
        """The same of the gyroscope, rad/s per root hertz."""
        return _worst(self.gyro)


def calibrate_bar(stream: Stream, *, made: str = "") -> BarFit:
    """Bias, scale and misalignment of a bar sensor that was laid still in one position after the other.

    Parameters
    ----------
    stream : Stream
        A calibration in its device file is left out of account.
    made : str
        When and of what, for the device file.

    Notes
    -----
    The accelerometer is fitted with nothing but gravity (`calibrate_accel`), the gyroscope with the turns between the
    positions (`calibrate_gyro`); local gravity comes from the device file's [site] and goes into the scale in full.
    Noise found earlier is kept.

    Raises
    ------
    InputError
        If there are too few still positions or they do not spread. A gyroscope that cannot be fitted is no reason.
    """
    old = stream.device.bar.calibration if stream.device.bar else None
    readings = _raw(stream)
    site = stream.device.site
    positions = still_positions(readings.accel_mps2, readings.gyro_radps, readings.rate_hz)
    accel = calibrate_accel(positions, local_gravity(site.latitude_deg, site.height_m))
    gyro, why = None, "the sensor has no gyroscope"
    if readings.gyro_radps is not None:
        try:
            gyro, why = calibrate_gyro(readings.gyro_radps, readings.rate_hz, positions, accel), ""
        except InputError as error:
            why = str(error)
    u = np.sqrt(np.diag(accel.covariance))
    calibration = msgspec.structs.replace(
        old or BarCalibration(),
        accel_bias_mps2=_vector(accel.bias_mps2),
        accel_matrix=_rows(accel.matrix),
        accel_bias_u_mps2=float(u[:3].max()),
        accel_scale_u=float(u[3:6].max()),
        made=made,
    )
    if gyro is not None:
        calibration = msgspec.structs.replace(
            calibration,
            gyro_bias_radps=_vector(gyro.bias_radps),
            gyro_matrix=_rows(gyro.matrix),
            gyro_scale_u=gyro.scale_u,
        )
    return BarFit(accel, gyro, why, calibration)


def bar_noise(stream: Stream) -> BarNoise:
    """Noise figures of a bar sensor from its longest rest in a recording.

    Parameters
    ----------
    stream : Stream
        Of a sensor that lay still, best for an hour; ten minutes show the white noise.

    Raises
    ------
    InputError
        If it does not rest for a minute, or samples are missing there.
    CannotMeasure
        As `noise_figures`.
    """
    readings = _raw(stream)
    rests = bar_rests(readings.accel_mps2, readings.gyro_radps, readings.rate_hz)
    first, last = max(rests, key=lambda r: r[1] - r[0], default=(0, 0))
    seconds = (last - first) / readings.rate_hz
    if seconds < SHORTEST_NOISE_S:
        raise InputError(
            f"{stream.source}: the longest rest is {seconds:.0f} s; a minute is needed and an hour is good: lay the "
            "sensor on a firm floor and leave the room quiet."
        )
    missing = float(readings.missing[first:last].mean())
    if missing > LARGEST_MISSING_FRAC:
        raise InputError(
            f"{stream.source}: {100.0 * missing:.1f} % of the samples of the rest are missing, at most "
            f"{100.0 * LARGEST_MISSING_FRAC:g} % are allowed; record again over a cable or nearer."
        )

    def figures(values: FloatArray) -> tuple[NoiseFigures, ...]:
        return tuple(noise_figures(allan_deviation(v[first:last], readings.rate_hz)) for v in values.T)

    gyro = () if readings.gyro_radps is None else figures(readings.gyro_radps)
    return BarNoise(seconds, readings.rate_hz, figures(readings.accel_mps2), gyro)


def with_noise(calibration: BarCalibration | None, noise: BarNoise, *, made: str) -> BarCalibration:
    """Calibration with the noise that was found; a noise that was not seen leaves the old figure."""
    old = calibration or BarCalibration()
    return msgspec.structs.replace(
        old,
        accel_noise=noise.accel_noise or old.accel_noise,
        gyro_noise=noise.gyro_noise or old.gyro_noise,
        made=f"{old.made}; {made}" if old.made else made,
    )


def device_with(device: DeviceFile, calibration: BarCalibration) -> DeviceFile:
    """Device file with this calibration of its bar sensor."""
    assert device.bar is not None
    return msgspec.structs.replace(device, bar=msgspec.structs.replace(device.bar, calibration=calibration))


def _raw(stream: Stream) -> BarReadings:
    """Readings in SI without any calibration."""
    if stream.device.bar is None:
        return read_bar(stream)  # which says what is missing
    bare = msgspec.structs.replace(stream.device.bar, calibration=None)
    return read_bar(replace(stream, device=msgspec.structs.replace(stream.device, bar=bare)))


def _worst(figures: tuple[NoiseFigures, ...]) -> float:
    if not figures or not all(f.white.seen for f in figures):
        return 0.0
    return max(f.white.value for f in figures)


def _vector(values: FloatArray) -> Vector:
    x, y, z = (float(v) for v in values)
    return x, y, z


def _rows(matrix: FloatArray) -> tuple[Vector, Vector, Vector]:
    a, b, c = (_vector(row) for row in matrix)
    return a, b, c
