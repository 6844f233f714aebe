"""An athlete's attempts one after the other: several measures with their usual range, for plots."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from forcekit.errors import InputError
from forcekit.history.control_reps import ChartKind, ControlChart
from forcekit.history.loads import LEAST_REPS
from forcekit.history.questions import control_chart_of, trend_of
from forcekit.history.series import Series, check_movement, series
from forcekit.history.store import Store
from forcekit.history.trend import Trend
from forcekit.history.usual import usual_range
from forcekit.history.wording import Wording, measure_words
from forcekit.model import FloatArray

__all__ = ["DIP_TIMING", "Charted", "Timeline", "TimelineRow", "charted", "newest", "timeline_of"]

DIP_TIMING = ("unweighting_time", "braking_time", "transition_time", "drive_time")
MOST_ATTEMPTS = 300
"""More attempts than this cannot be told apart in a picture (our choice); the newest are shown."""


@dataclass(frozen=True, slots=True, eq=False)
class Charted:
    """A control chart laid on the attempts of a timeline.

    All arrays have shape (n,), in the measure's SI unit, NaN where withheld: value and 95 % interval brought to the
    chart's load, what the chart draws for the attempt (its value, or the weighted mean of its session) and the limits.
    """

    chart: ControlChart
    value: FloatArray
    low: FloatArray
    high: FloatArray
    drawn: FloatArray
    limit_low: FloatArray
    limit_high: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class TimelineRow:
    """One measure: value and 95 % interval of each attempt, usual range at its load, the trend, a chart if asked for.

    All arrays have shape (n,), in the measure's SI unit; NaN where withheld, and where there is no usual range.
    """

    measure: str
    words: Wording
    value: FloatArray
    low: FloatArray
    high: FloatArray
    usual_low: FloatArray
    usual_high: FloatArray
    trend: Trend
    charted: Charted | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Timeline:
    """Attempts in order of time, and several measures of them.

    Attributes
    ----------
    attempts : Series
        Load, session, outcome, cue and drill of each attempt (its value is the first measure's).
    n_left_out : int
        Older attempts that are not shown.
    """

    athlete: str
    attempts: Series
    rows: tuple[TimelineRow, ...]
    n_left_out: int


def timeline_of(
    store: Store,
    athlete: str,
    measures: Iterable[str] = DIP_TIMING,
    *,
    movement: str | None = None,
    since: float | None = None,
) -> Timeline:
    """Read the newest attempts with several measures, withheld values included.

    Notes
    -----
    The usual range of each attempt is that of the next rep at its load, made from all attempts shown: one in twenty of
    them lies outside if nothing changed.
    """
    names = tuple(measures)
    read = [series(store, athlete, name, movement=movement, since=since) for name in names]
    every = max(read, key=len)
    if not len(every):
        check_movement(store, athlete, movement)
        of = "" if movement is None else f' with the movement "{movement}"'
        raise InputError(f'trend: no attempt of "{athlete}"{of} is that new. Give an earlier date, or leave it out.')
    rows = np.arange(len(every)) >= len(every) - MOST_ATTEMPTS
    shown = every.where(rows)
    found = []
    for name, s in zip(names, read, strict=True):
        value, low, high = (_placed(shown, s, column) for column in (s.value, s.low, s.high))
        words = measure_words(name, s.unit)
        bottom, top = _usual(value, shown.load_kg, name, words)
        trend = trend_of(store, athlete, name, movement=movement, since=since)
        found.append(TimelineRow(name, words, value, low, high, bottom, top, trend))
    return Timeline(athlete, shown, tuple(found), len(every) - len(shown))


def newest(timeline: Timeline, n: int) -> Timeline:
    """Give the newest n attempts of a timeline; usual ranges and trends stay those of all of them, charts go."""
    total = len(timeline.attempts)
    if total <= n:
        return timeline
    kept = np.arange(total) >= total - n
    columns = ("value", "low", "high", "usual_low", "usual_high")
    rows = tuple(replace(row, charted=None, **{c: getattr(row, c)[kept] for c in columns}) for row in timeline.rows)
    return Timeline(timeline.athlete, timeline.attempts.where(kept), rows, timeline.n_left_out + total - n)


def charted(
    store: Store,
    timeline: Timeline,
    kind: ChartKind,
    *,
    robust: bool = False,
    movement: str | None = None,
    since: float | None = None,
) -> Timeline:
    """Lay a control chart of each measure on a timeline; `movement` and `since` as the timeline was read.

    Notes
    -----
    A chart is made of all attempts, also of older ones that the timeline does not show.
    """
    rows = []
    for row in timeline.rows:
        s = series(store, timeline.athlete, row.measure, movement=movement, since=since)
        chart = control_chart_of(
            store, timeline.athlete, row.measure, kind=kind, robust=robust, movement=movement, since=since
        )
        of_point = [np.append(column, np.nan)[chart.i_point] for column in (chart.drawn, chart.low, chart.high)]
        drawn, bottom, top = (_placed(timeline.attempts, s, column) for column in of_point)
        value = _placed(timeline.attempts, s, chart.level)
        moved = value - row.value
        laid = Charted(chart, value, row.low + moved, row.high + moved, drawn, bottom, top)
        rows.append(replace(row, charted=laid))
    return replace(timeline, rows=tuple(rows))


def _placed(shown: Series, s: Series, column: FloatArray) -> FloatArray:
    """A column of one series at the attempts shown, NaN where that series has no such attempt."""
    where = {int(i): float(v) for i, v in zip(s.attempt_id, column, strict=True)}
    return np.array([where.get(int(i), np.nan) for i in shown.attempt_id], dtype=np.float64)


def _usual(value: FloatArray, loads: FloatArray, measure: str, words: Wording) -> tuple[FloatArray, FloatArray]:
    """Ends of the usual range at each attempt's load; one range for each load lifted."""
    low, high = np.full(value.size, np.nan), np.full(value.size, np.nan)
    if np.count_nonzero(np.isfinite(value)) < LEAST_REPS:
        return low, high
    known = np.isfinite(loads)
    for load in np.unique(loads[known]):
        usual = usual_range(value[known], loads[known], load_kg=float(load), measure=measure, words=words)
        if usual.ok:
            low[loads == load], high[loads == load] = usual.low, usual.high
    if not known.all():
        usual = usual_range(value[~known], measure=measure, words=words)
        if usual.ok:
            low[~known], high[~known] = usual.low, usual.high
    return low, high
