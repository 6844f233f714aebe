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
"""Loads at which a gradual break is tried, over the load range; the ends of the interval are found between them."""
POWERS = (1, 2)
"""Shapes of the rise after the bend: straight, or curved upward."""
OUTSIDE_INTERVAL = 0.05
"""Share a 95 % interval leaves out, half of it on each side."""

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
        95 % interval. `low_kg` None: it may be reached already at the lightest load. `high_kg` None: open, it may be
        heavier than any load lifted.
    heaviest_kg : float or None
        Heaviest load lifted.
    verdict : str
        "reached": with an interval that ends within the loads lifted. "reached, heavier end open": the average has
        reached the limit by the best fit, the data do not settle that it has. "not settled": not reached by the best
        fit, but the interval begins within the loads lifted. "not reached": the whole interval is heavier.
        "outside at all loads": the light reps are on average already beyond the limit, and so are all together;
        `high_kg` is the load up to which the data do not exclude that it is reached only there. "too few".
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
    line over all loads is the case without a level part), or as stepping up between two loads lifted. The break load
    L is where it reaches the limit c. The interval is the shortest that holds both of these:

    - every L for which the best gradual shape through (L, c) fits no worse than F(1, n − 4) allows;
    - of the gaps between loads lifted for which a step there fits no worse, the middle 95 %. Where in its gap the
      step lies no rep can tell: every load in it fits equally well, and the test alone would hold the whole gap and
      so be right nearly always. A load in a gap therefore weighs (1 + F/(n − 4))^(−(n − 3)/2), as in Student's t, and
      2.5 % of the weight are left out at each end.

    So 95 % means for a gradual rise: in 95 of 100 histories, wherever the crossing is; for a step: in 95 of 100
    histories whose steps are at any load alike. A step in the middle of a gap is held nearly always, one within a
    fortieth of the gap beside a load lifted nearly never. In simulated histories of both kinds, the crossing drawn
    anew between 55 and 100 kg, 93 to 97 % are covered from 14 reps on, with noise half and twice too; 96 to 98 % with
    8 to 10 reps, and up to 99 % where a gradual rise was lifted at only 3 or 4 loads, which do not tell it from a step.

    It is an interval for the load at which the average crosses the limit as stated; the limit's own uncertainty is
    not in it. Single reps leave a 95 % range at any load, one in forty of them on this side.

    References
    ----------
    Interval by inverting the test of a given crossing, as Fieller's for a straight line (Fieller, E. C. (1954), J R
    Statist Soc B 16:175-185, not seen). The bent line, the weighing of a step's place and both coverages are our own,
    see `tests/benchmarks/history_calibration.py`.
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
    """How well each break fits, as F: gradual at the loads tried, a step in each gap between the places lifted.

    `f_never` and `f_always` are of what stays on one side of the limit at all loads, level or with a step.
    """

    tried_kg: FloatArray
    f: FloatArray
    places_kg: FloatArray
    f_step: FloatArray
    f_never: float
    f_always: float
    f_limit: float
    df: int
    outside_everywhere: bool


def _profile(y: FloatArray, x: FloatArray, c: float) -> _Found:
    """Fit the best gradual shape through (L, c) for every L tried, and a step in every gap.

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
    explained = np.zeros(tried.size)
    room = tried[None, :] - bends[:, None]
    allowed = room > 0.5 * span / N_BENDS
    rise = np.maximum(0.0, places[None, None, :] - bends[:, None, None]) / np.where(allowed, room, 1.0)[:, :, None]
    for power in POWERS:
        u = 1.0 - rise**power
        along = np.minimum(u @ sums, 0.0) ** 2 / np.maximum(u**2 @ counts, 1e-300)
        explained = np.maximum(explained, np.where(allowed, along, 0.0).max(axis=0))
    step = _explained_by_step(sums, counts)
    never, always = _explained_below(sums, counts), _explained_below(-sums[::-1], counts[::-1])
    df = w.size - 4
    lowest = max(total - max(float(explained.max()), float(step.max()), never, always), 1e-12 * total)
    unit = lowest / df
    return _Found(
        tried_kg=tried,
        f=(total - explained - lowest) / unit,
        places_kg=places,
        f_step=(total - step - lowest) / unit,
        f_never=(total - never - lowest) / unit,
        f_always=(total - always - lowest) / unit,
        f_limit=float(stats.f.ppf(1.0 - OUTSIDE_INTERVAL, 1, df)),
        df=df,
        outside_everywhere=bool(w[x <= start + LIGHT_SHARE * span].mean() > 0.0 and w.mean() > 0.0),
    )


def _explained_by_step(sums: FloatArray, counts: FloatArray) -> FloatArray:
    """Sum of squares explained by a step up through zero in each gap."""
    total, n = np.cumsum(sums), np.cumsum(counts)
    lighter = np.minimum(total[:-1], 0.0) ** 2 / n[:-1]
    heavier = np.maximum(total[-1] - total[:-1], 0.0) ** 2 / (n[-1] - n[:-1])
    return np.asarray(lighter + heavier, dtype=np.float64)


def _explained_below(sums: FloatArray, counts: FloatArray) -> float:
    """Sum of squares explained by what stays below the limit: a level line, or a step between two such levels."""
    total, n = np.cumsum(sums), np.cumsum(counts)
    lighter = np.minimum(total, 0.0) ** 2 / n
    heavier = np.minimum(total[-1] - total[:-1], 0.0) ** 2 / (n[-1] - n[:-1])
    return float((lighter + np.append(heavier, 0.0)).max())


def _judge(found: _Found, x: FloatArray) -> tuple[Verdict, float | None, float | None, float | None]:
    lightest, heaviest = float(x.min()), float(x.max())
    held = [ends for ends in (_gradual_ends(found), _step_ends(found)) if ends is not None]
    if not held:
        if found.outside_everywhere:
            return "outside at all loads", None, None, lightest
        return "not reached", None, None, None
    low, high = min(ends[0] for ends in held), max(ends[1] for ends in held)
    settled = found.f_never > found.f_limit and high <= heaviest
    if found.outside_everywhere:
        return "outside at all loads", None, None, high if settled else None
    low_end = None if found.f_always <= found.f_limit or np.isinf(low) else low
    if low > heaviest:
        return "not reached", None, low_end, None
    best, f_best = _best(found)
    if settled:
        return "reached", best, low_end, high
    if best <= heaviest and f_best < found.f_never:
        return "reached, heavier end open", best, low_end, None
    return "not settled", None, low_end, None


def _best(found: _Found) -> tuple[float, float]:
    """Load of the best fit and its F; of a step the middle of its gap."""
    i, k = int(np.argmin(found.f)), int(np.argmin(found.f_step))
    if found.f_step[k] < found.f[i]:
        return float(found.places_kg[k : k + 2].mean()), float(found.f_step[k])
    return float(found.tried_kg[i]), float(found.f[i])


def _gradual_ends(found: _Found) -> tuple[float, float] | None:
    """Ends of the loads at which a gradual break is not rejected; −inf where it may be lighter than all tried."""
    held = np.flatnonzero(found.f <= found.f_limit)
    if not held.size:
        return None
    low = _edge(found, int(held[0]), -1) if held[0] else -np.inf
    return low, _edge(found, int(held[-1]), +1)


def _step_ends(found: _Found) -> tuple[float, float] | None:
    """Ends of the middle 95 % of the gaps in which a step is not rejected, weighed."""
    held = found.f_step <= found.f_limit
    if not held.any():
        return None
    density = np.where(held, (1.0 + found.f_step / found.df) ** (-(found.df + 1) / 2), 0.0)
    share = np.append(0.0, np.cumsum(density * np.diff(found.places_kg)))
    cut = OUTSIDE_INTERVAL / 2.0
    low, high = np.interp(np.array([cut, 1.0 - cut]) * share[-1], share, found.places_kg)
    return float(low), float(high)


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
    lightest = load_text(float(x.min()))
    low = low or f"below {lightest}"
    already = f"already {border} at {lightest}"
    if verdict == "outside at all loads" and high != lightest:
        already += f" (95 % from {high} at the latest)" if high else f", but not settled up to {heaviest}"
    text = {
        "reached": f"on average {border} from {load} (95 % {low} to {high})",
        "reached, heavier end open": f"on average {border} from about {load} (95 % {low} to heavier than {heaviest}, "
        "so not settled)",
        "not settled": f"not shown to be {border} up to {heaviest}, and not excluded from {low} on",
        "not reached": f"not {border} up to {heaviest}",
        "outside at all loads": already,
    }[verdict]
    return f"{words.label}: {text}, from {x.size} reps at {np.unique(x).size} loads."
