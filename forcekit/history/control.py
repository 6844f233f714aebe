"""Control charts for one athlete: single values with their moving range, and the weighted mean."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forcekit.errors import InputError
from forcekit.history.wording import Wording, interval_text, number_text, wording
from forcekit.model import FloatArray

__all__ = ["EwmaChart", "IndividualsChart", "ewma_chart", "individuals_chart"]

D2_OF_TWO = 1.128
"""Mean range of two standard normal values, 2/√π = 1.12838, as printed in the tables of control-chart
factors."""

RANGE_LIMIT = 3.267
"""Upper limit factor of the range of two values, as printed in the same tables."""

ENOUGH_FOR_CHART = 20
"""In-control values from which the limits of a chart are trusted; common practice, from memory."""


@dataclass(frozen=True, slots=True, eq=False)
class IndividualsChart:
    """Single values against limits from their moving range.

    Attributes
    ----------
    centre, sigma, low, high : float
    mean_range, range_high : float
        Mean moving range of neighbours and its upper limit.
    outside : tuple of int
        Indices of the values outside the limits.
    range_outside : tuple of int
        Indices of the values that jump too far from the one before.
    """

    centre: float
    sigma: float
    low: float
    high: float
    mean_range: float
    range_high: float
    outside: tuple[int, ...]
    range_outside: tuple[int, ...]
    n: int
    sentence: str


def individuals_chart(
    values: FloatArray, *, measure: str = "value", unit: str = "", words: Wording | None = None
) -> IndividualsChart:
    """Individuals and moving-range chart of reps in the order they were lifted.

    Parameters
    ----------
    values : array, shape (n,)
        In order of time, no NaN.

    Notes
    -----
    Limits are mean ± 3·MR/1.128 with MR the mean absolute difference of neighbours; ranges above 3.267·MR
    are flagged. Slow drift widens the limits little, which is why the moving range is used and not the
    standard deviation. Fewer than 20 values, or values that depend on the one before, make the limits
    unsure; the sentence says so.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2 (seen in secondary copies only).
    """
    x = _in_order(values, 3)
    words = words or wording(measure, unit)
    ranges = np.abs(np.diff(x))
    mean_range = float(ranges.mean())
    sigma = mean_range / D2_OF_TWO
    centre = float(x.mean())
    low, high = centre - 3.0 * sigma, centre + 3.0 * sigma
    outside = tuple(int(i) for i in np.flatnonzero((x < low) | (x > high)))
    jumps = tuple(int(i) + 1 for i in np.flatnonzero(ranges > RANGE_LIMIT * mean_range))
    sentence = (
        f"{words.label}: centre {number_text(centre, words, sigma)}, limits "
        f"{interval_text(low, high, words)}, {_counted(outside)} of {x.size} reps outside{_few(x.size)}."
    )
    return IndividualsChart(
        centre, sigma, low, high, mean_range, RANGE_LIMIT * mean_range, outside, jumps, x.size, sentence
    )


@dataclass(frozen=True, slots=True, eq=False)
class EwmaChart:
    """Exponentially weighted mean of reps with its limits, one per rep."""

    ewma: FloatArray
    low: FloatArray
    high: FloatArray
    centre: float
    sigma: float
    outside: tuple[int, ...]
    n: int
    sentence: str


def ewma_chart(
    values: FloatArray,
    *,
    centre: float | None = None,
    sigma: float | None = None,
    weight: float = 0.3,
    width: float = 3.0,
    growing_limits: bool = True,
    measure: str = "value",
    unit: str = "",
    words: Wording | None = None,
) -> EwmaChart:
    """Chart that notices a small lasting change sooner than single values do.

    Parameters
    ----------
    values : array, shape (n,)
        In order of time, no NaN.
    centre, sigma : float, optional
        From an earlier, steady period; else the mean and moving-range sigma of these values.
    weight : float
        λ, weight of the newest rep; 0.2 to 0.3 is common practice.
    width : float
        L, limits in standard deviations; 3 is common practice.
    growing_limits : bool
        True: exact limits, narrower for the first reps; False: the limits far from the start for all.

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
    words = words or wording(measure, unit)
    mid = float(x.mean()) if centre is None else centre
    spread = float(np.abs(np.diff(x)).mean()) / D2_OF_TWO if sigma is None else sigma
    ewma = np.empty(x.size)
    z = mid
    for i, value in enumerate(x):
        z = weight * float(value) + (1.0 - weight) * z
        ewma[i] = z
    steps = np.arange(1, x.size + 1)
    grown = 1.0 - (1.0 - weight) ** (2 * steps) if growing_limits else np.ones(x.size)
    half = width * spread * np.sqrt(weight / (2.0 - weight) * grown)
    outside = tuple(int(i) for i in np.flatnonzero(np.abs(ewma - mid) > half))
    last = float(half[-1])
    first = f", first at rep {outside[0] + 1}" if outside else ""
    sentence = (
        f"{words.label}: weighted mean now {number_text(float(ewma[-1]), words, spread)}, limits "
        f"{interval_text(mid - last, mid + last, words)}; {_counted(outside)} of {x.size} reps outside"
        f"{first}{_few(x.size)}."
    )
    return EwmaChart(ewma, mid - half, mid + half, mid, spread, outside, x.size, sentence)


def _in_order(values: FloatArray, least: int) -> FloatArray:
    if values.ndim != 1 or values.size < least or not np.all(np.isfinite(values)):
        raise InputError(
            f"control chart: {values.size} values, all finite: {bool(np.all(np.isfinite(values)))}; at least "
            f"{least} numbers in order of time are needed. Leave out reps without the measure."
        )
    return values


def _counted(found: tuple[int, ...]) -> str:
    return str(len(found)) if found else "none"


def _few(n: int) -> str:
    return "" if n >= ENOUGH_FOR_CHART else f" (limits unsure: fewer than {ENOUGH_FOR_CHART} reps)"
