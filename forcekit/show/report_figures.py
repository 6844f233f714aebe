"""Figures of the report: one lift on a column a phone shows whole, and the session against the usual range.

Both lifts of a pair are drawn on the same axes: time from the lowest point, force as a multiple of the weight of lifter
and bar, so that different loads can be held side by side and nobody's weight stands on the page.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from forcekit.history.digest import UsualRow
from forcekit.history.wording import number_text
from forcekit.model import FloatArray, Lift
from forcekit.show.charts import BLUE, INK, ORANGE, PALE, SHADES, STYLE, draw_bar_path, draw_foot

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Frame", "foot_figure", "frame_of", "path_figure", "timing_figure", "usual_figure"]

COLUMN_IN = 3.6
"""Width of a figure that a phone of 390 px shows whole with letters of about 11 px."""
BEFORE_S, AFTER_S = 0.12, 0.12
SHORT = {"unweighting": "sinking", "braking": "braking", "drive": "drive"}


@dataclass(frozen=True, slots=True)
class Frame:
    """Axes that several lifts share: seconds from the lowest point, multiples of weight, centimetres."""

    start_s: float
    end_s: float
    force: tuple[float, float]
    height_cm: tuple[float, float]


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
    return Frame(start, end, (0.0, 1.1 * max(forces) or 1.0), (min(heights) - 2.0, max(heights) + 2.0))


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
    spans = {
        "unweighting": (at.onset_s, at.braking_start_s),
        "braking": (at.braking_start_s, at.lowest_s),
        "drive": (at.lowest_s, at.drive_end_s),
    }
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


def foot_figure(lift: Lift) -> Figure | None:
    """Draw the path of the pressure on the foot; None where the plate does not measure it."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    if lift.curves.cop_x_m is None:
        return None
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(COLUMN_IN, 4.4), layout="constrained")
        draw_foot(lift, figure.subplots())
    return figure


def path_figure(lift: Lift) -> Figure | None:
    """Draw the bar's path from the side; None without a sensor on the bar, or where it cannot tell."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    if lift.bar is None or lift.bar.forward_m is None:
        return None
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(COLUMN_IN, 4.4), layout="constrained")
        draw_bar_path(lift, figure.subplots())
    return figure


def usual_figure(rows: Sequence[UsualRow]) -> Figure:
    """Draw each measure of the session as dots over its usual range; all ranges are drawn equally wide.

    Parameters
    ----------
    rows : sequence of UsualRow
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(COLUMN_IN, 0.25 + 0.55 * len(rows)), layout="constrained")
        axes = figure.subplots()
        for i, row in enumerate(rows):
            y = -float(i)
            half = 0.5 * (row.high - row.low)
            place = np.clip((row.value - 0.5 * (row.low + row.high)) / half, -1.9, 1.9)
            axes.fill_between([-1.0, 1.0], y - 0.17, y + 0.17, color="#dcdcd6", lw=0)
            inside = np.abs(place) <= 1.0
            axes.plot(place[inside], np.full(int(inside.sum()), y), "o", color=BLUE, ms=5)
            axes.plot(place[~inside], np.full(int((~inside).sum()), y), "D", mfc=ORANGE, mec=INK, ms=6)
            unit = f" ({row.words.unit})" if row.words.unit else ""
            axes.text(-2.0, y + 0.25, f"{row.words.label}{unit}", fontsize=8.5, color=INK, va="bottom")
            for x, end, side in ((-1.0, row.low, "center"), (1.0, row.high, "center")):
                told = number_text(end, row.words, 2.0 * half, unit=False)
                axes.text(x, y - 0.21, told, fontsize=8, color=PALE, ha=side, va="top")
        axes.set_xlim(-2.05, 2.05)
        axes.set_ylim(-len(rows) + 0.45, 0.75)
        axes.set_axis_off()
    return figure
