"""Figures of an athlete's attempts one after the other: dip timing with its usual range, load, outcome and cue trials.

Outcomes are told apart by the shape and the filling of the marker, with their names in the legend; the usual range is
a band, a cue trial a hatched stretch with a letter. Nothing is told by colour alone; blue and orange are of the
palette of Okabe and Ito (2008; from memory).
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from forcekit.history.timeline import Timeline, TimelineRow
from forcekit.history.wording import iso_day, load_text
from forcekit.model import FloatArray
from forcekit.show.charts import BLUE, INK, ORANGE, PALE, STYLE, save_figure
from forcekit.show.text_plots import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "BAND",
    "SHAPES",
    "cue_spans",
    "draw_attempts",
    "draw_cues",
    "draw_loads",
    "draw_measure",
    "draw_sessions",
    "draw_words",
    "interval_handle",
    "legend_handles",
    "name_panel",
    "panelled",
    "places",
    "runs_of",
    "save_trend_figure",
    "trend_figure",
]

BAND = "#e3e3dd"
HATCH = "#b5b5b0"
SESSION_GAP = 0.9
"""Room between two sessions, in attempts."""
MOST_LOADS = 45
"""Load labels that find room side by side."""
MOST_DATES = 14
LETTERS_PER_INCH = 13
"""Letters of a panel's title in an inch of the figure's width; on the safe side."""

# Outcome -> (marker, face, edge, size); the shapes of the two most frequent misses point where the bar went, with the
# time axis taken as the lifter's view to the right.
SHAPES: dict[str, tuple[str, str, str, float]] = {
    "made": ("o", BLUE, BLUE, 26.0),
    "missed forward": (">", ORANGE, INK, 62.0),
    "missed back": ("<", ORANGE, INK, 62.0),
    "missed otherwise": ("X", ORANGE, INK, 62.0),
    "not tried": ("D", "white", INK, 30.0),
    "": ("o", "white", BLUE, 26.0),
}
NAMES = {"": "outcome not written"}


def trend_figure(timeline: Timeline) -> Figure:
    """Draw a timeline, one panel for each measure.

    Parameters
    ----------
    timeline : Timeline

    Returns
    -------
    matplotlib Figure
    """
    return panelled(timeline, draw_measure, 1.75)


def panelled(
    timeline: Timeline,
    draw: Callable[[Axes, Timeline, TimelineRow, FloatArray, float], None],
    panel_in: float,
    handles: Sequence[Any] | None = None,
) -> Figure:
    """Draw one panel of so many inches for each measure over the loads, with sessions, cues, title and legend.

    Parameters
    ----------
    draw : callable
        Draws a row into its panel, given the places of the attempts and the width of the figure in inches.
    handles : sequence, optional
        What the legend holds besides outcomes and cues; left out, interval and usual range.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    place = places(timeline.attempts.session)
    n = len(timeline.rows)
    with mpl.rc_context(STYLE):
        width = min(17.0, max(8.6, 2.4 + 0.16 * float(place[-1])))
        figure = Figure(figsize=(width, 1.3 + panel_in * n + 0.7), layout="constrained")
        grid = figure.add_gridspec(n + 1, 1, height_ratios=(*[1.0] * n, 0.735 / panel_in))
        panels = [figure.add_subplot(grid[0, 0])]
        panels += [figure.add_subplot(grid[i, 0], sharex=panels[0]) for i in range(1, n + 1)]
        spans = cue_spans(timeline, place)
        for axes, row in zip(panels[:-1], timeline.rows, strict=True):
            draw(axes, timeline, row, place, width)
        draw_loads(panels[-1], timeline, place)
        draw_sessions(panels, timeline, place)
        draw_cues(panels, spans)
        panels[0].set_xlim(place[0] - 1.2, place[-1] + 1.2)
        draw_words(figure, timeline, spans, handles=handles)
    return figure


def save_trend_figure(timeline: Timeline, path: Path, *, aligned: bool = False) -> None:
    """Write the figure of a timeline as PNG, SVG or PDF; the same timeline gives the same bytes.

    Parameters
    ----------
    timeline : Timeline
        With control charts laid on it (`forcekit.history.timeline.charted`), these are drawn.
    path : Path
    aligned : bool
        The phases of each attempt on top of each other (`forcekit.show.aligned`) instead of one panel a measure.

    Raises
    ------
    InputError
        If the suffix is another one or the file cannot be written.
    """
    save_figure(lambda: _figure(timeline, aligned), path)


def _figure(timeline: Timeline, aligned: bool) -> Figure:
    if aligned:
        from forcekit.show.aligned import aligned_figure

        return aligned_figure(timeline)
    if any(row.charted for row in timeline.rows):
        from forcekit.show.control_figure import control_figure

        return control_figure(timeline)
    return trend_figure(timeline)


# ---------------------------------------------------------------------------------------------------- places


def places(session: FloatArray) -> FloatArray:
    """Place of each attempt on the axis: one after the other, with room between sessions."""
    new = np.concatenate([[False], np.diff(session) != 0.0])
    return np.arange(session.size) + SESSION_GAP * np.cumsum(new)


def runs_of(keys: Sequence[object]) -> list[tuple[int, int]]:
    """First and last index of each run of equal keys."""
    edges = [i for i in range(len(keys)) if i == 0 or keys[i] != keys[i - 1]]
    return list(zip(edges, [*(i - 1 for i in edges[1:]), len(keys) - 1], strict=True))


def cue_spans(timeline: Timeline, place: FloatArray) -> list[tuple[float, float, str, str]]:
    """Stretches with a cue or a drill: first and last place, letter, and what it is in words."""
    a = timeline.attempts
    told = [_cue_words(cue, drill) for cue, drill in zip(a.cue, a.drill, strict=True)]
    letters: dict[str, str] = {}
    spans = []
    for first, last in runs_of([(t, s) for t, s in zip(told, a.session.tolist(), strict=True)]):
        words = told[first]
        if words:
            letter = letters.setdefault(words, _letter(len(letters)))
            spans.append((float(place[first]), float(place[last]), letter, words))
    return spans


def _cue_words(cue: str, drill: str) -> str:
    said = [f'{kind} "{_short(one_line(text))}"' for kind, text in (("cue", cue), ("drill", drill)) if text]
    return ", ".join(said)


def _short(text: str, most: int = 60) -> str:
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def _letter(i: int) -> str:
    return chr(ord("A") + i % 26) * (1 + i // 26)


# ---------------------------------------------------------------------------------------------------- panels


def draw_measure(
    axes: Axes, timeline: Timeline, row: TimelineRow, place: FloatArray, width_in: float, *, title: str | None = None
) -> None:
    """Values with their intervals over the usual range at their load; the title, left out, tells the trend."""
    k = row.words.factor
    for first, last in runs_of(timeline.attempts.session.tolist()):
        x = np.arange(first, last + 1)
        edges = np.concatenate([place[x] - 0.5, [place[last] + 0.5]])
        low, high = (np.append(k * end[x], k * end[last]) for end in (row.usual_low, row.usual_high))
        axes.fill_between(edges, low, high, step="post", color=BAND, lw=0.0, zorder=1)
    draw_attempts(axes, timeline, place, k * row.value, k * row.low, k * row.high)
    _limits(axes, row)
    name_panel(axes, row, row.trend.sentence if title is None else title, width_in)


def draw_attempts(
    axes: Axes, timeline: Timeline, place: FloatArray, value: FloatArray, low: FloatArray, high: FloatArray,
    *, faint: bool = False,
) -> None:  # fmt: skip
    """Values as shown with their intervals, marked by outcome; a withheld one leaves a tick at the axis.

    Faint ones are small and pale, without intervals, behind something else.
    """
    scale, alpha = (0.45, 0.45) if faint else (1.0, 1.0)
    if not faint:
        axes.vlines(place, low, high, color=PALE, lw=0.8, zorder=2)
    outcome = np.array(timeline.attempts.outcome, dtype=object)
    for name, (marker, face, edge, size) in SHAPES.items():
        mine = outcome == name
        axes.scatter(
            place[mine], value[mine], marker=marker, fc=face, ec=edge, s=scale * size, lw=0.9, alpha=alpha, zorder=4
        )
    gone = ~np.isfinite(value)
    if gone.any():
        axes.plot(place[gone], np.zeros(gone.sum()), "|", color=PALE, ms=6, transform=axes.get_xaxis_transform())


def name_panel(axes: Axes, row: TimelineRow, title: str, width_in: float) -> None:
    """Measure and unit at the side of a panel, its sentence above."""
    axes.set_ylabel(f"{row.words.label}\n({row.words.unit})" if row.words.unit else row.words.label)
    told = textwrap.fill(title, int(width_in * LETTERS_PER_INCH))
    axes.set_title(told, fontsize=8.5, loc="left", color=INK, parse_math=False)
    axes.tick_params(labelbottom=False, bottom=False)


def _limits(axes: Axes, row: TimelineRow) -> None:
    """Show all values and most of the usual range; a range from few reps may be far wider than the panel."""
    value = row.words.factor * row.value[np.isfinite(row.value)]
    if not value.size:
        axes.set_ylim(0.0, 1.0)
        return
    bottom, top = float(value.min()), float(value.max())
    room = max(0.6 * (top - bottom), 0.02 * abs(top), 1e-9)
    ends = [row.words.factor * e[np.isfinite(e)] for e in (row.usual_low, row.usual_high)]
    if ends[0].size:
        bottom = min(bottom, max(float(ends[0].min()), bottom - room))
        top = max(top, min(float(ends[1].max()), top + room))
    pad = 0.12 * (top - bottom) or room
    axes.set_ylim(bottom - pad, top + pad)


def draw_loads(axes: Axes, timeline: Timeline, place: FloatArray) -> None:
    """Load as steps, with its number at each change where there is room."""
    load, session = timeline.attempts.load_kg, timeline.attempts.session.tolist()
    known = load[np.isfinite(load)]
    axes.set_ylabel("load\n(kg)")
    if not known.size:
        axes.text(0.5, 0.5, "no load is written", transform=axes.transAxes, ha="center", va="center", color=PALE)
        axes.set_yticks([])
        return
    runs = runs_of([(None if math.isnan(k) else k, s) for k, s in zip(load.tolist(), session, strict=True)])
    for first, last in runs:
        x = (place[first] - 0.42, place[last] + 0.42)
        axes.plot(x, (load[first], load[first]), color=INK, lw=2.2, solid_capstyle="butt")
        if len(runs) <= MOST_LOADS and math.isfinite(load[first]):
            axes.annotate(
                load_text(float(load[first])).removesuffix(" kg"), (sum(x) / 2.0, load[first]), xytext=(0, 3),
                textcoords="offset points", ha="center", va="bottom", fontsize=7.5, color=INK,
            )  # fmt: skip
    room = max(0.35 * float(np.ptp(known)), 3.0)
    axes.set_ylim(known.min() - 0.5 * room, known.max() + 1.6 * room)


def draw_sessions(
    panels: Sequence[Axes], timeline: Timeline, place: FloatArray, day: Callable[[float], str] = iso_day
) -> None:
    """Thin lines between sessions, and their days under the last panel."""
    runs = runs_of(timeline.attempts.session.tolist())
    for axes in panels:
        for (_, last), (first, _) in pairwise(runs):
            axes.axvline(0.5 * (place[last] + place[first]), color="#d0d0cc", lw=0.7, zorder=0)
    every = max(1, math.ceil(len(runs) / MOST_DATES))
    chosen = runs[::-1][::every][::-1]
    days = [day(float(timeline.attempts.lifted_at[first])) for first, _ in chosen]
    crowded = len(chosen) > 0.8 * float(panels[-1].get_figure().get_figwidth())  # type: ignore[union-attr]
    panels[-1].set_xticks(
        [0.5 * float(place[a] + place[b]) for a, b in chosen], days, fontsize=8,
        rotation=30 if crowded else 0, ha="right" if crowded else "center",
    )  # fmt: skip
    panels[-1].tick_params(bottom=False)


def draw_cues(panels: Sequence[Axes], spans: Sequence[tuple[float, float, str, str]]) -> None:
    """Hatched stretches through all panels, with their letters on top of the first."""
    for first, last, letter, _ in spans:
        for axes in panels[:-1]:
            axes.axvspan(first - 0.5, last + 0.5, fc="none", ec=HATCH, hatch="////", lw=0.0, zorder=1.5)
        panels[0].text(
            0.5 * (first + last), 0.97, letter, transform=panels[0].get_xaxis_transform(), ha="center", va="top",
            fontsize=9, fontweight="bold", color=INK, bbox={"fc": "white", "ec": INK, "lw": 0.6, "pad": 1.6}, zorder=6,
        )  # fmt: skip


def draw_words(
    figure: Figure,
    timeline: Timeline,
    spans: Sequence[tuple[float, float, str, str]],
    *,
    columns: int | None = None,
    handles: Sequence[Any] | None = None,
) -> None:
    """Title, legend (in so many columns; unless told in one line), and what the letters mean."""
    n = len(timeline.attempts)
    left_out = f" (the newest; {timeline.n_left_out} older ones are not shown)" if timeline.n_left_out else ""
    name = one_line(timeline.athlete)
    figure.suptitle(
        f"{name}: {n} attempts in order of time{left_out}\n",
        x=0.01,
        ha="left",
        fontsize=11,
        linespacing=1.7,
        parse_math=False,
    )
    every = legend_handles(timeline, spans, handles)
    below_title = 1.0 - 0.27 / float(figure.get_figheight())
    figure.legend(
        handles=every, loc="upper left", bbox_to_anchor=(0.0, below_title), ncols=columns or len(every),
        frameon=False, fontsize=8, handletextpad=0.4, columnspacing=1.4,
    )  # fmt: skip
    told = dict.fromkeys(f"{letter}: {words}" for _, _, letter, words in spans)
    width = int(LETTERS_PER_INCH * float(figure.get_figwidth()))
    footer = "\n".join(
        [
            *(textwrap.fill(t, width) for t in list(told)[:6]),
            *(["further cues are marked with their letters"] if len(told) > 6 else []),
        ]
    )
    if footer:
        figure.supxlabel(footer, x=0.01, ha="left", fontsize=8.5, parse_math=False)


def interval_handle() -> Any:
    """Legend of the intervals of `draw_attempts`."""
    from matplotlib.lines import Line2D

    return Line2D([], [], ls="none", marker="|", mec=PALE, ms=9, label="95 % interval")


def legend_handles(
    timeline: Timeline, spans: Sequence[tuple[float, float, str, str]], handles: Sequence[Any] | None = None
) -> list[Any]:
    """Legend of what a timeline shows: outcomes, interval, usual range (or what is given in its place), cues."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    out: list[Any] = []
    for name, (marker, face, edge, size) in SHAPES.items():
        if name in timeline.attempts.outcome:
            out.append(
                Line2D(
                    [],
                    [],
                    ls="none",
                    marker=marker,
                    mfc=face,
                    mec=edge,
                    ms=math.sqrt(size),
                    label=NAMES.get(name, name),
                )
            )
    usual = [interval_handle(), Patch(fc=BAND, label="usual range at the load")]
    out += usual if handles is None else handles
    if spans:
        out.append(Patch(fc="none", ec=HATCH, hatch="////", lw=0.0, label="with a cue or drill"))
    return out
