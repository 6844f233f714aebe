"""How attitude, velocity and travel of a strapdown solution move with each thing that can be wrong with it.

All error sources act linearly on the solution (they are small), so the whole error model is one matrix: rows
are quantities at instants, columns are sources. The first 18 columns are constants::

    velocity and attitude at the reference instant (3 + 3, level frame) · accelerometer bias (3) · gyroscope bias (3)
    · accelerometer scale (3) · gyroscope scale (3)            (the last four in the sensor's axes)

then follow the white noise of accelerometer and gyroscope as steps of a few hundredths of a second, three
each. Attitude errors ψ are small rotation vectors in the level frame: R_true = exp(ψ) R. Velocity and travel
are those of the bar's middle, not of the sensor: an attitude error also moves the arm between them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from forcekit.mechanics.strapdown import skew
from forcekit.model import FloatArray

__all__ = [
    "ACCEL_BIAS",
    "ACCEL_SCALE",
    "ATTITUDE",
    "CONSTANTS",
    "GYRO_BIAS",
    "GYRO_SCALE",
    "VELOCITY",
    "Basis",
    "Quantity",
    "build_basis",
]

VELOCITY, ATTITUDE, ACCEL_BIAS, GYRO_BIAS, ACCEL_SCALE, GYRO_SCALE = (slice(3 * i, 3 * i + 3) for i in range(6))
CONSTANTS = 18

Quantity = Literal["attitude", "rate", "acceleration", "velocity", "travel"]

COARSE_HZ = 250.0
"""The error model varies slowly; it is kept at this rate."""


@dataclass(frozen=True, slots=True, eq=False)
class Basis:
    """The error model of one strapdown solution.

    Attributes
    ----------
    t_s : array, shape (m,)
        Grid of the error model, seconds from the window's start.
    reference_s : float
        Instant at which velocity and attitude of the constants are meant and travel is zero.
    constants : mapping of quantity to array, shape (m, 3, 18)
    lever, lever1, lever2 : array, shape (m, 3, 3)
        F = -[Rf x], which turns an attitude error into one of acceleration, and its two integrals from the
        reference instant.
    arm_m, turn_radps : array, shape (m, 3)
        From the bar's middle to the sensor, and the rate of turn, in the level frame.
    edges_s : array, shape (k + 1,)
        Edges of the noise steps.
    middle1, middle2 : array, shape (3, k, 3)
        lever1 and lever2 in the middle of each noise step.
    """

    t_s: FloatArray
    reference_s: float
    constants: dict[Quantity, FloatArray]
    lever: FloatArray
    lever1: FloatArray
    lever2: FloatArray
    arm_m: FloatArray
    turn_radps: FloatArray
    edges_s: FloatArray
    middle1: FloatArray
    middle2: FloatArray

    @property
    def n_steps(self) -> int:
        """Number of noise steps."""
        return self.edges_s.size - 1

    @property
    def n_sources(self) -> int:
        """Number of columns."""
        return CONSTANTS + 6 * self.n_steps

    def at(self, curve: FloatArray, t_s: FloatArray) -> FloatArray:
        """Interpolate an array of shape (m, ...) on the grid to other instants."""
        return _between(self.t_s, curve, t_s)

    def rows(self, quantity: Quantity, t_s: FloatArray) -> FloatArray:
        """Rows of the error model for a quantity at some instants, shape (len(t_s), 3, n_sources).

        Notes
        -----
        With the arm a from the middle to the sensor and the rate of turn Ω, an attitude error ψ moves the
        middle by a x ψ against the sensor, and its velocity by a x ψ' + (Ω x a) x ψ. White noise of the
        gyroscope enters as a step of attitude in the middle of its interval, that of the accelerometer as
        constant acceleration over it. Rate and acceleration have no noise columns: the noise of a single
        sample is the caller's.
        """
        t = np.atleast_1d(np.asarray(t_s, dtype=np.float64))
        rows = self._sensor_rows(quantity, t)
        if quantity in ("velocity", "travel") and self.arm_m.any():
            arm, turn = self.at(self.arm_m, t), self.at(self.turn_radps, t)
            psi = self._sensor_rows("attitude", t)
            if quantity == "travel":
                rows += skew(arm) @ psi
            else:
                rows += skew(arm) @ self._sensor_rows("rate", t) + skew(np.cross(turn, arm)) @ psi
        return rows

    def _sensor_rows(self, quantity: Quantity, t: FloatArray) -> FloatArray:
        """Rows for the sensor itself.

        With a step's length before t, s(t), its whole length once its middle is past, w(t), and the two integrals F1,
        F2 of the lever F (zero at the reference instant r), a step of the gyroscope whose middle is m gives::

            velocity   (w(t) - s(r)) F1(t) - (w(t) - w(r)) F1(m)
            travel     (w(t) - s(r)) F2(t) - (w(t) - w(r)) (F2(m) + (t - m) F1(m))
        """
        k = self.n_steps
        out = np.zeros((t.size, 3, self.n_sources))
        out[:, :, :CONSTANTS] = self.at(self.constants[quantity], t)
        accel = out[:, :, CONSTANTS : CONSTANTS + 3 * k].reshape(t.size, 3, k, 3)
        gyro = out[:, :, CONSTANTS + 3 * k :].reshape(t.size, 3, k, 3)
        left, width = self.edges_s[:-1], np.diff(self.edges_s)
        inside = np.clip(t[:, None] - left, 0.0, width)
        ref = np.clip(self.reference_s - left, 0.0, width)
        if quantity == "attitude":
            _on_diagonal(gyro, inside - ref)
        elif quantity == "acceleration":
            np.multiply(self.at(self.lever, t)[:, :, None, :], (inside - ref)[:, None, :, None], out=gyro)
        elif quantity == "velocity":
            _on_diagonal(accel, inside - ref)
            self._by_turning(gyro, t, ref, travel=False)
        elif quantity == "travel":
            away = t - self.reference_s
            beyond = 0.5 * inside**2 + width * np.clip(t[:, None] - left - width, 0.0, None)
            at_ref = 0.5 * ref**2 + width * np.clip(self.reference_s - left - width, 0.0, None)
            _on_diagonal(accel, beyond - at_ref - away[:, None] * ref)
            self._by_turning(gyro, t, ref, travel=True)
        return out

    def _by_turning(self, out: FloatArray, t: FloatArray, ref: FloatArray, *, travel: bool) -> None:
        """Velocity or travel from one unit of each gyroscope step, into `out` of shape (n, 3, k, 3)."""
        width = np.diff(self.edges_s)
        middle = self.edges_s[:-1] + 0.5 * width
        after = np.where(t[:, None] > middle, width, 0.0)
        then = (after - np.where(self.reference_s > middle, width, 0.0))[:, None, :, None]
        lever = self.at(self.lever2 if travel else self.lever1, t)
        np.multiply(lever[:, :, None, :], (after - ref)[:, None, :, None], out=out)
        if travel:
            out -= then * (self.middle2 + (t[:, None] - middle)[:, None, :, None] * self.middle1)
        else:
            out -= then * self.middle1


def _between(grid_s: FloatArray, curve: FloatArray, t_s: FloatArray) -> FloatArray:
    """Interpolate an array of shape (m, ...) on an even grid to other instants."""
    place = np.clip((t_s - grid_s[0]) / (grid_s[1] - grid_s[0]), 0.0, grid_s.size - 1.000001)
    i = place.astype(np.int64)
    part = (place - i).reshape(-1, *([1] * (curve.ndim - 1)))
    return np.asarray(curve[i] * (1.0 - part) + curve[i + 1] * part)


def _on_diagonal(blocks: FloatArray, values: FloatArray) -> None:
    """Write values (n, k) times the unit matrix into blocks of shape (n, 3, k, 3) that are zero."""
    for i in range(3):
        blocks[:, i, :, i] = values


def _from_reference(rate: FloatArray, step_s: float, i_reference: int) -> FloatArray:
    """Running trapezoid integral that is zero at the reference."""
    total = np.zeros_like(rate)
    np.cumsum(0.5 * step_s * (rate[1:] + rate[:-1]), axis=0, out=total[1:])
    return np.asarray(total - total[i_reference])


def _constant_columns(
    r: FloatArray, force: FloatArray, gyro: FloatArray, step_s: float, i_reference: int
) -> tuple[dict[Quantity, FloatArray], FloatArray]:
    """Columns of the constants for each quantity, shape (m, 3, 18), and F = -[Rf x].

    ψ' = R δω and δa = ψ x Rf + R δf, with δf and δω minus what bias and scale add to the readings.
    """
    lever = -skew(np.einsum("nij,nj->ni", r, force))
    rate = np.zeros((force.shape[0], 3, CONSTANTS))
    rate[:, :, GYRO_BIAS] = -r
    rate[:, :, GYRO_SCALE] = -r * gyro[:, None, :]
    psi = _from_reference(rate, step_s, i_reference)
    psi[:, :, ATTITUDE] += np.eye(3)
    acceleration = np.einsum("nij,njk->nik", lever, psi)
    acceleration[:, :, ACCEL_BIAS] -= r
    acceleration[:, :, ACCEL_SCALE] -= r * force[:, None, :]
    velocity = _from_reference(acceleration, step_s, i_reference)
    velocity[:, :, VELOCITY] += np.eye(3)
    travel = _from_reference(velocity, step_s, i_reference)
    columns: dict[Quantity, FloatArray] = {
        "attitude": psi, "rate": rate, "acceleration": acceleration, "velocity": velocity, "travel": travel,
    }  # fmt: skip
    return columns, lever


def build_basis(
    attitude: FloatArray,
    force_mps2: FloatArray,
    gyro_radps: FloatArray,
    rate_hz: float,
    *,
    lever_m: FloatArray,
    i_reference: int,
    noise_step_s: float,
    most_steps: int = 250,
) -> Basis:
    """Error model of a strapdown solution.

    Parameters
    ----------
    attitude : array, shape (n, 3, 3)
        R, sensor to level frame.
    force_mps2, gyro_radps : array, shape (n, 3)
        Corrected readings in the sensor's axes.
    rate_hz : float
    lever_m : array, shape (3,)
        From the bar's middle to the sensor in the sensor's axes.
    i_reference : int
        Sample of the reference instant.
    noise_step_s : float, second
        Wanted length of a noise step; longer in long windows, so that there are at most `most_steps`.
    """
    from scipy.ndimage import uniform_filter1d

    # An odd stride: an average over an even number of samples would sit half a sample late.
    stride = max(1, int(rate_hz // COARSE_HZ) - 1 | 1)
    first = i_reference % stride
    pick = slice(first, None, stride)
    # Averaging over the stride keeps knocks from being missed or counted several times.
    force = uniform_filter1d(force_mps2, stride, axis=0, mode="nearest")[pick]
    gyro = uniform_filter1d(gyro_radps, stride, axis=0, mode="nearest")[pick]
    r = attitude[pick]
    step = stride / rate_hz
    i_ref = i_reference // stride
    m = force.shape[0]
    constants, lever = _constant_columns(r, force, gyro, step, i_ref)
    lever1 = _from_reference(lever, step, i_ref)
    t = (first + stride * np.arange(m)) / rate_hz
    span = (attitude.shape[0] - 1) / rate_hz
    k = int(np.clip(np.ceil(span / noise_step_s), 1, most_steps))
    edges = np.linspace(0.0, span, k + 1)
    lever2 = _from_reference(lever1, step, i_ref)
    middle1, middle2 = (_between(t, x, edges[:-1] + 0.5 * np.diff(edges)).transpose(1, 0, 2) for x in (lever1, lever2))
    return Basis(
        t_s=t,
        reference_s=i_reference / rate_hz,
        constants=constants,
        lever=lever,
        lever1=lever1,
        lever2=lever2,
        arm_m=r @ lever_m,
        turn_radps=np.einsum("nij,nj->ni", r, gyro),
        edges_s=edges,
        middle1=np.ascontiguousarray(middle1),
        middle2=np.ascontiguousarray(middle2),
    )
