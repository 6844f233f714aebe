"""The strapdown solution of the sensor, its correction, and the step from the sensor to the middle of the bar."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forcekit.mechanics.motion import running_integral
from forcekit.mechanics.rest_basis import (
    ACCEL_BIAS,
    ACCEL_SCALE,
    ATTITUDE,
    CONSTANTS,
    GYRO_BIAS,
    GYRO_SCALE,
    VELOCITY,
    Basis,
)
from forcekit.mechanics.strapdown import align_to_gravity, integral, orientation, rotation_vectors, turn_matrices
from forcekit.model import FloatArray

__all__ = ["Path", "Readings", "aligned", "bar_angle", "corrected", "navigate", "to_middle"]


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """What goes into the strapdown solution.

    Attributes
    ----------
    accel_mps2, gyro_radps : array, shape (n, 3)
    step_s, gravity_mps2 : float
    reference : int
        Sample in the middle of stance.
    start : array, shape (3, 3)
        Attitude there, sensor to level frame, before any correction.
    """

    accel_mps2: FloatArray
    gyro_radps: FloatArray
    step_s: float
    gravity_mps2: float
    reference: int
    start: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """A strapdown solution of the sensor: attitude R (n, 3, 3), corrected readings, motion in the level frame."""

    attitude: FloatArray
    force_mps2: FloatArray
    gyro_radps: FloatArray
    acceleration_mps2: FloatArray
    velocity_mps: FloatArray
    travel_m: FloatArray


def _turned_from(start: FloatArray, gyro: FloatArray, step_s: float, reference: int) -> FloatArray:
    """Attitude at all samples when it is `start` at the reference sample."""
    return orientation(start, rotation_vectors(gyro, step_s), reference)


def aligned(
    accel_mps2: FloatArray, gyro_radps: FloatArray, step_s: float, *, stance: tuple[int, int], left:
    FloatArray, gravity_mps2: float,
) -> Readings:  # fmt: skip
    """Level and heading from stance: mean force points up, the shaft's left end lies in the plane of y and z.

    Parameters
    ----------
    accel_mps2, gyro_radps : array, shape (n, 3)
        The gyroscope as read; its mean over stance is taken for its bias here.
    step_s : float, second
    stance : (int, int)
    left : array, shape (3,)
        The shaft's direction to the left, in the sensor's axes.
    gravity_mps2 : float
    """
    first, last = stance
    # As for attitudes, the samples of one axis lie side by side in memory.
    accel_mps2, gyro_radps = np.asfortranarray(accel_mps2), np.asfortranarray(gyro_radps)
    reference = (first + last) // 2
    part = gyro_radps[first:last]
    chain = _turned_from(np.eye(3), part - part.mean(axis=0), step_s, reference - first)
    force = np.einsum("nij,nj->i", chain, accel_mps2[first:last]) / (last - first)
    return Readings(accel_mps2, gyro_radps, step_s, gravity_mps2, reference, align_to_gravity(force, left))


def navigate(readings: Readings, constants: FloatArray) -> Path:
    """Strapdown solution with given constant errors taken out; velocity and travel are counted from the reference.

    Parameters
    ----------
    readings : Readings
    constants : array, shape (18,)
        See `rest_basis`.
    """
    h, ref = readings.step_s, readings.reference
    force = (readings.accel_mps2 - constants[ACCEL_BIAS]) / (1.0 + constants[ACCEL_SCALE])
    gyro = (readings.gyro_radps - constants[GYRO_BIAS]) / (1.0 + constants[GYRO_SCALE])
    start = turn_matrices(constants[ATTITUDE]) @ readings.start
    attitude = _turned_from(start, gyro, h, ref)
    acceleration = np.einsum("nij,nj->ni", attitude, force)
    acceleration[:, 2] -= readings.gravity_mps2
    velocity = integral(acceleration, h)
    velocity += constants[VELOCITY] - velocity[ref]
    travel = integral(velocity, h)
    return Path(attitude, force, gyro, acceleration, velocity, travel - travel[ref])


def corrected(path: Path, basis: Basis, estimate: FloatArray, step_s: float, reference: int) -> Path:
    """Add the estimated white noise to a solution whose constants are already taken out.

    Parameters
    ----------
    path : Path
    basis : Basis
    estimate : array, shape (n_sources,)
    step_s : float, second
    reference : int
    """
    n, k = path.velocity_mps.shape[0], basis.n_steps
    t = step_s * np.arange(n)
    accel = estimate[CONSTANTS : CONSTANTS + 3 * k].reshape(k, 3)
    gyro = estimate[CONSTANTS + 3 * k :].reshape(k, 3)
    turned = np.vstack([np.zeros(3), np.cumsum(gyro * np.diff(basis.edges_s)[:, None], axis=0)])
    psi = np.stack([np.interp(t, basis.edges_s, column) for column in turned.T])
    psi -= psi[:, reference, None]
    x, y, z = np.einsum("nij,nj->in", path.attitude, path.force_mps2)
    samples = np.diff(np.searchsorted(t, basis.edges_s[1:-1]), prepend=0, append=n)
    change = np.repeat(accel.T, samples, axis=1)
    change += np.stack([psi[1] * z - psi[2] * y, psi[2] * x - psi[0] * z, psi[0] * y - psi[1] * x])
    speed = running_integral(change, step_s)
    speed -= speed[:, reference, None]
    way = running_integral(speed, step_s)
    way -= way[:, reference, None]
    return Path(
        attitude=np.einsum("nij,njk->nik", turn_matrices(psi.T), path.attitude),
        force_mps2=path.force_mps2,
        gyro_radps=path.gyro_radps,
        acceleration_mps2=path.acceleration_mps2 + change.T,
        velocity_mps=path.velocity_mps + speed.T,
        travel_m=path.travel_m + way.T,
    )


def to_middle(
    path: Path, lever_m: FloatArray, step_s: float, smooth_s: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Acceleration, velocity and travel of the bar's middle, the arm to the sensor and the rate of turn.

    Parameters
    ----------
    path : Path
        Of the sensor.
    lever_m : array, shape (3,)
        From the middle to the sensor in the sensor's axes.
    step_s, smooth_s : float, second
        The rate of turn is smoothed over about `smooth_s` (a Gaussian's width), lest the noise of single readings
        times the arm be taken for velocity; angular acceleration is its slope.

    Returns
    -------
    five arrays of shape (n, 3), level frame
    """
    from scipy.ndimage import gaussian_filter1d

    arm = np.einsum("nij,j->ni", path.attitude, lever_m)
    turn = np.einsum("nij,nj->ni", path.attitude, path.gyro_radps)
    if not lever_m.any():
        return path.acceleration_mps2, path.velocity_mps, path.travel_m, arm, turn
    turn = gaussian_filter1d(turn, smooth_s / step_s, axis=0, mode="nearest")
    velocity = path.velocity_mps - np.cross(turn, arm)
    spin = np.gradient(turn, step_s, axis=0)
    acceleration = path.acceleration_mps2 - np.cross(spin, arm) - np.cross(turn, np.cross(turn, arm))
    return acceleration, velocity, path.travel_m - arm, arm, turn


def bar_angle(attitude: FloatArray, left: FloatArray, stance: tuple[int, int], reference: int) -> FloatArray:
    """Rotation about the shaft from its mean over stance, positive when the elbows go up, shape (n,).

    Parameters
    ----------
    attitude : array, shape (n, 3, 3)
    left : array, shape (3,)
    stance : (int, int)
    reference : int

    Notes
    -----
    The bar's axes at the reference instant are x level and forward, y along the shaft, z the third. With B
    the rotation of these axes into the level frame, the angle about the shaft is -atan2(-B31, B33): the turn
    that remains when heading and slant of the shaft are taken out. Right-handed about -y: the elbows are in
    front of the bar, and when they rise the front of the shaft goes up.
    """
    shaft = attitude[reference] @ left
    forward = np.cross(shaft, [0.0, 0.0, 1.0])
    forward /= np.linalg.norm(forward)
    axes = np.column_stack([forward, shaft, np.cross(forward, shaft)])
    in_sensor = attitude[reference].T @ axes
    last_row = [np.einsum("ni,i->n", attitude[:, 2], in_sensor[:, k]) for k in (0, 2)]
    angle = np.unwrap(-np.arctan2(-last_row[0], last_row[1]))
    return np.asarray(angle - angle[stance[0] : stance[1]].mean())
