"""Figures of the report: one lift on a column a phone shows whole, and the session against the usual range.

Both lifts of a pair are drawn on the same axes: time from the lowest point, force as a multiple of the weight of lifter
and bar, so that different loads can be held side by side and nobody's weight stands on the page.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from forcekit.history.digest_usual import UsualRow
from forcekit.history.timeline import Timeline
from forcekit.model import FloatArray
from forcekit.numbers import decimal
from forcekit.registry import MEASURES
from forcekit.results import Lift
from forcekit.show.charts import AFTER_S as AFTER_BAR_S
from forcekit.show.charts import (
    BLUE,
    INK,
    ORANGE,
    PALE,
    SHADES,
    STYLE,
    bar_reach_cm,
    draw_bar_path,
    draw_foot,
    phase_spans,
)
from forcekit.show.trends import (
    LETTERS_PER_INCH,
    cue_spans,
    draw_cues,
    draw_loads,
    draw_measure,
    draw_sessions,
    legend_handles,
    places,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Frame", "course_figure", "foot_figure", "frame_of", "path_figure", "timing_figure", "usual_figure"]

COLUMN_IN = 3.6
"""Width of a figure that a phone of 390 px shows whole with letters of about 11 px."""
BEFORE_S, AFTER_S = 0.12, 0.12
LANE = 0.24
"""Distance of marks over each other, where a row is one high; a mark and a hair."""
SHORT = {"unweighting": "sinking", "braking": "braking", "drive": "drive"}


@dataclass(frozen=True, slots=True)
class Frame:
    """Axes that several lifts share: seconds from the lowest point, multiples of weight, centimetres."""

    start_s: float
    end_s: float
    force: tuple[float, float]
    height_cm: tuple[float, float]
    bar_cm: tuple[float, float] | None = None
    """Heights of the bar's path, where there is one; `reach_cm` is how far its axes go to either side."""
    reach_cm: float = 0.0


def frame_of(lifts: Sequence[Lift]) -> Frame:
    """Axes in which all these lifts fit."""
    starts = [lift.instants.onset_s - lift.instants.lowest_s for lift in lifts]
    ends = [lift.instants.drive_end_s - lift.instants.lowest_s for lift in lifts]
    start, end = min(starts) - BEFORE_S, max(ends) + AFTER_S
    forces, heights = [0.0], [0.0]
    for lift in lifts:
        t, force, height = _shown(lift, start, end)
        if force is not None:
            forces += [float(np.nanmax(force))]
        heights += [float(height.min()), float(height.max())] if t.size else []
    bars = [z for lift in lifts if (z := _bar_heights(lift)) is not None and z.size]
    bar = (min(float(z.min()) for z in bars) - 2.0, max(float(z.max()) for z in bars) + 2.0) if bars else None
    reach = max(bar_reach_cm(lift) for lift in lifts)
    return Frame(start, end, (0.0, 1.1 * max(forces) or 1.0), (min(heights) - 2.0, max(heights) + 2.0), bar, reach)


def _bar_heights(lift: Lift) -> FloatArray | None:
    """Heights of the bar (cm over its place at the onset) for as long as its path is drawn."""
    bar, at = lift.bar, lift.instants
    if bar is None or bar.forward_m is None:
        return None
    i, j = np.searchsorted(bar.t_s, (at.onset_s, at.drive_end_s + AFTER_BAR_S))
    return np.asarray(100.0 * (bar.up_m[i:j] - float(np.interp(at.onset_s, bar.t_s, bar.up_m))), dtype=np.float64)


def _shown(lift: Lift, start_s: float, end_s: float) -> tuple[FloatArray, FloatArray | None, FloatArray]:
    """Time from the lowest point (s), force (× weight) where there is a plate, height over stance (cm)."""
    curves, at = lift.curves, lift.instants
    t = curves.t_s - at.lowest_s
    cut = (t >= start_s) & (t <= end_s)
    weight = lift.measures["system_weight"].value
    force = None
    if curves.force_n is not None:
        first = np.searchsorted(curves.t_s, at.stance_end_s)
        force = curves.force_n[cut] / (weight or float(np.mean(curves.force_n[: max(1, first)])))
    height = 100.0 * (curves.travel_m - float(np.interp(at.onset_s, curves.t_s, curves.travel_m)))
    return t[cut], force, height[cut]


def timing_figure(lift: Lift, frame: Frame) -> Figure:
    """Draw force and height of one lift over the shaded phases."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(STYLE):
        with_force = lift.curves.force_n is not None
        figure = Figure(figsize=(COLUMN_IN, 3.7 if with_force else 2.2), layout="constrained")
        rows = list(figure.subplots(2 if with_force else 1, 1, sharex=True, squeeze=False)[:, 0])
        t, force, height = _shown(lift, frame.start_s, frame.end_s)
        if force is not None:
            rows[0].plot(1e3 * t, force, color=BLUE, lw=1.6)
            rows[0].axhline(1.0, color=PALE, lw=0.8, ls="--")
            rows[0].set_ylim(*frame.force)
            rows[0].set_ylabel("force (× weight)")
        rows[-1].plot(1e3 * t, height, color=BLUE, lw=1.6)
        rows[-1].axhline(0.0, color=PALE, lw=0.8, ls="--")
        rows[-1].set_ylim(*frame.height_cm)
        rows[-1].set_ylabel("height (cm)")
        rows[-1].set_xlabel("time from the lowest point (ms)")
        _phases(lift, rows, frame)
    return figure


def _phases(lift: Lift, rows: Sequence[Axes], frame: Frame) -> None:
    """Shade the phases and write their names and lengths above."""
    at = lift.instants
    spans = phase_spans(at)
    for axes in rows:
        for name, (a, b) in spans.items():
            axes.axvspan(1e3 * (a - at.lowest_s), 1e3 * (b - at.lowest_s), color=SHADES[name], lw=0)
        axes.axvline(0.0, color=INK, lw=0.9, ls=":")
        axes.set_xlim(1e3 * frame.start_s, 1e3 * frame.end_s)
    for name, (a, b) in spans.items():
        x = 1e3 * (0.5 * (a + b) - at.lowest_s)
        rows[0].annotate(
            f"{SHORT[name]}\n{1e3 * (b - a):.0f} ms", (x, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 2),
            textcoords="offset points", ha="center", va="bottom", fontsize=8, color=INK,
        )  # fmt: skip


def foot_figure(lift: Lift, told: Sequence[str], aim: tuple[str, float] | None = None) -> Figure | None:
    """Draw the path of the pressure on the foot; None where the plate does not measure it.

    `told` stands above it; `aim` is a measure with its limit as a share of the foot.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    if lift.curves.cop_x_m is None:
        return None
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(COLUMN_IN, 4.4), layout="constrained")
        draw_foot(lift, figure.subplots(), told=told, aim=aim)
    return figure


def path_figure(lift: Lift, frame: Frame) -> Figure | None:
    """Draw the bar's path from the side; None without a sensor on the bar, or where it cannot tell."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    if lift.bar is None or lift.bar.forward_m is None:
        return None
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(COLUMN_IN, 4.2), layout="constrained")
        draw_bar_path(lift, figure.subplots(), height_cm=frame.bar_cm, reach_cm=frame.reach_cm or None)
    return figure


def usual_figure(rows: Sequence[UsualRow], *, columns: int = 1) -> Figure:
    """Draw each measure of the session as numbered marks over its usual range; all ranges are drawn equally wide.

    Parameters
    ----------
    rows : sequence of UsualRow
    columns : int
        Side by side, each as wide as a phone.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    each = math.ceil(len(rows) / columns)
    drawn = [_UsualMarks.of(row) for row in rows]
    parts = [drawn[j * each : (j + 1) * each] for j in range(columns)]
    high = max((sum(marks.high for marks in part) for part in parts), default=0.0)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(COLUMN_IN * columns, 0.25 + 0.72 * high), layout="constrained")
        panels = figure.subplots(1, columns, squeeze=False)[0]
        for axes, part in zip(panels, parts, strict=True):
            y = 0.5
            for marks in part:
                y -= 0.5 * marks.high
                _usual_row(axes, marks, y)
                y -= 0.5 * marks.high
            axes.set_xlim(-2.05, 2.05)
            axes.set_ylim(-high + 0.45, 0.75)
            axes.set_axis_off()
    return figure


@dataclass(frozen=True, slots=True)
class _UsualMarks:
    """A row of the figure: where its marks stand, over each other where they would hide each other."""

    row: UsualRow
    place: FloatArray
    above: FloatArray
    extra: float
    """How far the marks reach beyond two lanes, to both sides."""

    @classmethod
    def of(cls, row: UsualRow) -> _UsualMarks:
        half = 0.5 * (row.high - row.low)
        place = np.clip((row.value - 0.5 * (row.low + row.high)) / half, -1.9, 1.9)
        lane = _lanes(place)
        middle = 0.5 * float(lane.max())
        return cls(row, place, LANE * (lane - middle), LANE * max(0.0, middle - 0.5))

    @property
    def high(self) -> float:
        """Height of the row; one for two lanes and fewer."""
        return 1.0 + 2.0 * self.extra


def _usual_row(axes: Axes, marks: _UsualMarks, y: float) -> None:
    row, place, high = marks.row, marks.place, y + marks.above
    axes.fill_between([-1.0, 1.0], y - 0.17, y + 0.17, color="#dcdcd6", lw=0)
    inside = (row.value >= row.low) & (row.value <= row.high)
    axes.plot(place[inside], high[inside], "o", mfc="white", mec=BLUE, mew=1.2, ms=10.0)
    axes.plot(place[~inside], high[~inside], "D", mfc="white", mec=ORANGE, mew=1.6, ms=9.0)
    for k, (a, b) in enumerate(zip(place, high, strict=True)):
        number = row.i_rep[k] + 1 if row.i_rep else k + 1
        axes.text(a, b, str(number), fontsize=7.5, color=INK, ha="center", va="center_baseline", zorder=6)
    info = MEASURES[row.measure]
    unit = f" ({row.words.unit})" if row.words.unit else ""
    better = {"lower": "  ← better", "higher": "  better →"}.get(row.better or "", "")
    label = f"{row.words.label}{unit}{better}"
    axes.text(-2.0, y + 0.28 + marks.extra, label, fontsize=8.5, color=INK, va="bottom")
    for x, end in ((-1.0, row.low), (1.0, row.high)):
        told = decimal(info.factor * end, info.digits)
        axes.text(x, y - 0.28 - marks.extra, told, fontsize=8, color=PALE, ha="center", va="top")


def _lanes(place: FloatArray) -> FloatArray:
    """Lane of each mark, so that marks side by side do not hide each other."""
    lane = np.zeros(place.size)
    ends: list[float] = []
    for k in np.argsort(place, kind="stable"):
        free = [i for i, end in enumerate(ends) if place[k] - end >= 0.19]
        if free:
            lane[k] = free[0]
            ends[free[0]] = float(place[k])
        else:
            lane[k] = len(ends)
            ends.append(float(place[k]))
    return lane


def course_figure(timeline: Timeline, limit: float | None, *, width_in: float, day: Callable[[float], str]) -> Figure:
    """Draw the first measure of a timeline with its usual range and a limit (SI), loads, cues, outcome."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    place = places(timeline.attempts.session)
    row = timeline.rows[0]
    with mpl.rc_context(STYLE):
        wide = width_in > 5.0
        figure = Figure(figsize=(width_in, 3.1 if wide else 3.9), layout="constrained")
        top, low = figure.subplots(2, 1, sharex=True, height_ratios=(2.4, 0.6))
        spans = cue_spans(timeline, place)
        draw_measure(top, timeline, row, place, width_in, title="")
        if limit is not None:
            shown = row.words.factor * limit
            bottom, high = top.get_ylim()
            pad = 0.08 * (high - bottom)
            top.set_ylim(min(bottom, shown - pad), max(high, shown + pad))
            top.axhline(shown, color=INK, lw=1.2, ls=(0, (6, 2)), zorder=3)
            top.annotate("aim", (1.0, shown), xycoords=("axes fraction", "data"), xytext=(3, 0),
                         textcoords="offset points", ha="left", va="center", fontsize=8, color=INK)  # fmt: skip
        draw_loads(low, timeline, place)
        draw_sessions((top, low), timeline, place, day)
        draw_cues((top, low), spans)
        top.set_xlim(place[0] - 1.2, place[-1] + 1.2)
        figure.legend(handles=legend_handles(timeline, spans), loc="outside upper left", ncols=5 if wide else 2,
                      frameon=False, fontsize=8, handletextpad=0.4, columnspacing=1.2)  # fmt: skip
        if told := dict.fromkeys(f"{letter}: {words}" for _, _, letter, words in spans):
            width = int(LETTERS_PER_INCH * width_in)
            lines = [textwrap.fill(text, width) for text in list(told)[:4]]
            figure.supxlabel("\n".join(lines), x=0.01, ha="left", fontsize=8, parse_math=False)
    return figure
