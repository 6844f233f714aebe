"""The phases of every attempt on top of each other, aligned at the lowest point, over the attempts in order of time.

Downward from the lowest point stand braking and unweighting, upward the drive, all in milliseconds; below, the
turnaround with its usual range, and the load. Phases are told apart by shade and by their names at the side.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from forcekit.errors import InputError
from forcekit.history.timeline import Timeline
from forcekit.history.wording import iso_day
from forcekit.model import FloatArray
from forcekit.show.charts import BLUE, INK, PALE, STYLE
from forcekit.show.text_plots import one_line
from forcekit.show.trends import (
    SHAPES,
    cue_spans,
    draw_cues,
    draw_loads,
    draw_measure,
    draw_sessions,
    draw_words,
    places,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["PHASES", "aligned_figure"]

PHASES = ("unweighting_time", "braking_time", "drive_time")
LOOK = {"unweighting_time": "#e9e9e4", "braking_time": "#a9a9a2", "drive_time": "#bcd7ea"}
BAR_WIDTH = 0.78


def aligned_figure(
    timeline: Timeline, *, width_in: float | None = None, day: Callable[[float], str] = iso_day,
    title: str | None = None,
) -> Figure:  # fmt: skip
    """Draw the phases of a timeline, aligned at the lowest point.

    Parameters
    ----------
    timeline : Timeline
        With unweighting, braking and drive time among its measures; the turnaround is drawn below if it is there.
    width_in : float, optional
        Width in inches; left out, as the attempts need.
    day : callable
        Writes the day of a time, seconds since 1970 (UTC).
    title : str, optional
        Stands after the name; given, trends are told elsewhere and not over the panels.

    Returns
    -------
    matplotlib Figure

    Raises
    ------
    InputError
        If a phase is not among the measures.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    rows = {row.measure: row for row in timeline.rows}
    missing = [name for name in PHASES if name not in rows]
    if missing:
        raise InputError(f"aligned phases: {', '.join(missing)} is missing; ask for {', '.join(PHASES)}.")
    place = places(timeline.attempts.session)
    turn = rows.get("transition_time")
    width = width_in or min(17.0, max(8.6, 2.4 + 0.16 * float(place[-1])))
    with mpl.rc_context(STYLE):
        high = 5.6 if width > 5.0 else 6.4
        figure = Figure(figsize=(width, high if turn else high - 1.4), layout="constrained")
        heights = (2.6, *([1.0] if turn else []), 0.5)
        grid = figure.add_gridspec(len(heights), 1, height_ratios=heights)
        panels = [figure.add_subplot(grid[0, 0])]
        panels += [figure.add_subplot(grid[i, 0], sharex=panels[0]) for i in range(1, len(heights))]
        spans = cue_spans(timeline, place)
        _phases(panels[0], timeline, place, width)
        if turn:
            draw_measure(panels[1], timeline, turn, place, width, title=None if title is None else "")
        draw_loads(panels[-1], timeline, place)
        draw_sessions(panels, timeline, place, day)
        draw_cues(panels, spans)
        panels[0].set_xlim(place[0] - 1.2, place[-1] + 1.2)
        draw_words(figure, timeline, spans, columns=None if width > 7.0 else 2)
        if width_in is not None:
            said = title or f"{len(place)} attempts in order of time"
            figure.suptitle(f"{one_line(timeline.athlete)}: {said}\n\n", x=0.01,
                            ha="left", fontsize=10, parse_math=False)  # fmt: skip
    return figure


def _phases(axes: Axes, timeline: Timeline, place: FloatArray, width_in: float) -> None:
    """Bars of the three phases with the usual ends of braking and drive, the outcome on top."""
    rows = {row.measure: row for row in timeline.rows}
    whole = np.all([np.isfinite(rows[name].value) for name in PHASES], axis=0)
    fall, brake, drive = (1e3 * np.where(whole, rows[name].value, 0.0) for name in PHASES)
    if not whole.all():  # a phase that was withheld leaves a gap, not a bar of another meaning
        axes.plot(place[~whole], np.zeros(int((~whole).sum())), "x", color=PALE, ms=5, zorder=4)
    if not whole.any():
        return
    bottoms = {"unweighting_time": -(fall + brake), "braking_time": -brake, "drive_time": np.zeros(place.size)}
    for name, height in zip(PHASES, (fall, brake, drive), strict=True):
        axes.bar(place, height, BAR_WIDTH, bottoms[name], color=LOOK[name], ec="white", lw=0.6, zorder=2)
    axes.axhline(0.0, color=INK, lw=0.9, zorder=3)
    for name, sign in (("braking_time", -1.0), ("drive_time", 1.0)):
        row = rows[name]
        for end in (row.usual_low, row.usual_high):
            y = 1e3 * sign * end
            axes.hlines(y, place - 0.5, place + 0.5, color=BLUE, lw=0.9, zorder=4)
    top = float(np.nanmax(drive)) if drive.size else 100.0
    outcome = np.array(timeline.attempts.outcome, dtype=object)
    for name, (marker, face, edge, size) in SHAPES.items():
        mine = outcome == name
        x = place[mine]
        axes.scatter(x, np.full(x.size, top * 1.24), marker=marker, fc=face, ec=edge, s=0.7 * size, lw=0.8, zorder=5)
    deep = float(np.max(fall + brake))
    axes.set_ylim(-1.12 * deep, top * 1.75)
    step = 100 if width_in > 5.0 else 200
    axes.set_yticks([t for t in range(-2000, 2001, step) if -1.1 * deep <= t <= 1.05 * top])
    axes.set_ylabel("from the lowest point (ms)\ndip  ↔  drive")
    first = int(np.flatnonzero(whole)[0])
    for words, y in (
        ("sinking", -brake[first] - 0.5 * fall[first]),
        ("braking", -0.5 * brake[first]),
        ("drive", 0.5 * drive[first]),
    ):
        axes.annotate(
            words, (place[0] - 0.5, y), xytext=(1.5, 0), textcoords="offset points", rotation=0, va="center", ha="left",
            fontsize=8, color=INK, zorder=6, bbox={"fc": "white", "ec": "none", "alpha": 0.75, "pad": 0.8},
        )  # fmt: skip
    axes.set_title(
        "Phases of each dip and drive; blue lines: usual range of braking and drive at that load",
        fontsize=8.5, loc="left", color=INK, wrap=True,
    )  # fmt: skip
    axes.tick_params(labelbottom=False, bottom=False)
    axes.annotate("outcome", (0.0, top * 1.24), xycoords=("axes fraction", "data"), xytext=(-3, 0),
                  textcoords="offset points", ha="right", va="center", fontsize=7.5, color=PALE)  # fmt: skip
