"""Figure of control charts: reps brought to one load, centre line and limits, what lies outside ringed and dated."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import numpy as np

from forcekit.history.timeline import Charted, Timeline, TimelineRow
from forcekit.history.wording import number_text
from forcekit.model import FloatArray
from forcekit.show.charts import BLUE, INK, PALE, SHORT_DASHES
from forcekit.show.trends import draw_attempts, interval_handle, name_panel, panelled, runs_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["control_figure"]

PANEL_IN = 2.3
MOST_DATED = 6
"""Points outside that get their day in the figure; the others only a ring."""


def control_figure(timeline: Timeline) -> Figure:
    """Draw the control charts of a timeline, one panel for each measure.

    Parameters
    ----------
    timeline : Timeline
        As `forcekit.history.timeline.charted` gives it.

    Returns
    -------
    matplotlib Figure
    """
    from matplotlib.lines import Line2D

    handles = [
        interval_handle(),
        Line2D([], [], color=INK, lw=0.8, label="centre"),
        Line2D([], [], color=INK, lw=1.2, ls=SHORT_DASHES, label="limits"),
        Line2D([], [], ls="none", marker="o", mfc="none", mec=INK, mew=1.3, ms=11, label="outside"),
    ]
    kinds = {row.charted.chart.kind for row in timeline.rows if row.charted is not None}
    if "weighted" in kinds:
        handles[0] = Line2D([], [], color=BLUE, lw=1.6, marker="s", mfc="white", ms=5, label="weighted mean")
        handles[2].set_label("its limits")
    return panelled(timeline, _draw_chart, PANEL_IN, handles)


def _draw_chart(axes: Axes, timeline: Timeline, row: TimelineRow, place: FloatArray, width_in: float) -> None:
    assert row.charted is not None
    laid, k = row.charted, row.words.factor
    chart = laid.chart
    draw_attempts(axes, timeline, place, k * laid.value, k * laid.low, k * laid.high, faint=chart.kind == "weighted")
    name_panel(axes, row, chart.sentence, width_in)
    if chart.centre is not None and np.isfinite(laid.drawn).any():
        x, y, low, high, at_s = _shown(timeline, laid, place)
        edges = (float(place[0]) - 0.8, float(place[-1]) + 0.8)
        axes.plot(edges, [k * chart.centre] * 2, color=INK, lw=0.8, zorder=1)
        for end in (low, high):
            _draw_limit(axes, x, k * end, edges)
            axes.annotate(
                number_text(float(end[-1]), row.words, float(high[-1] - low[-1])), (1.0, k * end[-1]),
                xycoords=("axes fraction", "data"), xytext=(4, 0), textcoords="offset points",
                ha="left", va="center", fontsize=7.5, color=INK,
            )  # fmt: skip
        if chart.kind == "weighted":
            axes.plot(x, k * y, color=BLUE, lw=1.6, marker="s", mfc="white", ms=5, zorder=5)
        _draw_outside(axes, x, k * y, np.flatnonzero((y < low) | (y > high)), at_s, k * chart.centre)
    _set_room(axes, k, laid)


def _shown(timeline: Timeline, laid: Charted, place: FloatArray) -> tuple[FloatArray, ...]:
    """Place, height, limits and time of each point among the attempts shown."""
    have = np.flatnonzero(np.isfinite(laid.drawn))
    keys = timeline.attempts.session[have] if laid.chart.kind == "weighted" else have
    runs = runs_of(keys.tolist())
    first = have[[a for a, _ in runs]]
    x = np.array([0.5 * (place[have[a]] + place[have[b]]) for a, b in runs])
    at_s = timeline.attempts.lifted_at[first]
    return x, laid.drawn[first], laid.limit_low[first], laid.limit_high[first], at_s


def _draw_limit(axes: Axes, x: FloatArray, end: FloatArray, edges: tuple[float, float]) -> None:
    """A limit as steps that change halfway between points."""
    walls = np.concatenate([[edges[0]], 0.5 * (x[:-1] + x[1:]), [edges[1]]])
    axes.step(walls, np.append(end, end[-1]), where="post", color=INK, lw=1.2, ls=SHORT_DASHES, zorder=3)


def _draw_outside(axes: Axes, x: FloatArray, y: FloatArray, outside: Any, at_s: FloatArray, centre: float) -> None:
    axes.scatter(x[outside], y[outside], marker="o", fc="none", ec=INK, s=150.0, lw=1.3, zorder=6)
    for i in outside[-MOST_DATED:]:
        day = time.strftime("%m-%d", time.localtime(float(at_s[i])))
        above = bool(y[i] > centre)
        axes.annotate(
            day, (x[i], y[i]), xytext=(0, 9 if above else -9), textcoords="offset points", ha="center",
            va="bottom" if above else "top", fontsize=7.5, color=INK, zorder=7,
            bbox={"fc": "white", "ec": "none", "alpha": 0.75, "pad": 0.6},
        )  # fmt: skip


def _set_room(axes: Axes, k: float, laid: Charted) -> None:
    """Show all values, and the limits unless few reps make them far wider than all of these."""
    value = k * laid.value[np.isfinite(laid.value)]
    if not value.size:
        axes.set_ylim(0.0, 1.0)
        axes.text(0.5, 0.5, "no value", transform=axes.transAxes, ha="center", va="center", color=PALE)
        return
    ends = [k * e[np.isfinite(e)] for e in (laid.limit_low, laid.limit_high)]
    bottom = min([float(value.min()), *ends[0].tolist()])
    top = max([float(value.max()), *ends[1].tolist()])
    room = 0.14 * (top - bottom) or 0.02 * abs(top) or 1.0
    axes.set_ylim(bottom - room, top + 1.3 * room)
