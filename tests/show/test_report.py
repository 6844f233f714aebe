"""The report in parts: numbers as a lifter reads them, names that go, figures as pieces of a page."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pypdf
import pytest
from matplotlib.figure import Figure
from msgspec.structs import replace as replace_card

import forcekit
from forcekit.history.digest import Digest, digest_of_analysis
from forcekit.history.digest_usual import UsualRow, better_side
from forcekit.history.wording import measure_words
from forcekit.results import Analysis, Measure
from forcekit.show.report import make_report
from forcekit.show.report_blocks import TableBlock
from forcekit.show.report_figures import usual_figure
from forcekit.show.report_pdf import report_pdf
from forcekit.show.report_seen import seen, usual_words, work
from forcekit.show.scrub import scrubber
from forcekit.show.svg import inline_svg
from forcekit.show.words import plain_number

SAMPLES = Path(__file__).parents[2] / "sample_signals"


def with_bar() -> Analysis:
    """Analyse the jerk that was lost in front, of plate and bar."""
    recording = forcekit.read(
        SAMPLES / "lost_in_front.csv",
        device=SAMPLES / "club_plate_1000_hz.toml",
        bar=SAMPLES / "lost_in_front.bar.csv",
        bar_device=SAMPLES / "club_bar.toml",
        card=SAMPLES / "lost_in_front.card.toml",
    )
    return forcekit.analyze(recording)


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


@pytest.mark.parametrize("n", [1, 3, 6])
def test_lifts_alike_do_not_cover_the_words_of_their_row(n: int) -> None:
    """Marks stand over each other as far as they must, clear of each other, of all words and of the next row."""
    words = measure_words("dip_depth", "m")
    rows = [UsualRow("dip_depth", words, np.full(n, 0.159), 0.16, 0.18, 12)] * 2
    figure = usual_figure(rows)
    figure.canvas.draw()
    axes = figure.axes[0]
    told = [text.get_window_extent() for text in axes.texts if not text.get_text().isdigit()]
    marks = []
    for line in axes.lines:
        half = 0.5 * 1.42 * line.get_markersize() * figure.dpi / 72.0  # of a diamond, the widest
        marks += [(x, y, half) for x, y in axes.transData.transform(np.column_stack(line.get_data()))]

    assert 2 * n == len(marks)
    for x, y, half in marks:
        assert not [b for b in told if b.x0 < x + half and x - half < b.x1 and b.y0 < y + half and y - half < b.y1]
    gaps = np.diff(sorted(y for _, y, _ in marks))
    assert min(gaps, default=np.inf) >= 9.0 * figure.dpi / 72.0


def test_the_source_of_the_aim_is_the_cue_books_own() -> None:
    """The page names it in the words of the book, whatever they are."""
    files = (SAMPLES / "pattern_too_deep.csv", SAMPLES / "club_plate.toml")
    analysis = forcekit.analyze(forcekit.read(*files, card=SAMPLES / "pattern_too_deep.card.toml"))
    (section,) = (s for s in make_report(digest_of_analysis(analysis)).sections if s.heading.startswith("What the num"))
    source = dict(section.blocks[0].labelled)["Where the aim comes from"]

    assert source.lower().rstrip(".") == analysis[0].findings[0].limit_source.lower()


def test_letters_of_figures_can_be_read_on_paper() -> None:
    """The figures of a lift with plate and bar are made smaller in the columns, but their 8 points stay 6 or more."""
    reader = pypdf.PdfReader(io.BytesIO(report_pdf(make_report(digest_of_analysis(with_bar())))))
    pages = [page.get_contents() for page in reader.pages]
    set_in = "".join(p.get_data().decode("latin-1") for p in pages if p is not None)
    scales = [float(scale) for scale in re.findall(r"q ([\d.]+) 0 0 \1 [\d.]+ [\d.]+ cm /\S+ Do", set_in)]

    assert 3 == len(scales)
    assert min(scales) * 8.0 >= 5.99


@pytest.mark.parametrize(
    ("outcomes", "told"),
    [
        (("made", "made"), "These numbers ask for no change; load and sets as your coach plans."),
        (("made", "missed forward"), "These numbers do not show why 1 of 2 lifts was missed; ask your coach."),
        (("missed forward",), "These numbers do not show why this lift was missed; ask your coach."),
    ],
)
def test_without_a_finding_nobody_is_told_to_go_on_missing(outcomes: tuple[str, ...], told: str) -> None:
    """Where no pattern shows, a page praises nothing it did not see, least of all a lift that was lost."""
    files = (SAMPLES / "tamo_80_kg.csv", SAMPLES / "club_plate.toml")
    lift = forcekit.analyze(forcekit.read(*files, card=SAMPLES / "tamo_80_kg.card.toml"))[0]
    lifts = tuple(replace(lift, card=replace_card(lift.card, outcome=outcome)) for outcome in outcomes)

    assert (told,) == work(digest_of_analysis(Analysis("session", lifts))).blocks[0].paragraphs


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


def usual_of(measure: str, values: list[float], low: float, high: float) -> Digest:
    """A session over one usual range at 80 kg."""
    row = UsualRow(measure, measure_words(measure), np.array(values), low, high, 20, better_side(measure))
    return Digest("x", (), 1, None, None, None, (), None, usual=(row,), usual_load_kg=80.0)


@pytest.mark.parametrize(
    ("measure", "values", "low", "high", "told"),
    [
        ("shift_in_drive", [0.010, 0.011, 0.020], 0.015, 0.045,
         ["Better than your usual at 80 kg: shift in the drive less far forward in 2 of 3 lifts."]),
        ("shift_in_drive", [0.050, 0.020], 0.015, 0.045,
         ["Worse than your usual at 80 kg: shift in the drive further forward in 1 of 2 lifts."]),
        ("shift_in_drive", [-0.030], 0.015, 0.045,
         ["Outside your usual at 80 kg, which need be neither good nor bad: shift in the drive further back in 1 of 1 "
          "lift."]),
        ("peak_drive_velocity", [1.60, 1.20], 1.30, 1.50,
         ["Better than your usual at 80 kg: fastest up faster in 1 of 2 lifts.",
          "Worse than your usual at 80 kg: fastest up slower in 1 of 2 lifts."]),
        ("dip_depth", [0.250], 0.160, 0.200,
         ["Outside your usual at 80 kg, which need be neither good nor bad: dip depth deeper in 1 of 1 lift."]),
        ("dip_depth", [0.180], 0.160, 0.200, []),
    ],
)  # fmt: skip
def test_good_news_is_told_as_good_news(
    measure: str, values: list[float], low: float, high: float, told: list[str]
) -> None:
    """Outside the usual is better or worse where one side is wanted; as far the other way is neither."""
    assert told == usual_words(usual_of(measure, values, low, high))


def test_the_summary_names_the_aim_and_who_kept_to_it() -> None:
    """Which lifts, the aim in centimetres and as a share, where it comes from, how many kept to it."""
    names = ("tamo_80_kg", "pattern_forward_in_dip")
    good, faulty = (
        forcekit.analyze(
            forcekit.read(SAMPLES / f"{n}.csv", SAMPLES / "club_plate.toml", card=SAMPLES / f"{n}.card.toml")
        )[0]
        for n in names
    )
    lifts = (good, good, faulty)
    found = digest_of_analysis(Analysis("session", lifts))
    told = " ".join(seen(found))
    focus = found.focus
    assert focus is not None
    assert focus.limit is not None
    share = lifts[2].measures["shift_in_dip_of_foot"].value
    moved = lifts[2].measures["shift_in_dip"].value
    assert share is not None
    assert moved is not None

    assert "In 1 of 3 lifts (lift 3, the last) the pressure ran toward the toes already in the dip." in told
    assert f"The aim, less than {100.0 * focus.limit * moved / share:.1f} cm (8 % of your foot), is common" in told
    assert "2 of 3 lifts kept to it" in told
