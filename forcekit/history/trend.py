"""Trend of a measure over time: slope with interval, and steps only where the data support them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np

from forcekit.history.loads import can_fit
from forcekit.history.regression import fit_linear
from forcekit.history.wording import Wording, interval_text, iso_day, number_text, signed_text, wording
from forcekit.model import FloatArray

__all__ = ["TOLD_DIGITS", "Step", "Trend", "step_p_value", "time_points", "to_one_load", "trend"]

LEAST_POINTS = 5
"""Fewest sessions (or reps, where no session is known) for a slope; our choice, leaves 3 degrees of freedom."""
LEAST_SIDE = 3
"""Fewest points on either side of a step."""
STEP_P = 0.05
"""Chance of a step in a steady series up to which one is told."""
LARGEST_T = 1e4
"""No step is clearer than this (our choice); where the search for the critical |t| stops."""
N_SIMULATED = 4000
"""Simulated series behind the p-value of a step; its standard error at 0.05 is 0.0035."""
MOST_SIMULATED = 200
"""Points up to which the p-value of a step is simulated."""
TOLD_DIGITS = 10.0
"""Levels are written with one significant digit of half their interval: one less than a spread gives them."""
WEEK_S = 7.0 * 86400.0


@dataclass(frozen=True, slots=True)
class Step:
    """A lasting change of level between two neighbouring points.

    Attributes
    ----------
    i_after : int
        Index of the first point after the step, among `Trend.point_at_s`.
    at_s : float
        Time of that point, seconds since 1970 (UTC).
    before, after : float
        Levels of the stretches on both sides, in the measure's SI unit.
    low, high : float
        95 % interval of after minus before, which allows for having looked at all places.
    p : float
        Chance of so clear a step anywhere in a steady series of this length.
    """

    i_after: int
    at_s: float
    before: float
    after: float
    low: float
    high: float
    p: float


@dataclass(frozen=True, slots=True, eq=False)
class Trend:
    """How a measure went over time.

    Attributes
    ----------
    point_at_s, point : array, shape (k,)
        Time and level of each point: session means where sessions are known, else reps; brought to one load where load
        was allowed for.
    per_week, per_week_low, per_week_high, p : float or None
        Slope with 95 % interval, in the measure's SI unit per week.
    steps : tuple of Step
        Empty where a straight line or no change describes the series as well.
    shape : {"steady", "line", "steps", "not known"}
    """

    measure: str
    n_reps: int
    point_at_s: FloatArray
    point: FloatArray
    per_week: float | None
    per_week_low: float | None
    per_week_high: float | None
    p: float | None
    steps: tuple[Step, ...]
    shape: str
    load_adjusted: bool
    withheld: str | None
    sentence: str


def trend(
    at_s: FloatArray,
    values: FloatArray,
    *,
    sessions: FloatArray | None = None,
    loads_kg: FloatArray | None = None,
    measure: str = "value",
    unit: str = "",
    words: Wording | None = None,
) -> Trend:
    """Slope per week with its interval, and lasting steps where the data support them.

    Parameters
    ----------
    at_s : array, shape (n,)
        Time of each rep, seconds since 1970 (UTC).
    values : array, shape (n,)
        In SI units; NaN is left out.
    sessions : array, shape (n,), optional
        Session of each rep. Reps of one day are alike, so the session means are what is tested.
    loads_kg : array, shape (n,), optional
        Where loads differ within sessions, a line over load common to all sessions is taken out first.

    Notes
    -----
    Slope: least squares over the points, t-interval with k − 2 degrees of freedom. Steps: the place with the largest
    |t| between the means of both sides (at least 3 points each) is tested against simulated steady series of the same
    length, which allows for having looked at all places; each side of an accepted step is searched again. Steps are
    kept only if they describe the series better than a straight line by BIC. As a step is the clearest of many places,
    the usual t-interval of its size would be too short: the half-width is the standard error times the |t| that a
    steady series of this length reaches anywhere in 1 of 20 cases, so that it leaves out zero exactly where a step is
    told. Neighbouring steps bound the points that are used.

    References
    ----------
    Largest two-sample t over all places: Worsley, K. J. (1979), J Am Statist Assoc 74:365-367; binary segmentation:
    Scott, A. J. and Knott, M. (1974), Biometrics 30:507-512 (both not seen).
    """
    words = words or wording(measure, unit)
    kept = np.isfinite(values) & np.isfinite(at_s)
    adjust = loads_kg is not None and bool(np.isfinite(loads_kg[kept]).all()) and kept.any()
    level, adjusted = values[kept], False
    if adjust and loads_kg is not None:
        level, adjusted = to_one_load(level, loads_kg[kept], None if sessions is None else sessions[kept])
    when, point = time_points(at_s[kept], level, None if sessions is None else sessions[kept])
    n = int(np.count_nonzero(kept))
    kind = "reps" if sessions is None else "sessions"
    if point.size < LEAST_POINTS or float(np.ptp(when)) <= 0.0:
        seen = kind if point.size != 1 else kind.removesuffix("s")
        why = f"{point.size} {seen} so far, at least {LEAST_POINTS} at different times are needed"
        sentence = f"{words.label}: no trend, {why}."
        return Trend(measure, n, when, point, None, None, None, None, (), "not known", adjusted, why, sentence)
    slope, low, high, p = _slope(when, point)
    steps = _supported_steps(when, point)
    shape = "steps" if steps else "line" if p <= 0.05 else "steady"
    sentence = _sentence(shape, (slope, low, high), steps, point, when, (n, kind, adjusted), words)
    return Trend(measure, n, when, point, slope, low, high, p, steps, shape, adjusted, None, sentence)


def to_one_load(y: FloatArray, loads: FloatArray, sessions: FloatArray | None) -> tuple[FloatArray, bool]:
    """Bring values to the mean load by the slope over load within sessions, so that a change over time stays.

    Parameters
    ----------
    y, loads : array, shape (n,)
        Finite.
    sessions : array, shape (n,), optional

    Returns
    -------
    array, shape (n,), and whether it was done: not for loads that are alike, nor where they differ between sessions
    only, as load and time cannot be told apart then.
    """
    if not can_fit(loads):
        return y, False
    groups = np.zeros(y.size) if sessions is None else sessions
    x, z = loads - _group_means(loads, groups), y - _group_means(y, groups)
    squares = float(x @ x)
    if squares <= 0.0:
        return y, False
    moved: FloatArray = y - float(x @ z) / squares * (loads - loads.mean())
    return moved, True


def _group_means(y: FloatArray, groups: FloatArray) -> FloatArray:
    """Mean of its group for every value; taken about the overall mean, so that times keep their digits."""
    which = np.unique(groups, return_inverse=True)[1].reshape(-1)
    middle = float(y.mean())
    means = middle + np.bincount(which, weights=y - middle) / np.bincount(which)
    return np.asarray(means[which], dtype=np.float64)


def time_points(at_s: FloatArray, y: FloatArray, sessions: FloatArray | None) -> tuple[FloatArray, FloatArray]:
    """Time and value of session means (of reps where sessions is None), in order of time."""
    if sessions is not None and y.size:
        first = np.unique(sessions, return_index=True)[1]
        at_s, y = (_group_means(column, sessions)[first] for column in (at_s, y))
    order = np.argsort(at_s, kind="stable")
    return at_s[order], y[order]


def _slope(when: FloatArray, point: FloatArray) -> tuple[float, float, float, float]:
    from scipy import stats

    fit = fit_linear((when - when[0]) / WEEK_S, point)
    slope, se = float(fit.coefficients[1]), float(fit.standard_errors[1])
    half = float(stats.t.ppf(0.975, fit.df)) * se
    p = float(2.0 * stats.t.sf(abs(slope) / se, fit.df)) if se > 0.0 else float(slope == 0.0)
    return slope, slope - half, slope + half, p


# ------------------------------------------------------------------------------------------------- steps


def step_p_value(largest_t: float, n: int) -> float:
    """Chance that a steady normal series of n points shows a step with a |t| this large somewhere.

    Parameters
    ----------
    largest_t : float
    n : int
        Number of points.

    Notes
    -----
    Up to 200 points simulated. Beyond that the tail formula of the standardised Brownian bridge,
    P = x·φ(x)·(T − T/x² + 4/x²) with T = ln((1 − h)²/h²), h the share of the shortest side: fast, and up to 1.4 times
    too large at these lengths, so that long series need a slightly clearer step.

    References
    ----------
    Vostrikova, L. Y. (1981), Theory Probab Appl 26:356-362 (not seen, formula from memory, held against simulation).
    """
    if n > MOST_SIMULATED:
        x2 = max(largest_t, 1.0) ** 2
        h = LEAST_SIDE / n
        span = 2.0 * np.log((1.0 - h) / h)
        tail = np.sqrt(x2 / (2.0 * np.pi)) * np.exp(-x2 / 2.0) * (span - span / x2 + 4.0 / x2)
        return float(min(1.0, tail))
    null = _null_largest_t(n)
    return float((1 + np.count_nonzero(null >= largest_t)) / (null.size + 1))


@lru_cache(maxsize=128)
def _null_largest_t(n: int) -> FloatArray:
    """Largest |t| over all places in simulated steady series."""
    return _largest_t(np.random.default_rng(n).standard_normal((N_SIMULATED, n)))[0]


def _largest_t(series: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Largest |t| of a step and the index of the first point after it, per row."""
    n = series.shape[1]
    centred = series - series.mean(axis=1, keepdims=True)
    total = np.sum(centred**2, axis=1, keepdims=True)
    places = np.arange(LEAST_SIDE, n - LEAST_SIDE + 1)
    left = np.cumsum(centred, axis=1)[:, places - 1]
    explained = left**2 * n / (places * (n - places))
    rest = np.maximum(total - explained, 1e-12 * total)
    t2 = np.divide(explained * (n - 2), rest, out=np.zeros_like(rest), where=rest > 0.0)
    best = np.argmax(t2, axis=1)
    return np.sqrt(np.take_along_axis(t2, best[:, None], axis=1)[:, 0]), places[best].astype(np.float64)


def _supported_steps(when: FloatArray, point: FloatArray) -> tuple[Step, ...]:
    found = sorted(_search(point, 0))
    if not found:
        return ()
    edges = [0, *(i for i, _ in found), point.size]
    levels = [float(point[a:b].mean()) for a, b in pairwise(edges)]
    rest = sum(float(np.sum((point[a:b] - m) ** 2)) for (a, b), m in zip(pairwise(edges), levels, strict=True))
    line = fit_linear(when, point).residuals
    if _bic(rest, point.size, 2 * len(found) + 1) >= _bic(float(line @ line), point.size, 2):
        return ()
    steps = []
    for (i, p), before, after, first, end in zip(found, levels[:-1], levels[1:], edges[:-2], edges[2:], strict=True):
        half = _half_width(point[first:i], point[i:end])
        steps.append(Step(i, float(when[i]), before, after, after - before - half, after - before + half, p))
    return tuple(steps)


def _half_width(before: FloatArray, after: FloatArray) -> float:
    """Half of the 95 % interval of a step's size."""
    n = before.size + after.size
    rest = float(np.sum((before - before.mean()) ** 2) + np.sum((after - after.mean()) ** 2))
    return _critical_t(n) * math.sqrt(rest / (n - 2) * (1.0 / before.size + 1.0 / after.size))


def _critical_t(n: int) -> float:
    """Find the |t| that a steady series of n points reaches somewhere in 1 of 20 cases, by halving."""
    low, high = 0.0, LARGEST_T
    while high - low > 1e-6 * high:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if step_p_value(middle, n) > STEP_P else (low, middle)
    return high


def _search(point: FloatArray, first: int) -> list[tuple[int, float]]:
    """Indices and p-values of steps, by binary segmentation."""
    if point.size < 2 * LEAST_SIDE:
        return []
    largest, place = _largest_t(point[None, :])
    p = step_p_value(float(largest[0]), point.size)
    if p > STEP_P:
        return []
    cut = int(place[0])
    return [*_search(point[:cut], first), (first + cut, p), *_search(point[cut:], first + cut)]


def _bic(rss: float, n: int, n_free: int) -> float:
    return float(n * np.log(max(rss, 1e-300) / n) + n_free * np.log(n))


def _sentence(
    shape: str,
    slope: tuple[float, float, float],
    steps: tuple[Step, ...],
    point: FloatArray,
    when: FloatArray,
    about: tuple[int, str, bool],
    words: Wording,
) -> str:
    n, kind, adjusted = about
    value, low, high = slope
    spread = high - low
    per_week = f"{signed_text(value, words, spread)} per week"
    band = f"95 % {interval_text(low, high, words, signed=True)}"
    points = f"{point.size} sessions ({n} reps)" if kind == "sessions" else f"{n} reps"
    source = f"from {points} over {float(np.ptp(when)) / WEEK_S:.1f} weeks{', load allowed for' if adjusted else ''}"
    if shape == "line":
        way = words.higher if value > 0.0 else words.lower
        return f"{words.label}: getting {way}, {per_week} ({band}), {source}."
    if shape == "steady":
        return f"{words.label}: no trend shown, {per_week} ({band}), {source}."
    told = ", then ".join(_step_text(s, kind.removesuffix("s"), words) for s in steps)
    return f"{words.label}: {'a step' if len(steps) == 1 else f'{len(steps)} steps'} {told}, {source}."


def _step_text(step: Step, kind: str, words: Wording) -> str:
    """Levels on both sides, each with one significant digit of the interval, the interval, and when."""
    before, after = (
        number_text(v, words, TOLD_DIGITS * 0.5 * (step.high - step.low)) for v in (step.before, step.after)
    )
    band = interval_text(step.low, step.high, words, signed=True)
    return f"from {before} to {after} (a difference of {band}, 95 %) at {kind} {step.i_after + 1}, {iso_day(step.at_s)}"
