"""The report in parts: numbers as a lifter reads them, names that go, figures as pieces of a page."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.figure import Figure

import forcekit
from forcekit.history.digest import UsualRow, digest_of_analysis
from forcekit.history.wording import measure_words
from forcekit.model import Analysis, Measure
from forcekit.show.report import make_report, plain_number
from forcekit.show.report_blocks import TableBlock
from forcekit.show.report_figures import usual_figure
from forcekit.show.scrub import scrubber
from forcekit.show.svg import inline_svg

SAMPLES = Path(__file__).parents[2] / "sample_signals"


@pytest.mark.parametrize(
    ("measure", "told"),
    [
        (Measure("transition_time", "s", 0.02332, 0.02330, 0.02334), "23 ms"),
        (Measure("dip_depth", "m", 0.1742, 0.1699, 0.1786), "17.4 ± 0.4 cm"),
        (Measure("dip_depth", "m", 0.1742, 0.1729, 0.1749), "17.4 ± 0.1 cm"),
        (Measure("shift_in_drive", "m", -0.0002, -0.0003, -0.0001), "0.0 cm"),
        (Measure("shift_in_drive", "m", -0.0121, -0.0122, -0.0120), "−1.2 cm"),
        (Measure("shift_in_drive", "m", withheld="no pressure"), "withheld"),
    ],
)
def test_numbers_as_a_lifter_reads_them(measure: Measure, told: str) -> None:
    """No more digits than make sense, no minus zero, the larger side of a lopsided interval."""
    assert told == plain_number(measure)


@pytest.mark.parametrize(
    ("name", "text", "told"),
    [
        ("Ines Falkner", "Chest up, INES! falkner: slow.", "Chest up, lifter 7! lifter 7: slow."),
        ("Bo Long", "Bo goes to the box: a long dip.", "lifter 7 goes to the box: a lifter 7 dip."),
        ("Wil (2)", "Will it work, Wil (2)?", "Will it work, lifter 7?"),
        ("北島", "北島: chest up", "lifter 7: chest up"),
    ],
)
def test_names_go_as_whole_words(name: str, text: str, told: str) -> None:
    """The name and its parts are replaced; what only contains them stays."""
    assert told == scrubber(name, "lifter 7")(text)


def test_a_figure_in_a_page_is_svg_with_words(tmp_path: Path) -> None:
    """Well-formed, markup in a text is escaped, numbers of a text are not shortened, ids begin with the name."""
    figure = Figure(figsize=(2.0, 1.0))
    axes = figure.subplots()
    axes.text(0.5, 0.5, "a<b> & 1.23456", parse_math=False)
    axes.plot([0.0, 1.0])
    made = inline_svg(figure, "f1", "title <1>", "what & why")
    root = ElementTree.fromstring(made.replace("xlink:href", "href"))

    assert "title <1>" == root[0].text
    assert "a<b> & 1.23456" in "".join(root.itertext())
    assert all(i.startswith("f1-") for i in re.findall(r'\bid="([^"]+)"', made))
    assert "<style" not in made
    assert made == inline_svg(figure, "f1", "title <1>", "what & why")


def test_dots_outside_the_usual_range_have_another_shape() -> None:
    """Inside and outside differ by marker, not by colour alone."""
    words = measure_words("dip_depth", "m")
    figure = usual_figure([UsualRow("dip_depth", words, np.array([0.17, 0.25]), 0.16, 0.18, 12)])
    used = {str(line.get_marker()): len(np.asarray(line.get_xdata())) for line in figure.axes[0].lines}

    assert {"o": 1, "D": 1} == used


def test_many_lifts_are_told_session_by_session() -> None:
    """More than twenty lifts: a row for each session with middle values and counts."""
    files = (SAMPLES / "pattern_too_deep.csv", SAMPLES / "club_plate.toml")
    lift = forcekit.analyze(forcekit.read(*files, card=SAMPLES / "pattern_too_deep.card.toml"))[0]
    report = make_report(digest_of_analysis(Analysis("many", (lift,) * 21)))
    (section,) = (s for s in report.sections if s.heading == "All sessions")
    table = section.blocks[0].table
    assert isinstance(table, TableBlock)

    assert 1 == len(table.rows)
    assert ("21", "21") == (table.rows[0][1], table.rows[0][-1])
    assert len(table.heads) == len(table.rows[0])
