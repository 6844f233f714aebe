"""Trend figures and text plots: what is drawn, that nothing is told by colour alone, and the same bytes twice."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.figure import Figure

from forcekit.errors import InputError
from forcekit.history.attempts import add_attempt
from forcekit.history.people import add_athlete
from forcekit.history.store import open_store
from forcekit.history.timeline import Timeline, charted, newest, timeline_of
from forcekit.history.wording import Wording
from forcekit.model import AttemptCard
from forcekit.results import Measure
from forcekit.show.control_figure import control_figure
from forcekit.show.text_plots import load_lines, ruler, session_lines
from forcekit.show.trends import SHAPES, save_trend_figure, trend_figure

NAME = "Ina $x_1$ <b> 北"
CUE = "Knees out, chest $tall$"
START_S = 1_700_000_000.0
DAY_S = 86400.0


def measured(values: Mapping[str, float]) -> list[Measure]:
    """Times with an interval of ± 2 ms; a value that is none is withheld."""
    return [
        Measure(n, "s", v, v - 0.002, v + 0.002) if np.isfinite(v) else Measure(n, "s", withheld="samples are missing")
        for n, v in values.items()
    ]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six days of four reps at 60 to 85 kg with every outcome, a cue on one day, one withheld time."""
    rng = np.random.default_rng(3)
    outcomes = ["made", "made", "missed forward", "made", "missed back", "missed otherwise", "not tried", None]
    where = tmp_path_factory.mktemp("data")
    with open_store(where) as store:
        add_athlete(store, NAME)
        for i in range(24):
            day, load = i // 4, (60.0, 70.0, 80.0, 85.0)[i % 4]
            values = {
                "unweighting_time": 0.28 + 0.02 * rng.standard_normal(),
                "braking_time": 0.15 + 0.01 * rng.standard_normal(),
                "transition_time": np.nan if i == 5 else 0.06 + 0.003 * rng.standard_normal() + 0.02 * (i == 18),
                "drive_time": 0.19 + 0.001 * load + 0.006 * rng.standard_normal(),
            }
            card = AttemptCard(
                load_kg=load,
                outcome=outcomes[i % 8],  # type: ignore[arg-type]
                cue=CUE if day == 4 else None,
                movement="jerk",
            )
            at = START_S + 3 * day * DAY_S + 60.0 * i
            add_attempt(store, NAME, measured(values), card=card, at=at, definitions="1")
    return where


@pytest.fixture(scope="module")
def timeline(folder: Path) -> Timeline:
    """All of it, with the four times."""
    with open_store(folder) as store:
        return timeline_of(store, NAME)


@pytest.fixture(scope="module", params=["single", "weighted"])
def laid(request: pytest.FixtureRequest, folder: Path) -> Timeline:
    """The same with a control chart of the turnaround, 20 ms longer in the 19th attempt, or of its session means."""
    with open_store(folder) as store:
        return charted(store, timeline_of(store, NAME, ["transition_time"]), request.param, robust=True)


def texts(figure: Figure) -> list[str]:
    """Every text of a figure that is seen."""
    from matplotlib.text import Text

    return [t.get_text() for t in figure.findobj(Text) if isinstance(t, Text) and t.get_text() and t.get_visible()]


def test_the_timeline_holds_withheld_attempts_and_ranges(timeline: Timeline) -> None:
    """All attempts are there in order of time; a withheld time is a gap; nearly all values lie in their range."""
    rows = {row.measure: row for row in timeline.rows}
    inside = [(r.usual_low <= r.value) & (r.value <= r.usual_high) for r in timeline.rows]

    assert len(timeline.attempts) == 24
    assert np.all(np.diff(timeline.attempts.lifted_at) > 0.0)
    assert [5] == np.flatnonzero(np.isnan(rows["transition_time"].value)).tolist()
    assert rows["drive_time"].usual_low[3] > rows["drive_time"].usual_low[0]
    assert np.mean(inside) > 0.85


def test_the_figure_says_all_it_shows(timeline: Timeline) -> None:
    """Panels, units, outcomes, the range, loads, days, the cue and its letter stand in words; names are plain text."""
    figure = trend_figure(timeline)
    said = texts(figure)

    for panel in ("unweighting\n(ms)", "braking\n(ms)", "turnaround\n(ms)", "drive\n(ms)", "load\n(kg)"):
        assert panel in said
    assert {*SHAPES, "outcome not written"} - {""} <= set(said)
    assert {"usual range at the load", "95 % interval", "with a cue or drill", "A", "60", "85"} <= set(said)
    assert f'A: cue "{CUE}"' in said
    assert any(t.startswith(f"{NAME}: 24 attempts") for t in said)
    assert any("no trend shown" in t.replace("\n", " ") for t in said)


def test_outcomes_differ_in_shape_or_filling() -> None:
    """Without any colour no two outcomes look the same: each pair differs in its marker, or one is hollow."""
    looks = {(marker, face == "white") for marker, face, _, _ in SHAPES.values()}
    assert len(SHAPES) == len(looks)


@pytest.mark.parametrize("suffix", [".png", ".svg", ".pdf"])
def test_the_same_timeline_gives_the_same_bytes(timeline: Timeline, tmp_path: Path, suffix: str) -> None:
    """Twice the same file; a name in another script is no warning; an SVG is well-formed. One panel stands for all."""
    timeline = replace(timeline, rows=timeline.rows[:1])
    for name in ("one", "two"):
        save_trend_figure(timeline, tmp_path / f"{name}{suffix}")
    one, two = ((tmp_path / f"{name}{suffix}").read_bytes() for name in ("one", "two"))

    assert len(one) > 10_000
    assert one == two
    if suffix == ".svg":
        ElementTree.fromstring(one)


def test_a_wrong_suffix_is_told(timeline: Timeline, tmp_path: Path) -> None:
    """A figure of another kind is refused with those that can be written."""
    with pytest.raises(InputError, match=r"\.png, \.svg, \.pdf"):
        save_trend_figure(timeline, tmp_path / "trend.bmp")


def test_sessions_in_the_terminal(timeline: Timeline) -> None:
    """One line a session with day, reps, loads and mean; a session's rep that was withheld is not counted."""
    row = timeline.rows[2]
    lines = session_lines(timeline, row)
    second = [i for i in range(4, 8) if i != 5]
    mean = 1000.0 * float(np.mean(row.value[second]))

    assert len(lines) == 6
    assert "4 reps" in lines[0]
    assert "60-85 kg" in lines[0]
    assert "3 reps" in lines[1]
    assert f"{mean:.0f} ms" in lines[1]
    assert all(line.isascii() for line in lines)


@pytest.mark.parametrize(
    ("value", "drawn"),
    [
        (0.0, "........[*..............]........"),
        (1.0, "........[..............*]........"),
        (0.5, "........[.......*.......]........"),
        (1.0001, "........[...............]*......."),
        (-0.0001, ".......*[...............]........"),
        (9.0, "........[...............].......>"),
        (-9.0, "<.......[...............]........"),
    ],
)
def test_inside_is_drawn_inside(value: float, drawn: str) -> None:
    """A value in the usual range stands between the brackets, one outside it outside, however near."""
    assert drawn == ruler([value], 0.0, 1.0)


def test_loads_with_a_limit() -> None:
    """Each load has a line; the limit stands at one place; every rep on its side of it."""
    lines = load_lines([0.01, 0.02, 0.05], [60.0, 60.0, 80.0], 0.04, Wording("shift", "cm", 100.0))
    light, heavy = (line.split()[-1] for line in lines)

    assert light.index("|") == heavy.index("|")
    assert max(i for i, c in enumerate(light) if c == "*") < light.index("|") < heavy.index("*")
    assert "60 kg" in lines[0]
    assert "1.5 cm" in lines[0]


def test_a_chart_lies_on_the_attempts(laid: Timeline) -> None:
    """Values are brought to one load with their intervals; a withheld one has none; the chart covers all attempts."""
    (row,) = laid.rows
    assert row.charted is not None
    found, chart = row.charted, row.charted.chart

    assert [5] == np.flatnonzero(np.isnan(found.value)).tolist() == np.flatnonzero(np.isnan(found.drawn)).tolist()
    assert found.high - found.low == pytest.approx(row.high - row.low, nan_ok=True)
    assert np.nanmax(np.abs(found.value - row.value)) > 0.0
    assert chart.n_reps == 23
    assert np.unique(found.drawn[np.isfinite(found.drawn)]).size == (23 if chart.kind == "single" else 6)
    assert newest(laid, 8).rows[0].charted is None


def test_the_figure_of_a_chart_says_all_it_shows(laid: Timeline) -> None:
    """Limits, centre and what is ringed stand in the legend, the limits' numbers at the side, the day at the ring."""
    said = texts(control_figure(laid))
    assert laid.rows[0].charted is not None
    chart = laid.rows[0].charted.chart
    day = time.strftime("%m-%d", time.localtime(START_S + 12 * DAY_S))

    assert {"centre", "outside", "missed forward", "turnaround\n(ms)", "load\n(kg)"} <= set(said)
    assert "usual range at the load" not in said
    assert (
        {"limits", "95 % interval"} <= set(said)
        if chart.kind == "single"
        else {"weighted mean", "its limits"} <= set(said)
    )
    digits = 0 if chart.high[-1] - chart.low[-1] >= 0.01 else 1  # two significant digits of the width of the limits
    assert f"{1000.0 * chart.high[-1]:.{digits}f} ms" in said
    assert (day in said) == bool(chart.outside) == (chart.kind == "single")


def test_a_chart_in_the_terminal(laid: Timeline) -> None:
    """A line a session; the odd rep stands outside the limits, the weighted mean is one mark a session."""
    assert laid.rows[0].charted is not None
    lines = [line.split()[-1] for line in session_lines(laid, laid.rows[0])]
    marks = [sum(1 if c == "*" else int(c) for c in line if c not in "[.]<>") for line in lines]

    if laid.rows[0].charted.chart.kind == "single":
        assert ["*" in line.split("]")[1] for line in lines] == [False] * 4 + [True, False]
        assert marks == [4, 3, 4, 4, 4, 4]
    else:
        assert marks == [1] * 6


def test_a_chart_has_the_same_bytes_twice(laid: Timeline, tmp_path: Path) -> None:
    """The file of a timeline with charts is that of the charts, and the same twice."""
    for name in ("one.png", "two.png"):
        save_trend_figure(laid, tmp_path / name)
    save_trend_figure(replace(laid, rows=(replace(laid.rows[0], charted=None),)), tmp_path / "trend.png")
    one, two, trend = ((tmp_path / f"{name}.png").read_bytes() for name in ("one", "two", "trend"))

    assert one == two != trend
