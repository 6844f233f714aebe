"""The report and the comparison as a coach makes them: from a season in the store and from a recording alone."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

import forcekit
from forcekit.history.keep import Files, keep_lifts
from forcekit.history.people import add_athlete
from forcekit.history.store import open_store
from forcekit.simulate.season import CUE, LIFTER, make_season
from tests.stories.kept_season import Said, run

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_signals"
SVG = "{http://www.w3.org/2000/svg}"
HTML = "{http://www.w3.org/1999/xhtml}"


@dataclass(frozen=True)
class Season:
    """A store with the last sessions of the invented season."""

    store: Path

    def ask(self, *words: object) -> Said:
        """Run a command on the store."""
        return run(*words, "--store", self.store)


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    """The last four sessions of the season, analysed and kept."""
    folder = tmp_path_factory.mktemp("season")
    with open_store(folder / "store") as store:
        add_athlete(store, LIFTER, stature_m=1.78, foot_length_m=0.271, body_mass_kg=84.6)
        for rep in make_season(folder / "files", n_sessions=4, with_bar=False):
            recording = forcekit.read(rep.path, rep.device, rep.bar, rep.bar_device, rep.card)
            files = Files(rep.path, rep.device, rep.bar, rep.bar_device)
            keep_lifts(store, LIFTER, forcekit.analyze(recording), files, at=rep.at)
    return Season(folder / "store")


@pytest.fixture(scope="module")
def page(season: Season, tmp_path_factory: pytest.TempPathFactory) -> str:
    """The report of the last session with a coach's note that is markup."""
    path = tmp_path_factory.mktemp("report") / "tamo.html"
    said = season.ask("report", LIFTER, "-o", path, "--note", "Patient & <b>quiet</b>.\n\nNext time 82.5 kg.")
    assert (0, "") == (said.code, said.out)
    assert "It shows the name" in said.err
    return path.read_text(encoding="utf-8")


def parsed(text: str) -> Any:
    """The page as a tree; a strict parser raises at the first error."""
    import html5lib

    return html5lib.HTMLParser(strict=True).parse(text)


def words_of(tree: Any) -> str:
    """Text of a page outside its figures and styles."""
    skip = {f"{HTML}style", f"{HTML}title", f"{SVG}svg"}

    def walk(node: Any) -> str:
        if node.tag in skip or not isinstance(node.tag, str):
            return node.tail or ""
        return (node.text or "") + " ".join(walk(child) for child in node) + " " + (node.tail or "")

    return " ".join(walk(tree).split())


def test_the_page_is_valid_and_needs_nothing(page: str) -> None:
    """A strict parser finds no error; there is no script, and no address of anything outside."""
    tree = parsed(page)

    assert tree.tag == f"{HTML}html"
    assert [] == tree.findall(f".//{HTML}script") + tree.findall(f".//{HTML}img") + tree.findall(f".//{HTML}link")
    assert set(re.findall(r'(?:href|src)="([^"#][^"]*)"', page)) == set()
    assert "http" not in page.replace("http-equiv", "")
    assert not re.search(r"@import|url\((?!#)", page)


def test_ids_are_unique_and_references_meet_them(page: str) -> None:
    """No id stands twice, and every reference inside a figure has its target."""
    ids = re.findall(r'\bid="([^"]+)"', page)
    used = set(re.findall(r'url\(#([^)]+)\)|href="#([^"]+)"', page))
    named = {i for names in re.findall(r'aria-labelledby="([^"]+)"', page) for i in names.split()}

    assert len(ids) == len(set(ids))
    assert {a or b for a, b in used} | named <= set(ids)
    assert len(used) > 10


def test_every_figure_has_a_text_alternative(page: str) -> None:
    """Each figure is an image with title and description; letters in it are text."""
    figures = parsed(page).findall(f".//{SVG}svg")

    # Two lifts with force and foot; usual range, the one thing and dip timing, each wide and narrow.
    assert len(figures) == 4 + 6
    for figure in figures:
        assert figure.get("role") == "img"
        title, description = figure.find(f"{SVG}title"), figure.find(f"{SVG}desc")
        assert len(title.text) > 15
        assert len(description.text) > 15
        assert figure.find(f".//{SVG}text") is not None


def test_the_page_tells_what_to_change_with_its_drill_and_caution(page: str) -> None:
    """One thing, cue, drill, caution, the note, best and worst, usual, sessions, cautions, in this order."""
    text = words_of(parsed(page))
    wanted = [
        "What was seen", "One thing to work on", CUE, "Drill", "light bar", "Take care", "From your coach",
        "Patient & <b>quiet</b>.", "Next time 82.5 kg.", 
        "The one thing over time", "Dashed line: the aim", "Best and worst lift", "Best: lift", "Worst: lift",
        "All lifts of the session", "Against your usual", "Against earlier sessions", "Your dip timing over time",
        "What the numbers mean", "95 % interval", "Cautions", "not a medical device",
    ]  # fmt: skip
    places = [text.find(w) for w in wanted]

    assert f'The cue "{CUE}" has been in use since 12 March 2024.' in text
    assert -1 not in places, wanted[places.index(-1)]
    assert places == sorted(places)
    assert "<b>quiet</b>" not in page


def test_best_and_worst_are_the_ends_of_the_measure(season: Season, page: str) -> None:
    """Best and worst have the smallest and the largest shift in the drive of the lifts at their load."""
    said = season.ask("attempts", LIFTER, "--since", "2024-03-26", "--json")
    numbers, loads = [], []
    for attempt in json.loads(said.out):
        loads.append(attempt["load_kg"])
        shown = season.ask("attempt", attempt["id"], "--json").data["measures"]
        numbers.append(shown["shift_in_drive_of_foot"]["value"])  # type: ignore[index]
    best, worst = (int(re.findall(rf"{w}: lift (\d+)", page)[0]) for w in ("Best", "Worst"))

    like = [i for i, load in enumerate(loads) if load == loads[best - 1]]
    assert min(like, key=numbers.__getitem__) + 1 == best
    assert max(like, key=numbers.__getitem__) + 1 == worst
    assert loads.count(max(loads)) == 1  # the largest of all is at a load that was lifted once
    assert numbers.index(max(numbers)) == loads.index(max(loads))
    assert f"Furthest from the aim was lift {numbers.index(max(numbers)) + 1} (87.5 kg)" in page


@pytest.fixture(scope="module")
def pdf(season: Season, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same session as PDF under a pseudonym."""
    path = tmp_path_factory.mktemp("pdf") / "a.pdf"
    said = season.ask("report", LIFTER, "-o", path, "--pseudonym", "Lifter 7", "--note", "Well done, tamo VELLING!")
    assert "shows the name" not in said.err
    return path


def pdf_text(path: Path) -> str:
    """All text that can be selected in a PDF."""
    from pypdf import PdfReader

    return " ".join("\n".join(page.extract_text() for page in PdfReader(path).pages).split())


def test_a_pseudonym_leaves_no_name(season: Season, pdf: Path, tmp_path: Path) -> None:
    """With a pseudonym neither name nor file name, body mass or stature is anywhere, in page or PDF."""
    from pypdf import PdfReader

    page = tmp_path / "a.html"
    season.ask("report", LIFTER, "-o", page, "--pseudonym", "Lifter 7", "--note", "Well done, tamo VELLING!")
    text = page.read_text(encoding="utf-8")
    without_places = re.sub(r"<[^>]*>", " ", text)
    told = without_places + pdf_text(pdf) + str(PdfReader(pdf).metadata)

    assert 2 == told.count("Well done, Lifter 7!")
    for secret in ("tamo", "velling"):
        assert secret not in text.lower()
        assert secret not in told.lower()
    for secret in ("jerk_03", "84.6", "84.7", "178 cm", "1.78 m", "device.toml", "27.1 cm"):
        assert secret not in told, secret


def test_the_pdf_opens_and_its_text_can_be_selected(pdf: Path) -> None:
    """A4; words of the page and of its figures are text; every font is embedded TrueType."""
    from pypdf import PdfReader

    reader = PdfReader(pdf, strict=True)
    text, box = pdf_text(pdf), reader.pages[0].mediabox
    wanted = (
        CUE,
        "One thing to work on",
        "force (× weight)",
        "pressure along the foot",
        "heel",
        "not a medical device",
    )

    assert (210.0, 297.0) == pytest.approx((box.width * 25.4 / 72.0, box.height * 25.4 / 72.0), abs=0.1)
    assert 3 <= len(reader.pages) <= 8
    assert ["What was seen", "Cautions"] == [str(o.title) for o in (reader.outline[0], reader.outline[-1])]  # type: ignore[union-attr]
    assert "en" == reader.root_object["/Lang"]
    for words in wanted:
        assert words in text, words
    for i, one in enumerate(reader.pages):
        assert f"{i + 1} of {len(reader.pages)}" in one.extract_text()
    assert b"/Type3" not in pdf.read_bytes()
    assert b"/FontFile2" in pdf.read_bytes()


def test_the_same_report_has_the_same_bytes(season: Season, page: str, pdf: Path, tmp_path: Path) -> None:
    """Made twice, page and PDF are equal to the last byte."""
    note = ("--note", "Patient & <b>quiet</b>.\n\nNext time 82.5 kg.")
    season.ask("report", LIFTER, "-o", tmp_path / "b.html", *note)
    season.ask(
        "report", LIFTER, "-o", tmp_path / "b.pdf", "--pseudonym", "Lifter 7", "--note", "Well done, tamo VELLING!"
    )
    assert page == (tmp_path / "b.html").read_text(encoding="utf-8")
    assert pdf.read_bytes() == (tmp_path / "b.pdf").read_bytes()


def test_one_lift_with_the_bar_on_letter_paper(tmp_path: Path) -> None:
    """A recording of plate and bar on the other paper: one lift in pictures, its bar path included."""
    from pypdf import PdfReader

    path = tmp_path / "one.pdf"
    words = ["report", SAMPLES / "lost_in_front.csv", "--device", SAMPLES / "club_plate_1000_hz.toml"]
    words += ["--bar", SAMPLES / "lost_in_front.bar.csv", "--bar-device", SAMPLES / "club_bar.toml"]
    said = run(*words, "--card", SAMPLES / "lost_in_front.card.toml", "-o", path, "--paper", "letter")
    box = PdfReader(path).pages[0].mediabox
    text = pdf_text(path)

    assert said.code == 0
    assert (215.9, 279.4) == pytest.approx((box.width * 25.4 / 72.0, box.height * 25.4 / 72.0), abs=0.1)
    assert "The lift in pictures" in text
    assert "rack line" in text
    assert "Best" not in text


def test_a_recording_alone_makes_a_report(tmp_path: Path) -> None:
    """Without a history: three lifts of one file, one clear finding, no usual range, no names of files."""
    path = tmp_path / "oda.html"
    card = SAMPLES / "session_of_oda.card.toml"
    said = run(
        "report", SAMPLES / "session_of_oda.csv", "--device", SAMPLES / "club_plate.toml", "--card", card, "-o", path
    )
    text = path.read_text(encoding="utf-8")
    words = words_of(parsed(text))

    assert said.code == 0
    assert "3 lifts" in words
    assert "In 1 of 3 lifts (lift 2) the pressure ran toward the toes already in the dip" in words
    assert "Against your usual" not in words
    assert "session_of_oda" not in text


def test_a_recording_without_a_lift_says_so(tmp_path: Path) -> None:
    """No lift: a valid page with the reason and the cautions, and nothing to work on."""
    path, still = tmp_path / "none.html", tmp_path / "still.csv"
    still.write_text("time,fz\n" + "".join(f"{i / 200:.3f},{800 + i % 3}\n" for i in range(1200)))
    device = tmp_path / "device.toml"
    device.write_text(
        'name = "p"\nkind = "plate"\n[time]\ncolumn = "time"\n[[channels]]\nname = "fz"\n'
        '[[plates]]\nkind = "vertical"\nforce_z = "fz"\n'
    )
    assert run("report", still, "-o", path).code == 0
    words = words_of(parsed(path.read_text(encoding="utf-8")))

    assert "No dip and drive was found" in words
    assert "One thing" not in words
    assert "Cautions" in words


def test_a_span_is_told_session_by_session(season: Season, tmp_path: Path) -> None:
    """A span of three sessions names its days and counts its lifts."""
    path = tmp_path / "span.html"
    assert season.ask("report", LIFTER, "-o", path, "--since", "2024-03-05", "--until", "2024-03-19").code == 0
    words = words_of(parsed(path.read_text(encoding="utf-8")))

    assert "5 March 2024 to 19 March 2024, 3 sessions, 11 lifts" in words


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["report", LIFTER, "-o", "page.doc"], r"\.html or \.pdf"),
        (["report", LIFTER, "-o", "a.html", "--since", "2031-01-01"], "no attempt in this span"),
        (["report", LIFTER, "-o", "a.html", "--since", "2024-01-01", "--last-session"], "exclude each other"),
        (["report", LIFTER, "-o", "a.html", "--load", "80"], "taken for the name of an athlete"),
        (["report", "missing.csv", "-o", "a.html"], "there is no such file"),
        (["report", LIFTER, "-o", "a.pdf", "--paper", "A3"], "A4 and letter are allowed"),
        (["report", "Nobody", "-o", "a.html"], "not in the store"),
        (["compare", LIFTER, "--session", "2024-03-20"], "no session on that day"),
        (["compare", LIFTER, "sheer_luck"], "is no measure"),
    ],
)
def test_what_cannot_be_reported_is_one_sentence(
    season: Season, words: list[str], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exit code 2, one line, no traceback, no file."""
    monkeypatch.chdir(tmp_path)
    found = season.ask(*words)

    assert found.code == 2
    assert re.search(said, found.err)
    assert len(found.err.strip().splitlines()) == 1
    assert [] == list(tmp_path.iterdir())


def test_compare_tells_both_comparisons_and_its_json_holds_them(season: Season) -> None:
    """Eight measures, a sentence for each; the same numbers in SI as JSON."""
    said, data = season.ask("compare", LIFTER), season.ask("compare", LIFTER, "--json").data
    last = data["last"]

    assert said.code == 0
    assert "Against the last session" in said.out
    assert "false alarm comes in 1 of 20" in said.text
    assert 8 == len(last["measures"])  # type: ignore[index, arg-type]
    assert {"now", "before", "low", "high", "p_joint"} <= set(last["measures"][0])  # type: ignore[index]


def test_the_aligned_figure_is_drawn_from_the_command(season: Season, tmp_path: Path) -> None:
    """`trend --aligned` writes a figure that names its phases."""
    path = tmp_path / "phases.svg"
    said = season.ask("trend", LIFTER, "--plot", path, "--aligned")

    assert said.code == 0
    assert path.read_bytes().startswith(b"<?xml")
    assert "Braking" in said.out
