"""Bias, scale and misalignment of an accelerometer from still positions, with nothing but gravity as a reference.

At rest the force has the size of gravity whatever the attitude. With enough attitudes this tells nine numbers::

    a = T K (reading - b)      b bias      K = diag(scale)      T = | 1  -t1   t2 |
                                                                    | 0   1   -t3 |
                                                                    | 0   0    1  |
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from forcekit.errors import InputError
from forcekit.mechanics.bar_stillness import StillSettings, bar_rests
from forcekit.model import FloatArray

__all__ = ["AccelCalibration", "StillPosition", "calibrate_accel", "still_positions"]

FULL_FROM = 9
"""Nine unknowns need nine positions; with six to eight only bias and scale are fitted."""
FEWEST = 6
LEAST_SPREAD = 0.03
"""Smallest singular value of the design over the root of the number of positions; six faces give 0.58, a handful of
positions within 40 degrees less than 0.05 (own computation)."""
DISTINCT_RAD = 0.17
"""Positions closer than 10 degrees count as one (our choice)."""
LARGEST_MISFIT_MPS2 = 0.05
"""5 mg left over after the fit: the sensor moved, or is not linear (our choice)."""


@dataclass(frozen=True, slots=True, eq=False)
class StillPosition:
    """One still stretch: its samples, the mean force in it (m/s²) and the standard uncertainty of that mean."""

    first: int
    last: int
    force_mps2: FloatArray
    u_mps2: float


@dataclass(frozen=True, slots=True, eq=False)
class AccelCalibration:
    """What turns readings into forces: `apply`.

    Attributes
    ----------
    bias_mps2, scale, skew : array, shape (3,)
        b, the diagonal of K, and t1 t2 t3; skew is zero when it was not fitted.
    covariance : array, shape (9, 9)
        Of (bias, scale, skew); rows of what was not fitted hold the prior (`skew_u` squared).
    full : bool
        Whether skew was fitted.
    misfit_mps2 : float
        Root mean square of the size of the corrected force less gravity.
    n_positions : int
    """

    bias_mps2: FloatArray
    scale: FloatArray
    skew: FloatArray
    covariance: FloatArray
    full: bool
    misfit_mps2: float
    n_positions: int

    @property
    def matrix(self) -> FloatArray:
        """T K, shape (3, 3)."""
        return _matrix(self.scale, self.skew)

    def apply(self, accel_mps2: FloatArray) -> FloatArray:
        """Corrected forces, shape (n, 3)."""
        return np.asarray((accel_mps2 - self.bias_mps2) @ self.matrix.T)


def still_positions(
    accel_mps2: FloatArray, gyro_radps: FloatArray | None, rate_hz: float, *, shortest_s: float = 0.8
) -> tuple[StillPosition, ...]:
    """Still stretches of a recording in which the sensor was laid in one attitude after the other.

    Parameters
    ----------
    accel_mps2 : array, shape (n, 3)
    gyro_radps : array, shape (n, 3), or None
    rate_hz : float
    shortest_s : float, second

    Notes
    -----
    The size of the force may differ from position to position by up to 2.5 m/s² here, for this is what is to be
    calibrated. A stretch in the attitude of an earlier one is kept: it counts for the mean, not for the spread.
    """
    settings = StillSettings(gravity_mps2=2.5, shortest_s=shortest_s, accel_spread_mps2=0.15)
    out = []
    for first, last in bar_rests(accel_mps2, gyro_radps, rate_hz, settings=settings):
        part = accel_mps2[first:last]
        # Blocks of 0.1 s carry what a white spread would miss: a hand that trembles, a table that swings.
        block = max(1, round(0.1 * rate_hz))
        n = max(2, (last - first) // block)
        means = np.array([p.mean(axis=0) for p in np.array_split(part, n)])
        u = float(np.sqrt(means.var(axis=0, ddof=1).mean() / n))
        out.append(StillPosition(first, last, part.mean(axis=0), u))
    return tuple(out)


def distinct(positions: tuple[StillPosition, ...]) -> int:
    """Number of attitudes that differ from one another by 10 degrees and more."""
    kept: list[FloatArray] = []
    for p in positions:
        direction = p.force_mps2 / np.linalg.norm(p.force_mps2)
        if all(float(direction @ k) < np.cos(DISTINCT_RAD) for k in kept):
            kept.append(direction)
    return len(kept)


def _matrix(scale: FloatArray, skew: FloatArray) -> FloatArray:
    t1, t2, t3 = skew
    return np.array([[1.0, -t1, t2], [0.0, 1.0, -t3], [0.0, 0.0, 1.0]]) * scale


def calibrate_accel(
    positions: tuple[StillPosition, ...], gravity_mps2: float, *, skew_u: float = 0.003
) -> AccelCalibration:
    """Fit bias, scale and, with nine attitudes and more, misalignment of an accelerometer.

    Parameters
    ----------
    positions : tuple of StillPosition
        At least six attitudes, among them every face up and down; nine or more, well spread, for all nine numbers.
    gravity_mps2 : float
        Local gravity: an error of it goes into the scale in full.
    skew_u : float, radian
        Standard uncertainty of the misalignment when it cannot be fitted (usual data-sheet figure; from memory).

    Notes
    -----
    Least squares (Levenberg-Marquardt) of |a| - g, each position weighted by the uncertainty of its mean but no less
    than 1 mm/s². To first order this equals the published cost |a|² - g², divided by 2g. The covariance is scaled by
    the residuals when they are larger than expected.

    Raises
    ------
    InputError
        When there are too few attitudes, they do not spread enough to tell the numbers apart, or the fit leaves more
        than 0.05 m/s².

    References
    ----------
    Tedaldi D, Pretto A, Menegatti E (2014), A robust and easy to implement method for IMU calibration without
    external equipments, ICRA, 3042-3049 (model and cost; seen in secondary sources only).
    """
    n = distinct(positions)
    if n < FEWEST:
        raise InputError(
            f"the recording holds {n} still position{'s' if n != 1 else ''} that differ by 10 degrees and more; "
            "six are needed, each face up and down, and nine or more for the misalignment: add positions of 1 to 4 s."
        )
    means = np.array([p.force_mps2 for p in positions])
    sigma = np.array([max(p.u_mps2, 1e-3) for p in positions])

    def split(x: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        return gravity_mps2 * x[:3], 1.0 + x[3:6], x[6:9] if x.size == 9 else np.zeros(3)

    def residual(x: FloatArray) -> FloatArray:
        b, scale, skew = split(x)
        return np.asarray((np.linalg.norm((means - b) @ _matrix(scale, skew).T, axis=1) - gravity_mps2) / sigma)

    x, jacobian = _fitted(residual, sigma, gravity_mps2, full=n >= FULL_FROM)
    b, scale, skew = split(x)
    left = residual(x) * sigma
    misfit = float(np.sqrt(np.mean(left**2)))
    if misfit > LARGEST_MISFIT_MPS2:
        raise InputError(
            f"after the fit the forces still differ from gravity by {misfit:.3f} m/s² (0.05 is allowed); the sensor "
            "moved in some positions or its unit is wrong: record again on a firm support."
        )
    free = len(positions) - x.size
    excess = max(1.0, float(np.sum(residual(x) ** 2)) / free) if free > 0 else 1.0
    to_si = np.concatenate([np.full(3, gravity_mps2), np.ones(x.size - 3)])
    covariance = np.diag(np.concatenate([np.zeros(6), np.full(3, skew_u**2)]))
    covariance[: x.size, : x.size] = excess * np.linalg.inv(jacobian.T @ jacobian) * np.outer(to_si, to_si)
    return AccelCalibration(b, scale, skew, covariance, x.size == 9, misfit, len(positions))


def _fitted(
    residual: Callable[[FloatArray], FloatArray], sigma: FloatArray, gravity: float, *, full: bool
) -> tuple[FloatArray, FloatArray]:
    """Fit nine numbers if the attitudes allow, else six; refuse when not even those. Gives numbers and Jacobian."""
    from scipy.optimize import least_squares

    for n_numbers in (9, 6) if full else (6,):
        fit = least_squares(residual, np.zeros(n_numbers), method="lm", x_scale=0.01)
        jacobian = np.asarray(fit.jac, dtype=np.float64)
        singular = np.linalg.svd(jacobian * sigma[:, None] / gravity, compute_uv=False)
        if float(singular[-1]) / sigma.size**0.5 >= LEAST_SPREAD:
            return np.asarray(fit.x, dtype=np.float64), jacobian
    raise InputError(
        "the still positions do not spread enough to tell bias from scale; lay the sensor on each of its six faces, "
        "then on edges and corners."
    )
