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
    constants : Constants
        Columns of the constants.
    arm_m, turn_radps : array, shape (3, m)
        From the bar's middle to the sensor, and the rate of turn, in the level frame.
    edges_s : array, shape (k + 1,)
        Edges of the noise steps.
    """

    t_s: FloatArray
    reference_s: float
    constants: Constants
    arm_m: FloatArray
    turn_radps: FloatArray
    edges_s: FloatArray

    @property
    def n_steps(self) -> int:
        """Number of noise steps."""
        return self.edges_s.size - 1

    @property
    def n_sources(self) -> int:
        """Number of columns."""
        return CONSTANTS + 6 * self.n_steps

    def at(self, curve: FloatArray, t_s: FloatArray) -> FloatArray:
        """Interpolate an array of shape (..., m) on the grid to n other instants, shape (n, ...)."""
        return _between(self.t_s, curve, t_s)

    def middle(self, quantity: Literal["velocity", "travel"]) -> FloatArray:
        """Integral of the lever, once or twice, in the middle of each noise step, shape (3, 3, k)."""
        found = self.constants.middles.get(quantity)
        if found is None:
            middles = self.edges_s[:-1] + 0.5 * np.diff(self.edges_s)
            found = np.ascontiguousarray(self.at(self.constants(quantity)[:, ATTITUDE], middles).transpose(1, 2, 0))
            self.constants.middles[quantity] = found
        return found

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
            lever = self.at(self.arm_m, t)
            constants = rows[:, :, :CONSTANTS]
            if quantity == "velocity":
                constants += skew(lever) @ self.at(self.constants("rate"), t)
                lever = np.cross(self.at(self.turn_radps, t), lever)
            constants += skew(lever) @ self.at(self.constants("attitude"), t)
            gyro = rows[:, :, CONSTANTS + 3 * self.n_steps :].reshape(t.size, 3, -1, 3)
            gyro += skew(lever)[:, :, None, :] * self._lasted(t)[:, None, :, None]
        return rows

    def _lasted(self, t: FloatArray) -> FloatArray:
        """How much of each noise step lies before some instants, less what lies before the reference; shape (n, k)."""
        left, width = self.edges_s[:-1], np.diff(self.edges_s)
        before = np.minimum(np.maximum(t[:, None] - left, 0.0), width)
        return np.asarray(before - np.minimum(np.maximum(self.reference_s - left, 0.0), width))

    def _sensor_rows(self, quantity: Quantity, t: FloatArray) -> FloatArray:
        """Rows for the sensor itself.

        With a step's length before t, s(t), its whole length once its middle is past, w(t), and the two integrals F1,
        F2 of the lever F (zero at the reference instant r), a step of the gyroscope whose middle is m gives::

            velocity   (w(t) - s(r)) F1(t) - (w(t) - w(r)) F1(m)
            travel     (w(t) - s(r)) F2(t) - (w(t) - w(r)) (F2(m) + (t - m) F1(m))
        """
        k = self.n_steps
        out = np.zeros((t.size, 3, self.n_sources))
        out[:, :, :CONSTANTS] = self.at(self.constants(quantity), t)
        accel = out[:, :, CONSTANTS : CONSTANTS + 3 * k].reshape(t.size, 3, k, 3)
        gyro = out[:, :, CONSTANTS + 3 * k :].reshape(t.size, 3, k, 3)
        if quantity == "attitude":
            _on_diagonal(gyro, self._lasted(t))
        elif quantity == "acceleration":
            np.multiply(out[:, :, None, ATTITUDE], self._lasted(t)[:, None, :, None], out=gyro)
        elif quantity == "velocity":
            _on_diagonal(accel, self._lasted(t))
            self._by_turning(gyro, out[:, :, ATTITUDE], t, travel=False)
        elif quantity == "travel":
            left, width = self.edges_s[:-1], np.diff(self.edges_s)
            inside, ref = np.clip(t[:, None] - left, 0.0, width), np.clip(self.reference_s - left, 0.0, width)
            away = t - self.reference_s
            beyond = 0.5 * inside**2 + width * np.clip(t[:, None] - left - width, 0.0, None)
            at_ref = 0.5 * ref**2 + width * np.clip(self.reference_s - left - width, 0.0, None)
            _on_diagonal(accel, beyond - at_ref - away[:, None] * ref)
            self._by_turning(gyro, out[:, :, ATTITUDE], t, travel=True)
        return out

    def _by_turning(self, out: FloatArray, lever: FloatArray, t: FloatArray, *, travel: bool) -> None:
        """Velocity or travel from one unit of each gyroscope step, into `out` of shape (n, 3, k, 3)."""
        left, width = self.edges_s[:-1], np.diff(self.edges_s)
        middle = left + 0.5 * width
        after = np.where(t[:, None] > middle, width, 0.0)
        ref = np.clip(self.reference_s - left, 0.0, width)
        then = after - np.where(self.reference_s > middle, width, 0.0)
        since = after - ref
        first, away = self.middle("velocity"), t[:, None] - middle
        second = self.middle("travel") if travel else first
        # A lever is skew: nothing on its diagonal. One component at a time, all steps side by side.
        for i in range(3):
            for j in range(3):
                if i != j:
                    moved = second[i, j] + away * first[i, j] if travel else first[i, j]
                    out[:, i, :, j] = lever[:, i, j][:, None] * since - then * moved


def _between(grid_s: FloatArray, curve: FloatArray, t_s: FloatArray) -> FloatArray:
    """Interpolate an array of shape (..., m) on an even grid to n other instants, shape (n, ...)."""
    place = np.clip((t_s - grid_s[0]) / (grid_s[1] - grid_s[0]), 0.0, grid_s.size - 1.000001)
    i = place.astype(np.int64)
    part = place - i
    return np.moveaxis(curve[..., i] * (1.0 - part) + curve[..., i + 1] * part, -1, 0)


def _on_diagonal(blocks: FloatArray, values: FloatArray) -> None:
    """Write values (n, k) times the unit matrix into blocks of shape (n, 3, k, 3) that are zero."""
    for i in range(3):
        blocks[:, i, :, i] = values


class Constants:
    """Columns of the constants for each quantity, shape (3, 18, m), worked out when they are first asked for.

    ψ' = R δω and δa = ψ x Rf + R δf = F ψ + R δf with F = -[Rf x], δf and δω minus what bias and scale add to the
    readings. Those of an attitude error in acceleration, velocity and travel are the lever F and its two integrals from
    the reference instant.

    Parameters
    ----------
    r : array, shape (3, 3, m)
    force, gyro : array, shape (3, m)
    step_s : float, second
    i_reference : int
    """

    def __init__(self, r: FloatArray, force: FloatArray, gyro: FloatArray, step_s: float, i_reference: int) -> None:
        self._r, self._force, self._gyro, self._step_s, self._i_reference = r, force, gyro, step_s, i_reference
        self._known: dict[Quantity, FloatArray] = {}
        self.middles: dict[str, FloatArray] = {}
        """What `Basis.middle` has been asked for."""

    def __call__(self, quantity: Quantity) -> FloatArray:
        """Columns of a quantity."""
        found = self._known.get(quantity)
        if found is None:
            made = {
                "rate": self._rate, "attitude": self._attitude, "acceleration": self._acceleration,
                "velocity": self._velocity, "travel": self._travel,
            }  # fmt: skip
            found = self._known[quantity] = made[quantity]()
        return found

    def _none(self) -> FloatArray:
        return np.zeros((3, CONSTANTS, self._force.shape[1]))

    def _rate(self) -> FloatArray:
        out = self._none()
        np.negative(self._r, out=out[:, GYRO_BIAS])
        np.multiply(out[:, GYRO_BIAS], self._gyro, out=out[:, GYRO_SCALE])
        return out

    def _attitude(self) -> FloatArray:
        out = self._none()
        out[:, ATTITUDE] = np.eye(3)[:, :, None]
        for source in (GYRO_BIAS, GYRO_SCALE):
            self._integrate(self("rate")[:, source], out[:, source])
        return out

    def _acceleration(self) -> FloatArray:
        out, psi = self._none(), self("attitude")
        felt = np.einsum("ijm,jm->im", self._r, self._force)
        np.negative(self._r, out=out[:, ACCEL_BIAS])
        np.multiply(out[:, ACCEL_BIAS], self._force, out=out[:, ACCEL_SCALE])
        # ψ x Rf, row by row, for every source that turns.
        for source in (ATTITUDE, GYRO_BIAS, GYRO_SCALE):
            for i, (j, k) in enumerate(((1, 2), (2, 0), (0, 1))):
                out[i, source] = psi[j, source] * felt[k] - psi[k, source] * felt[j]
        return out

    def _velocity(self) -> FloatArray:
        out = self._none()
        out[:, VELOCITY] = np.eye(3)[:, :, None]
        rest = slice(ATTITUDE.start, CONSTANTS)
        self._integrate(self("acceleration")[:, rest], out[:, rest])
        return out

    def _travel(self) -> FloatArray:
        out = self._none()
        self._integrate(self("velocity"), out)
        return out

    def _integrate(self, rate: FloatArray, out: FloatArray) -> None:
        """Running trapezoid integral along the last axis that is zero at the reference."""
        areas = out[..., 1:]
        out[..., 0] = 0.0
        np.add(rate[..., 1:], rate[..., :-1], out=areas)
        areas *= 0.5 * self._step_s
        np.cumsum(areas, axis=-1, out=areas)
        out -= out[..., self._i_reference, None].copy()


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
    force, gyro = (
        np.ascontiguousarray(uniform_filter1d(v, stride, axis=0, mode="nearest")[pick].T)
        for v in (force_mps2, gyro_radps)
    )
    r = np.ascontiguousarray(attitude[pick].transpose(1, 2, 0))
    span = (attitude.shape[0] - 1) / rate_hz
    k = int(np.clip(np.ceil(span / noise_step_s), 1, most_steps))
    return Basis(
        t_s=(first + stride * np.arange(force.shape[1])) / rate_hz,
        reference_s=i_reference / rate_hz,
        constants=Constants(r, force, gyro, stride / rate_hz, i_reference // stride),
        arm_m=np.einsum("ijm,j->im", r, lever_m),
        turn_radps=np.einsum("ijm,jm->im", r, gyro),
        edges_s=np.linspace(0.0, span, k + 1),
    )
