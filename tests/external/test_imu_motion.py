"""Orientation, velocity and displacement from a real sensor against optical motion capture and other libraries.

Data: Laidig D, Caruso M, Cereatti A, Seel T (2021), BROAD - A Benchmark for Robust Inertial Orientation Estimation,
Data 6(7):72 (CC BY 4.0), trials of slow translation with breaks and of fast translation, 285.7 Hz, hand-held. The
optical position is that of a marker cluster whose distance from the sensor is not taken out, so a few millimetres of
the differences are not ours. Libraries: ahrs 0.4 and imufusion 1.3, both general-purpose.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import ahrs
import imufusion
import numpy as np
import pytest
from helpers import open_data
from scipy.io import loadmat
from scipy.ndimage import gaussian_filter1d
from scipy.spatial.transform import Rotation

from forcekit.mechanics.bar import bar_motion
from forcekit.mechanics.bar_axis import ShaftAxis
from forcekit.mechanics.bar_readout import bar_at
from forcekit.mechanics.bar_stillness import StillSettings, bar_rests
from forcekit.mechanics.strapdown import orientation, rotation_vectors
from forcekit.model import FloatArray

SLOW, FAST = "imu_slow_translation_breaks", "imu_fast_translation"


@dataclass(frozen=True)
class Trial:
    """Readings, optical attitude (sensor to east-north-up, x y z w) and position, where the labels say it moved."""

    accel: FloatArray
    gyro: FloatArray
    attitude: FloatArray
    position: FloatArray
    moving: FloatArray
    rate_hz: float

    @property
    def rests(self) -> tuple[tuple[int, int], ...]:
        """Rests of half a second and more."""
        return bar_rests(self.accel, self.gyro, self.rate_hz, settings=StillSettings(shortest_s=0.5))


@cache
def trial(name: str) -> Trial:
    """One trial."""
    data = loadmat(open_data("imu_motion_truth") / f"{name}.mat")
    return Trial(
        data["imu_acc"], data["imu_gyr"], data["opt_quat"][:, [1, 2, 3, 0]], data["opt_pos"], data["movement"][:, 0],
        float(data["sampling_rate"][0, 0]),
    )  # fmt: skip


@pytest.mark.parametrize(("name", "n"), [(SLOW, 5), (FAST, 2)])
def test_rests_are_those_of_the_labels(name: str, n: int) -> None:
    """Rests found from the sensor begin and end within 0.25 s of the labelled moving phases."""
    t = trial(name)
    found = t.rests
    assert len(found) == n
    edges = np.flatnonzero(np.diff(t.moving)) / t.rate_hz
    ours = np.array([(a[1], b[0]) for a, b in pairwise(found)]).ravel() / t.rate_hz
    np.testing.assert_allclose(ours, edges, atol=0.25)


def test_orientation_over_half_a_minute() -> None:
    """Gyroscope alone over each moving phase of 20 to 30 s of slow translation ends within 2.5 degrees.

    The data's description names 1.3 to 2.0 degrees for such an integration.
    """
    t = trial(SLOW)
    seen = np.flatnonzero(~np.isnan(t.attitude).any(axis=1))
    for (a0, a1), (b0, _) in pairwise(t.rests):
        i, j = int(seen[seen < a1][-1]), int(seen[seen >= b0][0])
        bias = t.gyro[a0:a1].mean(axis=0)
        ours = Rotation.from_matrix(
            orientation(np.eye(3), rotation_vectors(t.gyro[i : j + 1] - bias, 1.0 / t.rate_hz))[-1]
        )
        optical = Rotation.from_quat(t.attitude[i]).inv() * Rotation.from_quat(t.attitude[j])
        assert np.degrees((optical.inv() * ours).magnitude()) < 2.5


def test_orientation_agrees_with_two_libraries() -> None:
    """Ten seconds of real movement integrated by ahrs and by imufusion end where ours does.

    Both hold each reading over the step before it. With the same rule ahrs must agree to rounding and imufusion, which
    computes in single precision, to 0.05 degree. Our own rule, lines between readings, differs from theirs by half a
    step of the last less the first reading.
    """
    t = trial(FAST)
    first = round(60.0 * t.rate_hz)
    gyro = t.gyro[first : first + round(10.0 * t.rate_hz)]
    assert np.degrees(np.linalg.norm(gyro, axis=1).sum() / t.rate_hz) > 300.0
    held = Rotation.from_matrix(orientation(np.eye(3), gyro[1:] / t.rate_hz)[-1])
    start = np.array([1.0, 0.0, 0.0, 0.0])
    q = ahrs.filters.AngularRate(gyr=gyro, frequency=t.rate_hz, method="closed", q0=start).Q[-1]
    assert (Rotation.from_quat(q[[1, 2, 3, 0]]).inv() * held).magnitude() < 1e-9
    ours = Rotation.from_matrix(orientation(np.eye(3), rotation_vectors(gyro, 1.0 / t.rate_hz))[-1])
    half_step = 0.5 * np.linalg.norm(gyro[-1] - gyro[0]) / t.rate_hz
    assert (held.inv() * ours).magnitude() == pytest.approx(half_step, rel=0.3)
    filtered = imufusion.Ahrs()
    settings = imufusion.AhrsSettings()
    settings.sample_rate = t.rate_hz
    settings.gain = 0.0
    filtered.set_settings(settings)
    # The filter levels itself in its first seconds; a still sensor that is level leaves it at the identity.
    for _ in range(round(5.0 * t.rate_hz)):
        filtered.update_no_magnetometer(np.zeros(3), np.array([0.0, 0.0, 1.0]))
    for rate in np.degrees(gyro[1:]):
        filtered.update_no_magnetometer(rate, np.array([0.0, 0.0, 1.0]))
    w, x, y, z = np.asarray(filtered.get_quaternion(), dtype=np.float64)
    assert np.degrees((Rotation.from_quat([x, y, z, w]).inv() * held).magnitude()) < 0.05


@cache
def ends() -> FloatArray:
    """Errors of short stretches next to a rest, rows (s, three errors of travel, three uncertainties, error of speed).

    From every rest one second into the movement, forward and backward in time, with nothing but that rest known.
    """
    rows = []
    for t in (trial(SLOW), trial(FAST)):
        smooth = gaussian_filter1d(np.nan_to_num(t.position), 3.0, axis=0)
        speed = np.gradient(smooth, 1.0 / t.rate_hz, axis=0)
        for k, (a0, a1) in enumerate(t.rests):
            for ahead in (True, False):
                if (ahead and k + 1 == len(t.rests)) or (not ahead and k == 0):
                    continue
                back, on = round(3.0 * t.rate_hz), round(1.5 * t.rate_hz)
                lo, hi = (max(a0, a1 - back), a1 + on) if ahead else (a0 - on, min(a1, a0 + back))
                stance = (0, a1 - lo) if ahead else (a0 - lo, hi - lo)
                for dt in (0.7, 1.0):
                    n = stance[1] - 1 + round(dt * t.rate_hz) if ahead else stance[0] - round(dt * t.rate_hz)
                    rows.append([dt, *compared(t, lo, hi, stance, n, speed)])
    out = np.array(rows)
    return out[~np.isnan(out).any(axis=1)]


def compared(t: Trial, lo: int, hi: int, stance: tuple[int, int], n: int, speed: FloatArray) -> list[float]:
    """Errors and uncertainties of travel and the error of velocity at one sample of one stretch."""
    accel, gyro = t.accel[lo:hi], t.gyro[lo:hi]
    up = accel[stance[0] : stance[1]].mean(axis=0)
    left = np.cross(up, np.eye(3)[int(np.argmax(np.abs(up))) - 1])
    axis = ShaftAxis(left / np.linalg.norm(left), 0.02, True, "any level direction of the sensor")
    motion = bar_motion(accel, gyro, t.rate_hz, stance=stance, shaft_axis=axis, gravity_mps2=9.8127)
    middle = sum(stance) // 2
    # Our heading is that of the chosen axis; the optical one is east. Turn ours about the vertical.
    between = Rotation.from_quat(t.attitude[lo + middle]).as_matrix() @ motion.attitude[middle].T
    heading = Rotation.from_euler("z", np.arctan2(between[1, 0], between[0, 0]))
    true = t.position[lo + n] - np.nanmean(t.position[lo + stance[0] : lo + stance[1]], axis=0)
    off = heading.apply(motion.travel_m[n]) - true
    us = [bar_at(motion, "travel", n / t.rate_hz, d).u for d in ("forward", "left", "up")]  # type: ignore[arg-type]
    velocity = heading.apply(motion.velocity_mps[n]) - speed[lo + n]
    return [*off.tolist(), *us, float(np.linalg.norm(velocity))]


def test_displacement_of_short_stretches() -> None:
    """One second after (or before) a rest, height is within 5 mm and level position within 8 mm (root mean square)."""
    found = ends()
    assert found.shape[0] >= 18
    for dt in (0.7, 1.0):
        part = found[found[:, 0] == dt]
        assert np.sqrt(np.mean(part[:, 3] ** 2)) < 0.005
        assert np.sqrt(np.mean(part[:, 1:3] ** 2)) < 0.008


def test_intervals_hold_most_optical_positions() -> None:
    """At least 80 % of the 95 % intervals hold the optical position.

    Fewer than 95 % because a hand that has been called still for seconds is not a bar on the shoulders, and the
    marker cluster is not the sensor.
    """
    found = ends()
    held = np.abs(found[:, 1:4]) < 1.96 * found[:, 4:7]
    assert held.mean() > 0.80


def test_velocity_of_short_stretches() -> None:
    """One second after (or before) a rest, the velocity vector is within 25 mm/s of the optical one (median)."""
    assert np.median(ends()[:, 7]) < 0.025
