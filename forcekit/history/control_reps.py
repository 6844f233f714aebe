"""Control charts of an athlete's reps: single ones, or the weighted mean of sessions."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from forcekit.history.control import EwmaChart, IndividualsChart, ewma_chart, individuals_chart
from forcekit.history.loads import LEAST_REPS, LEAST_REPS_LOAD, can_fit, reps_text, span_text
from forcekit.history.trend import time_points, to_one_load
from forcekit.history.usual import shown_low
from forcekit.history.wording import Wording, interval_text, iso_day, join_words, load_text, number_text, wording
from forcekit.model import FloatArray

__all__ = ["ChartKind", "ControlChart", "control_chart"]

ChartKind = Literal["single", "weighted"]

ENOUGH_POINTS = 20
"""In-control values from which the limits of a chart are trusted; common practice."""
ENOUGH_SESSIONS = 8
"""Sessions from which the limits of single reps are trusted: 8 of 4 reps alarm no oftener than 20 reps on 20 days,
even where half of the variance lies between days (simulated, 1.1 % of new reps in both cases)."""
MOST_TOLD = 4
"""Points outside that are named in the sentence; all are in the result."""


@dataclass(frozen=True, slots=True, eq=False)
class ControlChart:
    """A control chart of an athlete's reps.

    Attributes
    ----------
    kind : {"single", "weighted"}
        Individuals chart of reps, or EWMA chart of session means.
    level : array, shape (n,)
        The values given, brought to `load_kg` where load was allowed for; NaN where left out.
    i_point : array of int, shape (n,)
        Point to which each value belongs; −1 where left out.
    at_s, point, drawn, low, high : array, shape (k,)
        Time (seconds since 1970, UTC) and value of each point in order of time, what is drawn of it (the value
        itself, or the weighted mean up to it), and its limits.
    centre, sigma : float or None
        Centre line and standard deviation of a point; None when withheld.
    outside : tuple of int
        Points that lie outside their limits.
    load_kg : float or None
        Load to which all values were brought; None where load was not allowed for.

    Notes
    -----
    All in the measure's SI unit, `unit`.
    """

    measure: str
    unit: str
    kind: ChartKind
    robust: bool
    n_reps: int
    n_sessions: int
    level: FloatArray
    i_point: npt.NDArray[np.int64]
    at_s: FloatArray
    point: FloatArray
    drawn: FloatArray
    low: FloatArray
    high: FloatArray
    centre: float | None
    sigma: float | None
    outside: tuple[int, ...]
    load_kg: float | None
    withheld: str | None
    sentence: str


def control_chart(
    at_s: FloatArray,
    values: FloatArray,
    *,
    kind: ChartKind = "single",
    sessions: FloatArray | None = None,
    loads_kg: FloatArray | None = None,
    robust: bool = False,
    measure: str = "value",
    unit: str = "",
    words: Wording | None = None,
) -> ControlChart:
    """Chart reps in order of time, load allowed for as in the trend, and say which lie outside.

    Parameters
    ----------
    at_s : array, shape (n,)
        Time of each rep, seconds since 1970 (UTC).
    values : array, shape (n,)
        In SI units; NaN is left out.
    kind : {"single", "weighted"}
        "single": individuals chart of reps, for one odd rep. "weighted": EWMA chart of session means, for a
        small lasting change.
    sessions, loads_kg : array, shape (n,), optional
        Of each rep; without sessions the reps themselves are the points of both charts.
    robust : bool
        Centre and limits from medians.

    Notes
    -----
    Limits come from the same reps that are judged. They ask whether the series is steady; whether one rep is
    unusual is the question of `usual.usual_range`, whose 95 % are narrower. Session means are taken as equally
    sure whatever the number of their reps.

    How often a steady history alarms at all (simulated, 24 sessions of 4 reps): single 22 %, weighted 4 %; robust 26 %
    and 12 %.
    """
    words = words or wording(measure, unit)
    order = np.argsort(at_s, kind="stable")
    rows = order[np.isfinite(values[order]) & np.isfinite(at_s[order])]
    when, level = at_s[rows], values[rows]
    mine = None if sessions is None else sessions[rows]
    loads = None if loads_kg is None else loads_kg[rows]
    adjusted = False
    if loads is not None and rows.size and np.isfinite(loads).all():
        level, adjusted = to_one_load(level, loads, mine)
    grouped = mine if kind == "weighted" else None
    at_point, point = time_points(when, level, grouped)
    place = np.arange(rows.size) if grouped is None else _place(when, grouped)
    every, i_point = np.full(values.size, np.nan), np.full(values.size, -1, dtype=np.int64)
    every[rows], i_point[rows] = level, place
    chart = ControlChart(
        measure=measure, unit=unit, kind=kind, robust=robust, n_reps=rows.size,
        n_sessions=0 if mine is None else np.unique(mine).size, level=every, i_point=i_point,
        at_s=at_point, point=point, drawn=point, low=np.full(point.size, np.nan), high=np.full(point.size, np.nan),
        centre=None, sigma=None, outside=(), load_kg=float(loads.mean()) if adjusted and loads is not None else None,
        withheld=None, sentence="",
    )  # fmt: skip
    if point.size < LEAST_REPS:
        n = reps_text(point.size) if grouped is None else reps_text(point.size).replace("rep", "session")
        return _none(chart, f"{n} so far, at least {LEAST_REPS} are needed", words)
    found: IndividualsChart | EwmaChart
    if kind == "single":
        found = individuals_chart(point, sessions=mine, robust=robust)
    else:
        found = ewma_chart(point, robust=robust)
    if found.sigma <= 1e-12 * abs(found.centre):
        return _none(chart, "neighbours have the same value, so their spread is not known", words)
    chart = replace(
        chart, drawn=found.ewma if isinstance(found, EwmaChart) else point, low=np.broadcast_to(found.low, point.shape),
        high=np.broadcast_to(found.high, point.shape), centre=found.centre, sigma=found.sigma, outside=found.outside,
    )  # fmt: skip
    return replace(chart, sentence=_sentence(chart, _at_point(loads, place, point.size), words, loads))


def _place(when: FloatArray, sessions: FloatArray) -> npt.NDArray[np.int64]:
    """Which point of `time_points` each rep belongs to."""
    names, which = np.unique(sessions, return_inverse=True)
    means = np.bincount(which, weights=when - when[0]) / np.bincount(which)
    rank = np.empty(names.size, dtype=np.int64)
    rank[np.argsort(means, kind="stable")] = np.arange(names.size)
    return rank[which]


def _at_point(loads: FloatArray | None, place: npt.NDArray[np.int64], n: int) -> list[str]:
    """Loads of each point in words; empty where none is known."""
    if loads is None:
        return [""] * n
    mine = [loads[(place == i) & np.isfinite(loads)] for i in range(n)]
    return [f" at {span_text(x)}" if x.size else "" for x in mine]


def _none(chart: ControlChart, why: str, words: Wording) -> ControlChart:
    return replace(chart, withheld=why, sentence=f"{words.label}: no {_name(chart)}, {why}.")


def _name(chart: ControlChart) -> str:
    return "individuals chart" if chart.kind == "single" else "EWMA chart"


def _point_word(chart: ControlChart) -> str:
    return "session" if chart.kind == "weighted" and chart.n_sessions else "rep"


def _sentence(chart: ControlChart, at: list[str], words: Wording, loads: FloatArray | None) -> str:
    assert chart.centre is not None
    centre, spread = chart.centre, float(chart.high[-1] - chart.low[-1])
    what = f"{words.label}, {'robust ' if chart.robust else ''}{_name(chart)}"
    limits = interval_text(shown_low(chart.measure, float(chart.low[-1]), centre), float(chart.high[-1]), words)
    now = (
        f"weighted mean now {number_text(float(chart.drawn[-1]), words, spread)}, " if chart.kind == "weighted" else ""
    )
    points = reps_text(chart.n_reps)
    if chart.n_sessions:
        points += f" in {reps_text(chart.n_sessions).replace('rep', 'session')}"
    told = []
    for i in chart.outside[-MOST_TOLD:]:
        way = words.higher if chart.drawn[i] > centre else words.lower
        day = iso_day(chart.at_s[i])
        told.append(f"{day}{at[i]} ({number_text(float(chart.drawn[i]), words, spread)}, {way})")
    kind = _point_word(chart)
    out = f"no {kind} outside"
    if told:
        n = len(chart.outside)
        newest = f", the newest {MOST_TOLD}" if n > MOST_TOLD else ""
        out = f"{n} {kind}{'' if n == 1 else 's'} outside{newest}: {join_words(told)}"
    return (
        f"{what}: {now}centre {number_text(centre, words, spread)}, limits {limits} from {points}"
        f"{_load_text(chart, loads)}; {out}{_unsure(chart)}."
    )


def _load_text(chart: ControlChart, loads: FloatArray | None) -> str:
    if chart.load_kg is not None:
        return f", all brought to {load_text(chart.load_kg)}"
    if loads is None or not np.isfinite(loads).all():
        return ", load not allowed for (it is not written with every rep)"
    if can_fit(loads):
        return f" at {span_text(loads)}, load not allowed for (it differs only from session to session)"
    few = loads.size < LEAST_REPS_LOAD and float(np.ptp(loads)) > 0.0
    return f" at {span_text(loads)}{', load not allowed for (too few reps)' if few else ''}"


def _unsure(chart: ControlChart) -> str:
    why = []
    if chart.point.size < ENOUGH_POINTS:
        why.append(f"fewer than {ENOUGH_POINTS} {_point_word(chart)}s")
    if chart.kind == "single" and chart.n_sessions == 1:
        why.append("all of one session, and days may differ more")
    elif chart.kind == "single" and 0 < chart.n_sessions < ENOUGH_SESSIONS:
        why.append(f"fewer than {ENOUGH_SESSIONS} sessions")
    return f"; limits unsure: {', '.join(why)}" if why else ""
