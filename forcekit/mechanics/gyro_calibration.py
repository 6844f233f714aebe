"""Bias, scale and misalignment of a gyroscope from the turns between still positions of the same recording."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from forcekit.errors import InputError
from forcekit.mechanics.imu_calibration import AccelCalibration, StillPosition
from forcekit.mechanics.strapdown import rotation_vectors
from forcekit.model import FloatArray

__all__ = ["GyroCalibration", "calibrate_gyro"]

LEAST_TURNS = 6
LEAST_TURN_RAD = 0.3
"""Turns smaller than this say little about the scale (our choice)."""
LEAST_SPREAD = 0.05
"""Smallest singular value of the design (per turn) with which all nine numbers are fitted (our choice)."""
GRAVITY_U_RAD = 0.002
"""Standard uncertainty of a direction of gravity seen by the calibrated accelerometer: 2 mg (our choice)."""
STEP_HZ = 200.0


@dataclass(frozen=True, slots=True, eq=False)
class GyroCalibration:
    """What turns readings into rates of turn: `apply`.

    Attributes
    ----------
    bias_radps : array, shape (3,)
    matrix : array, shape (3, 3)
        rate = matrix @ (reading - bias); its diagonal is the scale, the rest the misalignment against the
        accelerometer.
    bias_u_radps, scale_u, skew_u : float
        Standard uncertainties (largest of the axes).
    full : bool
        Whether the misalignment was fitted.
    n_turns : int
    """

    bias_radps: FloatArray
    matrix: FloatArray
    bias_u_radps: float
    scale_u: float
    skew_u: float
    full: bool
    n_turns: int

    def apply(self, gyro_radps: FloatArray) -> FloatArray:
        """Corrected rates of turn, shape (n, 3)."""
        return np.asarray((gyro_radps - self.bias_radps) @ self.matrix.T)


def _turned(increments: FloatArray, matrix: FloatArray, start: FloatArray) -> FloatArray:
    """Direction of gravity in the sensor's axes after a turn made of rotation vectors."""
    x, y, z = start.tolist()
    for a, b, c in (increments @ matrix.T).tolist():
        # Rodrigues' formula with the sign turned round: what is fixed outside turns against the sensor.
        angle2 = a * a + b * b + c * c
        if angle2 == 0.0:
            continue
        angle = angle2**0.5
        s, k = math.sin(angle) / angle, (1.0 - math.cos(angle)) / angle2
        dot = a * x + b * y + c * z
        cosine = math.cos(angle)
        x, y, z = (
            x * cosine - s * (b * z - c * y) + a * dot * k,
            y * cosine - s * (c * x - a * z) + b * dot * k,
            z * cosine - s * (a * y - b * x) + c * dot * k,
        )
    return np.array([x, y, z])


def calibrate_gyro(
    gyro_radps: FloatArray,
    rate_hz: float,
    positions: tuple[StillPosition, ...],
    accel: AccelCalibration,
) -> GyroCalibration:
    """Fit a gyroscope so that its turns carry gravity from each still position to the next.

    Parameters
    ----------
    gyro_radps : array, shape (n, 3)
        Of the recording the positions come from.
    rate_hz : float
    positions : tuple of StillPosition
    accel : AccelCalibration

    Notes
    -----
    The bias is the mean over all still stretches. For each pair of neighbouring positions the corrected rates,
    integrated with exact increments, turn the direction of gravity; least squares of the difference to the direction
    seen there. Turns about the vertical are not seen, so the sensor should be turned about all of its axes while they
    are level. With fewer or less varied turns only the three scales are fitted.

    Raises
    ------
    InputError
        When there are fewer than six turns of 17 degrees and more, or they leave a scale open.

    References
    ----------
    Tedaldi, Pretto, Menegatti (2014), see `imu_calibration`.
    """
    from scipy.optimize import least_squares

    still = [gyro_radps[p.first : p.last] for p in positions]
    means = np.array([s.mean(axis=0) for s in still])
    bias = np.average(means, axis=0, weights=[s.shape[0] for s in still])
    bias_u = float(np.max(np.std(means, axis=0, ddof=1))) / len(still) ** 0.5 if len(still) > 1 else 0.0
    turns = _turns(gyro_radps - bias, rate_hz, positions, accel)
    if len(turns) < LEAST_TURNS:
        raise InputError(
            f"the recording holds {len(turns)} turns of 17 degrees and more between still positions; six are needed: "
            "turn the sensor about each of its axes, forth and back, resting a second or two in between."
        )

    def residual(x: FloatArray) -> FloatArray:
        matrix = np.diag(1.0 + x[:3])
        if x.size == 9:
            matrix[~np.eye(3, dtype=bool)] = x[3:]
        return np.concatenate([_turned(inc, matrix, a) - b for inc, a, b in turns]) / GRAVITY_U_RAD

    for n_numbers in (9, 3):
        fit = least_squares(residual, np.zeros(n_numbers), x_scale=0.01)
        jacobian = np.asarray(fit.jac, dtype=np.float64)
        singular = np.linalg.svd(jacobian * GRAVITY_U_RAD, compute_uv=False)
        if float(singular[-1]) / len(turns) ** 0.5 >= LEAST_SPREAD:
            break
    else:
        raise InputError(
            "the turns between the still positions leave the scale of an axis open; turn the sensor about each of its "
            "axes while that axis is level."
        )
    excess = max(1.0, 2.0 * fit.cost / max(1, 2 * len(turns) - n_numbers))
    u = np.sqrt(excess * np.diag(np.linalg.inv(jacobian.T @ jacobian)))
    matrix = np.diag(1.0 + fit.x[:3])
    if n_numbers == 9:
        matrix[~np.eye(3, dtype=bool)] = fit.x[3:]
    return GyroCalibration(
        bias_radps=np.asarray(bias),
        matrix=matrix,
        bias_u_radps=bias_u,
        scale_u=float(u[:3].max()),
        skew_u=float(u[3:].max()) if n_numbers == 9 else 0.01,
        full=n_numbers == 9,
        n_turns=len(turns),
    )


def _turns(
    gyro: FloatArray, rate_hz: float, positions: tuple[StillPosition, ...], accel: AccelCalibration
) -> list[tuple[FloatArray, FloatArray, FloatArray]]:
    """Rotation vectors of each turn at about 200 Hz, and gravity's direction before and after."""
    out = []
    group = max(1, round(rate_hz / STEP_HZ))
    directions = [accel.apply(p.force_mps2[None])[0] for p in positions]
    directions = [d / np.linalg.norm(d) for d in directions]
    for (p, a), (q, b) in zip(
        zip(positions[:-1], directions[:-1], strict=True), zip(positions[1:], directions[1:], strict=True), strict=True
    ):
        start, stop = (p.first + p.last) // 2, (q.first + q.last) // 2
        fine = rotation_vectors(gyro[start : stop + 1], 1.0 / rate_hz)
        edges = np.arange(0, fine.shape[0], group)
        increments = np.add.reduceat(fine, edges, axis=0)
        if float(np.linalg.norm(np.cross(a, b))) > np.sin(LEAST_TURN_RAD) or float(a @ b) < 0.0:
            out.append((increments, a, b))
    return out
