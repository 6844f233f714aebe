"""Break load: from which load a measure leaves its usual range."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from forcekit.history.loads import reps_text
from forcekit.history.usual import usual_range
from forcekit.history.wording import Wording, load_text, number_text, wording
from forcekit.model import FloatArray

__all__ = ["BreakLoad", "break_load"]

LEAST_REPS = 8
"""Fewest reps: level, bend, rise and shape take four numbers from them."""
LEAST_LOADS = 3
"""Fewest different loads."""
LIGHT_SHARE = 1.0 / 3.0
"""Share of the load range, from the lightest load, whose reps say what is usual if no limit is given; our choice."""
N_BENDS = 80
"""Loads at which a bend is tried, over the load range."""
N_BREAKS = 160
"""Loads at which a break is tried, over the load range; the ends of the interval are found between them."""
POWERS = (1, 2)
"""Shapes of the rise after the bend: straight, or curved upward."""

Verdict = Literal[
    "reached", "reached, heavier end open", "not settled", "not reached", "outside at all loads", "too few"
]


@dataclass(frozen=True, slots=True)
class BreakLoad:
    """The load at which an athlete's average rep reaches the limit.

    Attributes
    ----------
    limit : float or None
        The end of the usual range, in the measure's SI unit.
    load_kg : float or None
        Best estimate; None when it is not reached.
    low_kg, high_kg : float or None
        95 % interval. `low_kg` None: already at the lightest load. `high_kg` None: open, it may be heavier than any
        load lifted.
    heaviest_kg : float or None
        Heaviest load lifted.
    verdict : str
        "reached": with an interval that ends within the loads lifted. "reached, heavier end open": the average has
        reached the limit by the best fit, the data do not settle that it has. "not settled": not reached by the best
        fit, but the interval begins within the loads lifted. "not reached": the whole interval is heavier.
        "outside at all loads": already beyond the limit at the lightest load. "too few".
    """

    measure: str
    verdict: Verdict
    limit: float | None
    load_kg: float | None
    low_kg: float | None
    high_kg: float | None
    heaviest_kg: float | None
    n: int
    sentence: str


def break_load(
    values: FloatArray,
    loads_kg: FloatArray,
    *,
    limit: float | None = None,
    side: Literal["above", "below"] = "above",
    light_up_to_kg: float | None = None,
    measure: str = "value",
    unit: str = "",
    words: Wording | None = None,
) -> BreakLoad:
    """From which load the measure leaves its usual range, with an interval, or that it does not.

    Parameters
    ----------
    values, loads_kg : array, shape (n,)
        One rep each, in SI units and kg; NaN is left out.
    limit : float, optional
        The end of the usual range. Left out, it is the end of the usual range of the light reps.
    side : {"above", "below"}
        Which end of the usual range.
    light_up_to_kg : float, optional
        Which reps are light; left out, those in the lightest third of the load range.

    Notes
    -----
    The average rep is taken as level up to some load and from there rising, straight or curved upward (a straight
    line over all loads is the case without a level part), or as stepping up between two loads. The break load L is
    where it reaches the limit c. The interval holds every L for which the best such shape through (L, c) fits no
    worse than F(1, n − 4) allows. It is an interval for the load at which the average crosses the limit as stated;
    the limit's own uncertainty is not in it. Single reps leave a 95 % range at any load, one in forty of them on
    this side. A step can be placed no finer than the gap between two loads lifted.

    References
    ----------
    Interval by inverting the test of a given crossing, as Fieller's for a straight line (Fieller, E. C. (1954), J R
    Statist Soc B 16:175-185, not seen); the bent line and its coverage are our own, see
    `tests/benchmarks/history_calibration.py`.
    """
    words = words or wording(measure, unit)
    kept = np.isfinite(values) & np.isfinite(loads_kg)
    sign = 1.0 if side == "above" else -1.0
    y, x = sign * values[kept], loads_kg[kept]
    why = _too_few(x)
    c, light_n = (None, 0) if limit is None else (sign * limit, 0)
    if why is None and c is None:
        c, light_n, why = _light_limit(y, x, light_up_to_kg)
    if why is not None or c is None:
        heaviest = float(x.max()) if x.size else None
        sentence = f"{words.label}: no break load, {why}."
        return BreakLoad(measure, "too few", None, None, None, None, heaviest, x.size, sentence)
    found = _profile(y, x, c)
    verdict, load, low, high = _judge(found, x)
    sentence = _sentence(verdict, (load, low, high), x, (sign * c, side, light_n), words)
    return BreakLoad(measure, verdict, sign * c, load, low, high, float(x.max()), x.size, sentence)


def _too_few(x: FloatArray) -> str | None:
    n_loads = np.unique(x).size
    if x.size >= LEAST_REPS and n_loads >= LEAST_LOADS:
        return None
    return (
        f"{reps_text(x.size)} at {'one load' if n_loads == 1 else f'{n_loads} different loads'}; "
        f"at least {LEAST_REPS} reps at {LEAST_LOADS} loads are needed"
    )


def _light_limit(y: FloatArray, x: FloatArray, up_to_kg: float | None) -> tuple[float | None, int, str | None]:
    """Upper end of the light reps' usual range, how many they are, and why there is none."""
    border = float(x.min() + LIGHT_SHARE * np.ptp(x)) if up_to_kg is None else up_to_kg
    usual = usual_range(y[x <= border])
    if usual.high is None:
        return None, usual.n, f"up to {load_text(round(border, 1))} there is no usual range ({usual.withheld})"
    return usual.high, usual.n, None


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """Break loads tried and how well each fits, as F; `f_never` of what never reaches the limit, level or a step."""

    tried_kg: FloatArray
    f: FloatArray
    f_never: float
    f_limit: float
    outside_everywhere: bool


def _profile(y: FloatArray, x: FloatArray, c: float) -> _Found:
    """Fit the best shape through (L, c) for every L tried.

    With the bend at h, the crossing at L and the power q the average less c is d·u, u = 1 − (max(0, x − h)/(L − h))^q:
    linear in its one free number d ≤ 0, the level below the limit.
    """
    from scipy import stats

    start, span = float(x.min()), float(np.ptp(x))
    bends = start + span / N_BENDS * np.arange(N_BENDS)
    tried: FloatArray = start + span / N_BREAKS * np.arange(1.0, 2 * N_BREAKS + 1)
    w = y - c
    total = float(w @ w)
    places, which = np.unique(x, return_inverse=True)
    counts = np.bincount(which).astype(np.float64)
    sums = np.bincount(which, weights=w).astype(np.float64)
    explained = _explained_by_step(sums, counts, places, tried)
    room = tried[None, :] - bends[:, None]
    allowed = room > 0.5 * span / N_BENDS
    rise = np.maximum(0.0, places[None, None, :] - bends[:, None, None]) / np.where(allowed, room, 1.0)[:, :, None]
    for power in POWERS:
        u = 1.0 - rise**power
        along = np.minimum(u @ sums, 0.0) ** 2 / np.maximum(u**2 @ counts, 1e-300)
        explained = np.maximum(explained, np.where(allowed, along, 0.0).max(axis=0))
    never = total - _explained_below(sums, counts)
    df = w.size - 4
    lowest = max(min(float(total - explained.max()), never), 1e-12 * total)
    f = (total - explained - lowest) / (lowest / df)
    light = w[x <= start + LIGHT_SHARE * span]
    outside = bool(light.mean() > 0.0 and w.mean() > 0.0)
    return _Found(tried, f, (never - lowest) / (lowest / df), float(stats.f.ppf(0.95, 1, df)), outside)


def _explained_by_step(sums: FloatArray, counts: FloatArray, places: FloatArray, tried: FloatArray) -> FloatArray:
    """Sum of squares explained by a step up through zero at each load tried."""
    total = np.concatenate([[0.0], np.cumsum(sums)])
    n = np.concatenate([[0.0], np.cumsum(counts)])
    lighter = np.searchsorted(places, tried, side="left")
    below = np.minimum(total[lighter], 0.0) ** 2 / np.maximum(n[lighter], 1.0)
    above = np.maximum(total[-1] - total[lighter], 0.0) ** 2 / np.maximum(n[-1] - n[lighter], 1.0)
    return np.asarray(below + above, dtype=np.float64)


def _explained_below(sums: FloatArray, counts: FloatArray) -> float:
    """Sum of squares explained by what stays below the limit: a level line, or a step between two such levels."""
    total, n = np.cumsum(sums), np.cumsum(counts)
    lighter = np.minimum(total, 0.0) ** 2 / n
    heavier = np.minimum(total[-1] - total[:-1], 0.0) ** 2 / (n[-1] - n[:-1])
    return float((lighter + np.append(heavier, 0.0)).max())


def _judge(found: _Found, x: FloatArray) -> tuple[Verdict, float | None, float | None, float | None]:
    heaviest = float(x.max())
    if found.outside_everywhere:
        return "outside at all loads", None, None, None
    held = np.flatnonzero(found.f <= found.f_limit)
    never = found.f_never <= found.f_limit
    if not held.size:
        return "not reached", None, None, None
    low, high = _edge(found, int(held[0]), -1), _edge(found, int(held[-1]), +1)
    if low > heaviest:
        return "not reached", None, low, None
    low_end = None if held[0] == 0 else low
    if not never and high <= heaviest:
        return "reached", float(found.tried_kg[int(np.argmin(found.f))]), low_end, high
    best = float(found.tried_kg[int(np.argmin(found.f))])
    if best <= heaviest and float(found.f.min()) < found.f_never:
        return "reached, heavier end open", best, low_end, None
    return "not settled", None, low_end, None


def _edge(found: _Found, i: int, way: int) -> float:
    """Load where the fit becomes too bad, between the last load that is held and the next one tried."""
    j = i + way
    if not 0 <= j < found.f.size:
        return float(found.tried_kg[i])
    share = (found.f_limit - found.f[i]) / (found.f[j] - found.f[i])
    return float(found.tried_kg[i] + share * (found.tried_kg[j] - found.tried_kg[i]))


def _sentence(
    verdict: Verdict,
    loads: tuple[float | None, float | None, float | None],
    x: FloatArray,
    limit: tuple[float, str, int],
    words: Wording,
) -> str:
    c, side, light_n = limit
    far = words.higher if side == "above" else words.lower
    source = f" (usual range of {light_n} light reps)" if light_n else ""
    border = f"{far} than {number_text(c, words, abs(c) / 5.0 or 1.0)}{source}"
    heaviest = load_text(float(x.max()))
    load, low, high = ("" if k is None else load_text(round(k, 1)) for k in loads)
    low = low or f"below {load_text(float(x.min()))}"
    text = {
        "reached": f"on average {border} from {load} (95 % {low} to {high})",
        "reached, heavier end open": f"on average {border} from about {load} (95 % {low} to heavier than {heaviest}, "
        "so not settled)",
        "not settled": f"not shown to be {border} up to {heaviest}, and not excluded from {low} on",
        "not reached": f"not {border} up to {heaviest}",
        "outside at all loads": f"already {border} at {load_text(float(x.min()))}",
    }[verdict]
    return f"{words.label}: {text}, from {x.size} reps at {np.unique(x).size} loads."
