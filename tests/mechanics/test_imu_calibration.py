"""Calibration from still positions: what was put into a sensor comes out, and too little is refused."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from forcekit.errors import InputError
from forcekit.mechanics.gyro_calibration import GyroCalibration, calibrate_gyro
from forcekit.mechanics.imu_calibration import AccelCalibration, StillPosition, calibrate_accel, still_positions
from forcekit.model import FloatArray

G, RATE = 9.81, 100.0
FACES = tuple((sign * np.eye(3)[i]) for i in range(3) for sign in (1.0, -1.0))


@dataclass(frozen=True)
class Sensor:
    """A wrong sensor: reading = matrix⁻¹ (true) + bias."""

    bias: FloatArray
    matrix: FloatArray
    gyro_bias: FloatArray
    gyro_matrix: FloatArray


def wrong_sensor(rng: np.random.Generator) -> Sensor:
    """Bias 30 mg, scale 1 %, misalignment 5 mrad; gyroscope with 0.6 degree/s, 1 % in all nine."""
    t1, t2, t3 = rng.normal(0.0, 0.005, 3)
    skew = np.array([[1.0, -t1, t2], [0.0, 1.0, -t3], [0.0, 0.0, 1.0]])
    return Sensor(
        rng.normal(0.0, 0.3, 3), skew * (1.0 + rng.normal(0.0, 0.01, 3)), rng.normal(0.0, 0.01, 3),
        np.eye(3) + rng.normal(0.0, 0.01, (3, 3)),
    )  # fmt: skip


def recording(seed: int, n: int) -> tuple[Sensor, FloatArray, FloatArray]:
    """A sensor laid in n random attitudes for 2.5 s each, turned from one to the next within 1.5 s."""
    rng = np.random.default_rng(seed)
    sensor = wrong_sensor(rng)
    attitudes = [Rotation.random(rng=rng) for _ in range(n)]
    accel, gyro = [], []
    still, moving = int(2.5 * RATE), int(1.5 * RATE)
    pace = (1.0 - np.cos(2.0 * np.pi * (np.arange(moving) + 0.5) / moving)) / moving
    for k, attitude in enumerate(attitudes):
        accel.append(np.tile(attitude.inv().apply([0.0, 0.0, G]), (still, 1)))
        gyro.append(np.zeros((still, 3)))
        if k + 1 < n:
            turn = (attitude.inv() * attitudes[k + 1]).as_rotvec()
            done = np.cumsum(pace) - 0.5 * pace
            accel.append((attitude * Rotation.from_rotvec(np.outer(done, turn))).inv().apply([0.0, 0.0, G]))
            gyro.append(np.outer(pace * RATE, turn))
    a, w = np.vstack(accel), np.vstack(gyro)
    read_a = a @ np.linalg.inv(sensor.matrix).T + sensor.bias + 1.5e-2 * rng.standard_normal(a.shape)
    read_w = w @ np.linalg.inv(sensor.gyro_matrix).T + sensor.gyro_bias + 1.75e-3 * rng.standard_normal(w.shape)
    return sensor, read_a, read_w


@cache
def calibrated(seed: int) -> tuple[Sensor, AccelCalibration, GyroCalibration]:
    """Both calibrations of one recording with 16 attitudes."""
    sensor, accel, gyro = recording(seed, 16)
    positions = still_positions(accel, gyro, RATE)
    assert len(positions) == 16
    found = calibrate_accel(positions, G)
    return sensor, found, calibrate_gyro(gyro, RATE, positions, found)


@pytest.mark.parametrize("seed", range(4))
def test_all_nine_numbers_come_back_within_their_uncertainty(seed: int) -> None:
    """Bias, scale and misalignment are within four standard uncertainties, and these are small."""
    sensor, found, _ = calibrated(seed)
    assert found.full
    u = np.sqrt(np.diag(found.covariance))
    scale = np.diag(sensor.matrix)
    skew = np.array([-sensor.matrix[0, 1], sensor.matrix[0, 2], -sensor.matrix[1, 2]]) / scale[[1, 2, 2]]
    off = np.concatenate([found.bias_mps2 - sensor.bias, found.scale - scale, found.skew - skew])
    assert np.all(np.abs(off) < 4.0 * u)
    assert np.all(u[:3] < 0.01)  # 1 mg
    assert np.all(u[3:] < 0.002)


def test_corrected_forces_have_the_size_of_gravity() -> None:
    """After the correction a still sensor reads gravity whatever its attitude, in positions it has not seen."""
    sensor, found, _ = calibrated(0)
    attitudes = Rotation.random(50, rng=np.random.default_rng(99)).inv().apply([0.0, 0.0, G])
    read = attitudes @ np.linalg.inv(sensor.matrix).T + sensor.bias
    assert np.abs(np.linalg.norm(read, axis=1) - G).max() > 0.1
    # Four standard uncertainties of 1 mg.
    np.testing.assert_allclose(np.linalg.norm(found.apply(read), axis=1), G, atol=0.02)


@pytest.mark.parametrize("seed", range(4))
def test_gyroscope_comes_back(seed: int) -> None:
    """Bias within 0.02 degree/s and all nine numbers of the gyroscope within four standard uncertainties."""
    sensor, _, found = calibrated(seed)
    assert found.full
    np.testing.assert_allclose(found.bias_radps, sensor.gyro_bias, atol=math.radians(0.02))
    off = np.abs(found.matrix - sensor.gyro_matrix)
    assert np.diag(off).max() < 4.0 * found.scale_u
    assert off.max() < 4.0 * max(found.scale_u, found.skew_u)
    assert found.scale_u < 0.003


def still(directions: tuple[FloatArray, ...], sensor: Sensor | None = None) -> tuple[StillPosition, ...]:
    """Perfect still positions in these attitudes."""
    out = []
    for d in directions:
        force = G * np.asarray(d) / np.linalg.norm(d)
        if sensor is not None:
            force = np.linalg.solve(sensor.matrix, force) + sensor.bias
        out.append(StillPosition(0, 250, force, 1e-3))
    return tuple(out)


def test_six_faces_tell_bias_and_scale() -> None:
    """Six faces give bias and scale exactly; the misalignment stays unknown with its prior."""
    sensor = Sensor(np.array([0.2, -0.1, 0.3]), np.diag([1.01, 0.99, 1.02]), np.zeros(3), np.eye(3))
    found = calibrate_accel(still(FACES, sensor), G)
    assert not found.full
    np.testing.assert_allclose(found.bias_mps2, sensor.bias, atol=1e-6)
    np.testing.assert_allclose(found.scale, [1.01, 0.99, 1.02], atol=1e-7)
    np.testing.assert_array_equal(found.skew, 0.0)
    assert found.covariance[8, 8] == pytest.approx(0.003**2)


def test_the_same_face_twice_is_one_position() -> None:
    """Five faces, some of them twice, are five."""
    with pytest.raises(InputError, match="holds 5 still positions"):
        calibrate_accel(still((*FACES[:5], *FACES[:3])), G)


def test_positions_on_one_side_are_refused() -> None:
    """Twelve positions that lean at most 50 degrees do not tell bias from scale."""
    leaning = tuple(
        Rotation.from_rotvec(math.radians(lean) * np.array([math.cos(k), math.sin(k), 0.0])).apply([0.0, 0.0, 1.0])
        for k, lean in enumerate((0, 15, 50, 15, 30, 50, 30, 50, 15, 30, 50, 50))
    )
    with pytest.raises(InputError, match="do not spread enough"):
        calibrate_accel(still(leaning), G)


def test_a_sensor_that_moved_is_refused() -> None:
    """Forces that no bias and scale bring to gravity are named with their size."""
    rng = np.random.default_rng(1)
    shaken = tuple(
        StillPosition(0, 250, p.force_mps2 + rng.normal(0.0, 0.3, 3), 1e-3)
        for p in still((*FACES, *[rng.standard_normal(3) for _ in range(10)]))
    )
    with pytest.raises(InputError, match="still differ from gravity"):
        calibrate_accel(shaken, G)


def test_too_few_turns_are_refused() -> None:
    """A gyroscope that was hardly turned cannot be calibrated."""
    _, accel, gyro = recording(0, 5)
    positions = still_positions(accel, gyro, RATE)
    _, found, _ = calibrated(0)
    with pytest.raises(InputError, match="turns of 17 degrees"):
        calibrate_gyro(gyro, RATE, positions, found)
