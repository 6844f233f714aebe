"""Figures: one lift as force, speed and displacement over shaded phases, and the pressure path on the foot.

Phases are told apart by label and shade, curves by label and line, so that the figure survives a grey printer and
any kind of colour vision. The blue and orange used are from the palette of Okabe and Ito (2008; from memory).
"""

from __future__ import annotations

import textwrap
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from forcekit.errors import InputError
from forcekit.model import FloatArray
from forcekit.results import Curves, Instants, Lift
from forcekit.show.words import bar_beside, headline, with_interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "check_plot_path", "draw_bar_path", "draw_foot", "drawing", "lift_figure", "phase_spans", "save_figure",
    "save_lift_figure",
]  # fmt: skip

BLUE, ORANGE, INK, PALE = "#0072B2", "#D55E00", "#222222", "#666666"
SHADES = {"unweighting": "#f1f1ee", "braking": "#dcdcd6", "drive": "#ececf4"}
SUFFIXES = (".png", ".svg", ".pdf")
SHORT_DASHES: Any = (0, (2.0, 1.0))
AFTER_S = 0.2
"""How long the bar's path goes on after the drive (s)."""
LETTERS_PER_INCH = 13.0
"""Letters of 10 points that stand on an inch of a line; more would run over the edge (tried out)."""
BESIDE = 0.055
"""How far beside the path the marks of an instant stand, in foot lengths, so that they do not hide it."""
STYLE: Any = {
    "font.size": 9.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.7,
    "svg.hashsalt": "forcekit",
    "path.simplify_threshold": 0.15,
}

# Outline of a sole seen from above in foot lengths: (across, along), heel at 0, toes at 1.
SOLE = np.array(
    [
        (0.06, 0.00), (0.10, 0.08), (0.105, 0.18), (0.09, 0.32), (0.085, 0.45), (0.11, 0.58),
        (0.155, 0.70), (0.165, 0.80), (0.15, 0.90), (0.11, 0.975), (0.06, 1.00), (0.01, 0.985), (-0.05, 0.95),
        (-0.115, 0.88), (-0.16, 0.78), (-0.17, 0.68), (-0.15, 0.55), (-0.125, 0.42), (-0.115, 0.28), (-0.11, 0.14),
        (-0.07, 0.00),
    ]
)  # fmt: skip


def lift_figure(lift: Lift) -> Figure:
    """Draw one lift.

    Parameters
    ----------
    lift : Lift

    Returns
    -------
    matplotlib Figure
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with_path = lift.bar is not None and lift.bar.forward_m is not None
    with_foot = lift.curves.force_n is not None
    with mpl.rc_context(STYLE):
        n_sides = with_path + with_foot
        figure = Figure(figsize=(8.6 + 1.7 * n_sides, 6.6), layout="constrained")
        grid = figure.add_gridspec(3, 1 + n_sides, width_ratios=(2.6, *[1.0] * n_sides))
        rows = [figure.add_subplot(grid[0, 0])]
        rows += [figure.add_subplot(grid[i, 0], sharex=rows[0]) for i in (1, 2)]
        _curves(lift, rows)
        if with_foot:
            draw_foot(lift, figure.add_subplot(grid[:, 1]))
        if with_path:
            draw_bar_path(lift, figure.add_subplot(grid[:, n_sides]), told=_shifts(lift, "bar_forward"))
        title = f"{lift.movement}" + (f", {lift.card.load_kg:g} kg" if lift.card.load_kg is not None else "")
        happened = _lines(figure, title, headline(lift), bar_beside(lift))
        figure.suptitle(happened, x=0.01, ha="left", fontsize=10, color=INK)
        if lift.findings:
            first = lift.findings[0]
            told = _lines(figure, f"{first.strength}: {first.sentence}", f"Cue: {first.cue.cue}")
            figure.supxlabel(told, x=0.01, ha="left", fontsize=9)
    return figure


def _lines(figure: Figure, *texts: str) -> str:
    """Texts under each other, broken where the figure ends, but not between a number and its ±."""
    width = int(LETTERS_PER_INCH * figure.get_figwidth())
    kept = [textwrap.fill(text.replace(" ± ", "\u00a0±\u00a0"), width) for text in texts if text]
    return "\n".join(kept)


def check_plot_path(path: Path) -> None:
    """Raise an InputError if a figure cannot be written to a path of this kind."""
    if path.suffix.lower() not in SUFFIXES:
        raise InputError(f'{path}: a plot can be written as {", ".join(SUFFIXES)}; "{path.suffix}" is none of them.')
    if not path.parent.is_dir():
        raise InputError(f"{path}: there is no folder {path.parent}; make it or choose another place.")


def save_lift_figure(lift: Lift, path: Path) -> None:
    """Write the figure of one lift as PNG, SVG or PDF; the same lift gives the same bytes.

    Raises
    ------
    InputError
        If the suffix is another one or the file cannot be written.
    """
    save_figure(lambda: lift_figure(lift), path)


def save_figure(draw: Callable[[], Figure], path: Path) -> None:
    """Write a figure as PNG, SVG or PDF; the same figure gives the same bytes.

    Raises
    ------
    InputError
        If the suffix is another one or the file cannot be written.
    """
    check_plot_path(path)
    metadata: dict[str, None] = {".svg": {"Date": None}, ".pdf": {"CreationDate": None}}.get(path.suffix.lower(), {})
    try:
        with drawing():
            draw().savefig(path, dpi=150, metadata=metadata)
    except OSError as e:
        raise InputError(f"{path}: the plot cannot be written ({e.strerror}); choose another place.") from e


@contextmanager
def drawing(more: Mapping[str, Any] | None = None) -> Iterator[None]:
    """Draw and write figures in one style, with some settings of matplotlib more.

    A name in a script that the font lacks is drawn as boxes; that is no reason to warn.
    """
    import matplotlib as mpl

    style: Any = {**STYLE, **(more or {})}
    with mpl.rc_context(style), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph")
        yield


def phase_spans(at: Instants) -> dict[str, tuple[float, float]]:
    """Start and end of each phase of a lift (s), by name."""
    return {
        "unweighting": (at.onset_s, at.braking_start_s),
        "braking": (at.braking_start_s, at.lowest_s),
        "drive": (at.lowest_s, at.drive_end_s),
    }


def _window(curves: Curves, lift: Lift) -> slice:
    first = int(np.searchsorted(curves.t_s, lift.instants.onset_s - 0.4))
    last = int(np.searchsorted(curves.t_s, lift.instants.drive_end_s + 0.35))
    return slice(first, last)


def _curves(lift: Lift, rows: list[Axes]) -> None:
    """Force (with a plate), speed and height over the shaded phases; the bar's beside the system's."""
    curves, at, bar = lift.curves, lift.instants, lift.bar
    force, speed, travel = rows
    cut = _window(curves, lift)
    t = curves.t_s[cut]
    start = float(np.interp(at.onset_s, curves.t_s, curves.travel_m))
    whose = "lifter and bar" if curves.force_n is not None else "bar"
    if curves.force_n is not None:
        force.plot(t, curves.force_n[cut], color=BLUE, lw=1.6)
        force.set_ylabel("force (N)")
        weight = lift.measures["system_weight"].value
        if weight is not None:
            force.axhline(weight, color=PALE, lw=0.8, ls="--")
            force.annotate(
                "system weight", (t[0], weight), xytext=(2, 3), textcoords="offset points", color=PALE, fontsize=8
            )
    elif bar is not None and bar.shaft_angle_rad is not None:
        force.plot(bar.t_s, np.degrees(bar.shaft_angle_rad), color=BLUE, lw=1.6)
        force.set_ylabel("shaft (°), elbows up +")
    speed.plot(t, curves.velocity_mps[cut], color=BLUE, lw=1.6, label=whose)
    travel.plot(t, 100.0 * (curves.travel_m[cut] - start), color=BLUE, lw=1.6, label=whose)
    if bar is not None and curves.force_n is not None:
        inside = (bar.t_s >= t[0]) & (bar.t_s <= t[-1])
        up = bar.up_m - float(np.interp(at.onset_s, bar.t_s, bar.up_m))
        speed.plot(bar.t_s[inside], bar.velocity_mps[inside], color=ORANGE, lw=1.3, ls=(0, (5, 2)), label="bar")
        travel.plot(bar.t_s[inside], 100.0 * up[inside], color=ORANGE, lw=1.3, ls=(0, (5, 2)), label="bar")
        speed.legend(loc="upper left", frameon=False, fontsize=8)
    speed.set_ylabel("speed (m/s)")
    travel.set_ylabel("height (cm)")
    travel.set_xlabel("time from the recording's start (s)")
    for axes in (speed, travel):
        axes.axhline(0.0, color=PALE, lw=0.8, ls="--")
    spans = phase_spans(at)
    for axes in rows:
        for name, (a, b) in spans.items():
            axes.axvspan(a, b, color=SHADES[name], lw=0)
        axes.axvline(at.lowest_s, color=INK, lw=0.9, ls=":")
        axes.set_xlim(t[0], t[-1])
    top = force.get_ylim()[1]
    for name, (a, b) in spans.items():
        force.text(0.5 * (a + b), top, name, ha="center", va="bottom", fontsize=8.5, color=INK)
    travel.annotate(
        "lowest point", (at.lowest_s, travel.get_ylim()[1]), xytext=(3, -9), textcoords="offset points",
        color=INK, fontsize=8,
    )  # fmt: skip
    force.tick_params(labelbottom=False)
    speed.tick_params(labelbottom=False)


def draw_bar_path(
    lift: Lift, axes: Axes, *, height_cm: tuple[float, float] | None = None, reach_cm: float | None = None,
    told: Sequence[str] = (),
) -> None:  # fmt: skip
    """The bar's path seen from the lifter's left side, forward to the left of the rack line, with its uncertainty.

    Heights and the reach to both sides may be given, so that two lifts are drawn alike; `told` are the lines above it.
    """
    from matplotlib.patches import Ellipse

    bar, at = lift.bar, lift.instants
    if bar is None or bar.forward_m is None:
        return
    x0, z0 = (float(np.interp(at.onset_s, bar.t_s, v)) for v in (bar.forward_m, bar.up_m))
    x, z = 100.0 * (bar.forward_m - x0), 100.0 * (bar.up_m - z0)
    axes.axvline(0.0, color=PALE, lw=0.9, ls="-.")
    for a, b, ls, lw, label in (
        (at.onset_s, at.lowest_s, SHORT_DASHES, 2.0, "dip"),
        (at.lowest_s, at.drive_end_s, "-", 2.0, "drive"),
        (at.drive_end_s, at.drive_end_s + AFTER_S, "-", 0.8, "after the drive"),
    ):
        i, j = np.searchsorted(bar.t_s, (a, b))
        axes.plot(x[i:j], z[i:j], color=ORANGE, lw=lw, ls=ls, label=label)
    for t_s, (long_m, short_m, angle) in zip(bar.marks_s, bar.ellipses, strict=True):
        px, pz = float(np.interp(t_s, bar.t_s, x)), float(np.interp(t_s, bar.t_s, z))
        axes.add_patch(
            Ellipse((px, pz), 200.0 * long_m, 200.0 * short_m, angle=np.degrees(angle), fc="none", ec=INK, lw=0.8)
        )
    reach = reach_cm or bar_reach_cm(lift)
    axes.set_xlim(reach, -reach)
    if height_cm is not None:
        axes.set_ylim(*height_cm)
    axes.set_title("bar from the side (sideways stretched)", fontsize=9, pad=26.0 if told else 6.0)
    axes.text(0.5, 1.005, "\n".join(told), transform=axes.transAxes, ha="center", va="bottom", fontsize=8, color=INK)
    axes.set_xlabel("forward (cm)  |  back")
    axes.set_ylabel("height (cm)")
    axes.annotate(
        "rack line", (0.0, axes.get_ylim()[1]), xytext=(3, -9), textcoords="offset points", fontsize=8, color=PALE
    )
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.14), ncols=3, frameon=False, fontsize=8)


def bar_reach_cm(lift: Lift) -> float:
    """How far to either side the axes of the bar's path go (cm)."""
    bar, at = lift.bar, lift.instants
    if bar is None or bar.forward_m is None:
        return 0.0
    x = 100.0 * (bar.forward_m - float(np.interp(at.onset_s, bar.t_s, bar.forward_m)))
    return max(6.0, 1.25 * float(np.max(np.abs(x[np.searchsorted(bar.t_s, at.onset_s) :]))))


def draw_foot(
    lift: Lift, axes: Axes, *, told: Sequence[str] | None = None, aim: tuple[str, float] | None = None
) -> None:
    """Pressure path along the foot, on the outline of a sole.

    `told` are the lines above it; `aim` is a measure of the shift as a share of the foot with its limit, drawn as the
    stretch of the sole that is inside.
    """
    curves, foot, at = lift.curves, lift.foot, lift.instants
    axes.set_axis_off()
    axes.set_title("pressure along the foot, both feet together", fontsize=9, pad=26)
    if curves.cop_x_m is None or curves.cop_y_m is None:
        axes.text(0.5, 0.5, "this plate does not measure\nwhere the pressure is", ha="center", va="center", color=PALE)
        return
    length = foot.length_m or 0.26
    heel = foot.heel_m
    along, aside = curves.cop_x_m, curves.cop_y_m
    stance = slice(0, max(1, int(np.searchsorted(curves.t_s, at.stance_end_s))))
    if heel is None:  # the place on the foot is unknown: the shift is drawn from the middle
        heel = float(np.nanmean(along[stance])) - 0.45 * length
        axes.text(
            0.0, -0.03, "heel line unknown: only the shift is true", ha="center", va="top", fontsize=8, color=PALE
        )
    x = (along - heel) / length
    y = -(aside - float(np.nanmean(aside[stance]))) / length
    outline = _rounded(SOLE)
    axes.fill(outline[:, 0], outline[:, 1], fc="#f6f6f3", ec=INK, lw=1.0)
    for place, word in ((0.0, "heel"), (0.25, "25 %"), (0.5, "50 %"), (0.75, "75 %"), (1.0, "toes")):
        axes.plot([-0.21, 0.21], [place, place], color="#c4c4c4", lw=0.6, zorder=2)
        axes.text(0.23, place, word, va="center", fontsize=8, color=PALE)
    _path(axes, curves, x, y, at.onset_s, at.lowest_s, ls=SHORT_DASHES, label="dip")
    counted_s = at.delivered_s or at.drive_end_s
    _path(axes, curves, x, y, at.lowest_s, counted_s, ls="-", label="drive")
    i, j = np.searchsorted(curves.t_s, (counted_s, at.drive_end_s))
    axes.plot(y[i:j], x[i:j], color=PALE, lw=1.0, ls="-", label="heels rise (normal)", zorder=3)
    marks: dict[str, tuple[float, float, str]] = {
        "standing": (float(np.nanmean(x[stance])), float(np.nanmean(y[stance])) - BESIDE, ">"),
        "lowest point": (_at(curves, x, y, at.lowest_s)[0], _at(curves, x, y, at.lowest_s)[1] + BESIDE, "<"),
    }
    for name, (px, py, shape) in marks.items():
        axes.plot([py], [px], shape, ms=6, color=ORANGE, mec=INK, mew=0.6, label=name, ls="none", zorder=5)
    if aim is not None:
        _draw_aim(axes, aim, marks["standing"][0], marks["lowest point"][0], lift)
    axes.set_xlim(-0.30, 0.42)
    axes.set_ylim(-0.06, 1.04)
    axes.set_aspect("equal")
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.01), ncols=2, frameon=False, fontsize=8)
    told = told if told is not None else _shifts(lift, "shift")
    axes.text(0.5, 1.005, "\n".join(told), transform=axes.transAxes, ha="center", va="bottom", fontsize=8, color=INK)


def _shifts(lift: Lift, what: str) -> list[str]:
    """Shift of the pressure or travel of the bar, in the dip and in the drive, with their intervals."""
    named = ((when, lift.measures[f"{what}_in_{when}"]) for when in ("dip", "drive"))
    return [f"in the {when} {with_interval(m)}" for when, m in named if m.ok]


def _draw_aim(axes: Axes, aim: tuple[str, float], standing: float, lowest: float, lift: Lift) -> None:
    """Stretch of the sole inside the limit of a shift, and the mean of the drive, which has to lie in it."""
    name, limit = aim
    if name not in ("shift_in_dip_of_foot", "shift_in_drive_of_foot", "shift_total_of_foot"):
        return
    start = lowest if name == "shift_in_drive_of_foot" else standing
    axes.fill_between(
        [-0.16, 0.16], start, start + limit, fc="#cfe3f1", ec=BLUE, lw=0.6, ls=SHORT_DASHES, label="aim", zorder=1.5
    )
    mean = lift.measures[name]
    if name != "shift_in_dip_of_foot" and mean.value is not None:
        place = start + mean.value
        axes.plot([-0.09, 0.09], [place, place], color=INK, lw=1.6, label="drive, on average", zorder=5)


def _rounded(corners: FloatArray) -> FloatArray:
    """Cut the corners of a closed outline three times (Chaikin 1974; from memory)."""
    for _ in range(3):
        following = np.roll(corners, -1, axis=0)
        corners = np.stack([0.75 * corners + 0.25 * following, 0.25 * corners + 0.75 * following], axis=1).reshape(
            -1, 2
        )
    return corners


def _path(
    axes: Axes, curves: Curves, x: FloatArray, y: FloatArray, start_s: float, end_s: float, *, ls: str, label: str
) -> None:
    i, j = np.searchsorted(curves.t_s, (start_s, end_s))
    axes.plot(y[i:j], x[i:j], color=BLUE, lw=2.0, ls=ls, label=label, zorder=4)


def _at(curves: Curves, x: FloatArray, y: FloatArray, t_s: float) -> tuple[float, float]:
    return float(np.interp(t_s, curves.t_s, x)), float(np.interp(t_s, curves.t_s, y))
