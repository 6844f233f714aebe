"""Individuals and EWMA charts of numbers in order of time."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from forcekit.errors import InputError
from forcekit.model import FloatArray

__all__ = ["EwmaChart", "IndividualsChart", "ewma_chart", "individuals_chart"]

D2_OF_TWO = 1.128
"""Mean range of two standard normal values, 2/√π = 1.12838, as printed in the tables of control-chart
factors."""
D4_OF_TWO = 0.954
"""Median range of two standard normal values, √2·Φ⁻¹(0.75) = 0.95387, as printed in the same tables."""
RANGE_LIMIT = 3.267
"""Upper limit factor of the mean range of two values, as printed in the same tables."""
NEWEST_WEIGHT = 0.3
"""λ of the EWMA; 0.2 to 0.3 is common practice."""


@dataclass(frozen=True, slots=True, eq=False)
class IndividualsChart:
    """Single values against limits from their moving range.

    Attributes
    ----------
    centre, sigma, low, high : float
    moving_range, range_high : float
        Mean (robust: median) moving range of neighbours and the upper limit of one.
    outside : tuple of int
        Indices of the values outside the limits.
    range_outside : tuple of int
        Indices of the values that jump too far from the one before.
    """

    centre: float
    sigma: float
    low: float
    high: float
    moving_range: float
    range_high: float
    outside: tuple[int, ...]
    range_outside: tuple[int, ...]


def individuals_chart(
    values: FloatArray, *, sessions: FloatArray | None = None, robust: bool = False
) -> IndividualsChart:
    """Individuals and moving-range chart of reps in the order they were lifted.

    Parameters
    ----------
    values : array, shape (n,)
        In order of time, no NaN.
    sessions : array, shape (n,), optional
        Session of each value; the range is then taken from session to session.
    robust : bool
        Medians in place of means: a few odd values hardly move centre and limits. The price: of 20 steady values
        1.0 % lie outside, and not 0.25 % (simulated).

    Notes
    -----
    Limits are mean ± 3·MR/1.128 with MR the mean absolute difference of neighbours; ranges above 3.267·MR
    are flagged. Slow drift widens the limits little, which is why the moving range is used and not the
    standard deviation. robust: median ± 3·MR/0.954 with MR the median of these differences.

    Reps of one session are alike, so differences between them say too little of the next day: with 4 reps a
    session and half of the variance between days, 1.8 % of steady reps leave such limits and not 0.27 %
    (simulated). With sessions, neighbours are therefore each rep of a session and each rep of the next one;
    for sessions of one rep that is the usual moving range.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2 (seen in secondary copies only). Median
    moving range: 0.954 as in the manual of a general statistics package. Ranges from session to session:
    derived here, E|x − y| and median of |x − y| need independent x and y only.
    """
    x = _in_order(values, 3)
    moving_range, sigma = _spread(x, sessions, robust)
    centre = float(np.median(x)) if robust else float(x.mean())
    low, high = centre - 3.0 * sigma, centre + 3.0 * sigma
    range_high = RANGE_LIMIT * D2_OF_TWO * sigma
    outside = tuple(int(i) for i in np.flatnonzero((x < low) | (x > high)))
    jumps = tuple(int(i) + 1 for i in np.flatnonzero(np.abs(np.diff(x)) > range_high))
    return IndividualsChart(centre, sigma, low, high, moving_range, range_high, outside, jumps)


@dataclass(frozen=True, slots=True, eq=False)
class EwmaChart:
    """Exponentially weighted mean with its limits, one per value."""

    ewma: FloatArray
    low: FloatArray
    high: FloatArray
    centre: float
    sigma: float
    outside: tuple[int, ...]


def ewma_chart(
    values: FloatArray,
    *,
    centre: float | None = None,
    sigma: float | None = None,
    weight: float = NEWEST_WEIGHT,
    width: float = 3.0,
    growing_limits: bool = True,
    robust: bool = False,
) -> EwmaChart:
    """Chart that notices a small lasting change sooner than single values do.

    Parameters
    ----------
    values : array, shape (n,)
        In order of time, no NaN, independent of each other when nothing changes: session means, not reps.
    centre, sigma : float, optional
        From an earlier, steady period; else the mean and moving-range sigma of these values.
    weight : float
        λ, weight of the newest value; 0.2 to 0.3 is common practice.
    width : float
        L, limits in standard deviations; 3 is common practice.
    growing_limits : bool
        True: exact limits, narrower for the first values; False: the limits far from the start for all.
    robust : bool
        Centre and sigma, where not given, from medians as in `individuals_chart`.

    Notes
    -----
    z_t = λ·x_t + (1 − λ)·z_{t−1}, z_0 = centre; limits centre ± L·σ·√(λ/(2−λ)·[1 − (1−λ)^{2t}]).

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.4 (seen in secondary copies only).
    """
    x = _in_order(values, 1 if centre is not None and sigma is not None else 3)
    if not 0.0 < weight <= 1.0:
        raise InputError(f"EWMA chart: the weight is {weight:g}; more than 0 and at most 1 is allowed. Use 0.2 to 0.3.")
    mid = float(np.median(x) if robust else x.mean()) if centre is None else centre
    spread = _spread(x, None, robust)[1] if sigma is None else sigma
    ewma = np.empty(x.size)
    z = mid
    for i, value in enumerate(x):
        z = weight * float(value) + (1.0 - weight) * z
        ewma[i] = z
    steps = np.arange(1, x.size + 1)
    grown = 1.0 - (1.0 - weight) ** (2 * steps) if growing_limits else np.ones(x.size)
    half = width * spread * np.sqrt(weight / (2.0 - weight) * grown)
    outside = tuple(int(i) for i in np.flatnonzero(np.abs(ewma - mid) > half))
    return EwmaChart(ewma, mid - half, mid + half, mid, spread, outside)


def _in_order(values: FloatArray, least: int) -> FloatArray:
    if values.ndim != 1 or values.size < least or not np.all(np.isfinite(values)):
        raise InputError(
            f"control chart: {values.size} values, all finite: {bool(np.all(np.isfinite(values)))}; at least "
            f"{least} numbers in order of time are needed. Leave out reps without the measure."
        )
    return values


def _spread(x: FloatArray, sessions: FloatArray | None, robust: bool) -> tuple[float, float]:
    """Moving range and the standard deviation it stands for."""
    parts = [] if sessions is None else np.split(x, np.flatnonzero(np.diff(sessions) != 0.0) + 1)
    if len(parts) > 1:
        ranges = np.concatenate([np.abs(a[:, None] - b[None, :]).ravel() for a, b in pairwise(parts)])
    else:
        ranges = np.abs(np.diff(x))
    moving_range = float(np.median(ranges) if robust else ranges.mean())
    return moving_range, moving_range / (D4_OF_TWO if robust else D2_OF_TWO)
