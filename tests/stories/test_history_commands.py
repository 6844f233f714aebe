"""What a coach asks of the history: a season of real files, analysed, kept and asked."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from forcekit.cli_keep import time_of_day_s
from forcekit.history.people import add_athlete
from forcekit.history.store import open_store
from forcekit.live.review import review
from tests.stories.kept_season import NAME, SAMPLES, Place, analysis, deep, run
from tests.stories.season import scattered, write_rep

# ------------------------------------------------------------------------------------------ analyse and keep


def test_the_card_is_filled_in_from_the_store(place: Place) -> None:
    """Stature and foot length are not said to analyze, and what depends on them is measured."""
    said = place.ask(*analysis(place.reps[0], "--json"))
    (lift,) = said.data["lifts"]  # type: ignore[misc]

    assert lift["measures"]["dip_depth_of_stature"]["value"] == pytest.approx(0.105, abs=0.01)
    assert "value" in lift["measures"]["shift_total_of_foot"]
    assert [{"attempt": 1, "state": "known"}] == said.data["history"]["kept"]  # type: ignore[index]


def test_a_deep_rep_is_different_and_judged_by_the_lifters_own_limit(place: Place) -> None:
    """Below the common limit of 14 %, above this lifter's own: found, compared, both limits named, kept."""
    said = place.ask(*analysis(deep(place)))

    assert "The dip was deep" in said.text
    assert "For this lifter that is unusual." in said.text
    assert "this lifter's own usual range goes up to" in said.text
    assert "In place of 14.0 % (published" in said.text
    assert "Different from usual: dip depth deeper" in said.text
    assert "8 measures compared with 10 earlier reps at 80 kg" in said.text
    assert "as attempt 11 of Ines" in said.text


def test_a_usual_rep_is_as_usual_and_raises_nothing(place: Place) -> None:
    """One more rep of the same kind differs in no measure, and own limits do not make a finding of it."""
    rep = write_rep(place.files, "usual", scattered(80.0, np.random.default_rng(8)), 60, "2024-03-21")
    said = place.ask(*analysis(rep))

    assert "As usual: 8 measures compared with 10 earlier reps at 80 kg, none differs." in said.text
    assert "Nothing stands out" in said.text


def test_analysing_twice_keeps_once(place: Place) -> None:
    """The same recording with the same answer is known; it is not compared with itself."""
    said = place.ask(*analysis(place.reps[-1]))

    assert "Kept nothing: this very result is attempt 10" in said.text
    assert "9 earlier reps" in said.text
    assert place.ask("attempts", NAME).out.count("\n") == 10


def test_no_keep_compares_and_keeps_nothing(place: Place) -> None:
    """With --no-keep the lift is compared, and the store is as before."""
    said = place.ask(*analysis(deep(place), "--no-keep"))

    assert "Different from usual" in said.text
    assert "Kept" not in said.out
    assert place.ask("attempts", NAME).out.count("\n") == 10


def test_a_figure_that_cannot_be_written_is_told_before_anything_is_kept(place: Place) -> None:
    """A wrong --plot is known from the command line alone, so no attempt is kept and nothing is printed."""
    said = place.ask(*analysis(deep(place), "--plot", "lift.bmp"))

    assert 2 == said.code
    assert "" == said.out
    assert ".png, .svg, .pdf" in said.err
    assert place.ask("attempts", NAME).out.count("\n") == 10


def test_a_name_not_in_the_store(place: Place) -> None:
    """It is analysed without a history, with a hint; --keep makes it an error."""
    words = ["Inse" if w == NAME else w for w in analysis(place.reps[0])]
    plain, keeping = place.ask(*words), place.ask(*words, "--keep")

    assert plain.code == 0
    assert "lowest point at" in plain.out
    assert '"Inse" is not among the 1 athlete' in plain.err
    assert (keeping.code, keeping.out) == (2, "")
    assert "nothing is kept" in keeping.err


def test_no_store_is_made_by_analysing(tmp_path: Path, made: Place) -> None:
    """Without a history analyze says what it says anyway and leaves nothing behind."""
    said = run(*analysis(made.reps[0]), "--store", tmp_path / "new")

    assert said.code == 0
    assert "Usual" not in said.out
    assert not (tmp_path / "new").exists()


def test_what_cannot_be_kept_is_told_after_the_analysis(place: Place) -> None:
    """A recording that is stored for somebody else is analysed, then the error is told with exit code 2."""
    place.ask("athlete", "add", "Olu")
    words = ["Olu" if w == NAME else w for w in analysis(place.reps[0])]
    said = place.ask(*words)

    assert said.code == 2
    assert "lowest point at" in said.out
    assert f'is stored for the athlete "{NAME}"' in said.err


# ---------------------------------------------------------------------------------------------------- asking


def test_usual(made: Place) -> None:
    """The range of one measure at a load, with the typical error where it is asked by name; JSON in SI."""
    said = made.ask("usual", NAME, "dip_depth", "--load", 75)
    (usual,) = made.ask("usual", NAME, "dip_depth", "--load", 75, "--json").data["usual"]  # type: ignore[misc]

    assert "Dip depth: usual at 75 kg" in said.text
    assert "from 10 reps at 70–80 kg" in said.text
    assert "no typical error" in said.text
    assert usual["low"] < 0.105 * 1.70 < usual["high"]
    assert "and nothing is extrapolated" in made.ask("usual", NAME, "dip_depth", "--load", 120).text


def test_trend_in_the_terminal_and_as_a_figure(made: Place, tmp_path: Path) -> None:
    """Without a name the four times; with one, a line for each session; the same figure twice has the same bytes."""
    four, one = made.ask("trend", NAME), made.ask("trend", NAME, "dip_depth")
    for name in ("a.png", "b.png"):
        assert made.ask("trend", NAME, "--plot", tmp_path / name).code == 0

    assert [w in four.out for w in ("Unweighting:", "Braking:", "Turnaround:", "Drive:")] == [True] * 4
    assert one.out.count("2024-03-") == 5
    assert "[" in one.out
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()
    assert "a date such as" in made.ask("trend", NAME, "--since", "yesterday").err


def test_charts_find_the_odd_rep(place: Place, tmp_path: Path) -> None:
    """Steady reps stay inside; a deep one is named with day and load, drawn and counted; SI in the JSON."""
    steady = place.ask("trend", NAME, "dip_depth", "--chart", "single")
    assert place.ask(*analysis(deep(place))).code == 0
    odd = place.ask("trend", NAME, "dip_depth", "--chart", "single", "--robust", "--plot", tmp_path / "chart.svg")
    chart = place.ask("trend", NAME, "dip_depth", "--chart", "single", "--robust", "--json").data["charts"]["dip_depth"]  # type: ignore[index]
    weighted = place.ask("trend", NAME, "--chart", "weighted")

    assert "from 10 reps in 5 sessions, all brought to 75 kg; no rep outside" in steady.text
    assert "1 rep outside: 2024-03-20 at 80 kg (" in odd.text
    assert "limits unsure: fewer than 20 reps, fewer than 8 sessions" in odd.text
    assert odd.out.count("2024-03-") == 7  # six sessions and the rep
    assert "1 rep outside: 2024-03-20 at 80 kg" in " ".join((tmp_path / "chart.svg").read_text().split())
    assert (chart["unit"], chart["outside"], len(chart["low"])) == ("m", [10], 11)
    assert chart["drawn"][10] > chart["high"][10] > chart["centre"] > chart["low"][10] > 0.1
    assert weighted.out.count("EWMA chart: weighted mean now") == 4
    two = place.ask("trend", NAME, "dip_depth", "--chart", "weighted", "--since", "2024-03-12")
    assert (two.code, "no EWMA chart, 2 sessions so far, at least 3 are needed" in two.text) == (0, True)


def test_a_cue_from_the_cue_book_knows_what_it_is_for(place: Place) -> None:
    """The cue against a deep dip is judged by depth, wanted lower; too few reps are told."""
    cue = "Shorter dip, same speed."
    for attempt in (8, 9, 10):
        assert place.ask("attempt", attempt, "--cue", cue).code == 0
    said = place.ask("trial", NAME, "--cue", cue, "--json")
    (trial,) = said.data["trials"]  # type: ignore[misc]

    assert (trial["measure"], said.data["wanted"]) == ("dip_depth_of_stature", "lower")
    assert (trial["n_before"], trial["n_after"]) == (3, 3)
    assert trial["verdict"] in ("not shown", "changed, cause open")
    assert 'no rep with dip_depth has the cue "tall"' in place.ask("trial", NAME, "dip_depth", "--cue", "tall").err
    assert "either --cue CUE or --drill" in place.ask("trial", NAME).err


def test_misses_and_break_load_say_what_is_missing(made: Place) -> None:
    """Without misses and with two loads there is a reason, not a number."""
    assert "10 makes and 0 misses, at least 3 of each are needed" in made.ask("misses", NAME).text
    assert "10 reps at 2 different loads" in made.ask("break-load", NAME).text


def test_misses_are_contrasted(place: Place) -> None:
    """Three attempts corrected to misses are compared with the seven makes at equal load."""
    for attempt in (2, 5, 8):
        said = place.ask("attempt", attempt, "--outcome", "missed forward")
        assert "missed forward" in said.out
    found = place.ask("misses", NAME, "dip_depth", "shift_total", "--json").data["contrast"]

    assert (found["n_makes"], found["n_misses"]) == (7, 3)  # type: ignore[index]
    left_out = place.ask("misses", NAME, "dip_depth", "bar_lead").text
    assert "bar's peak after the body's: not compared, measured in none of these attempts." in left_out
    assert "bar_lead" not in left_out
    assert "missed back" in place.ask("misses", NAME, "--kind", "missed").err


@pytest.fixture
def mixed(place: Place) -> Place:
    """The season and one push press at 70 kg, in a session of its own."""
    rep = write_rep(place.files, "press", scattered(70.0, np.random.default_rng(9)), 70, "2024-03-14T18:00")
    words = ["push press" if w == "jerk" else w for w in analysis(rep)]
    assert place.ask(*words).code == 0
    return place


QUESTIONS = (["usual"], ["trend"], ["trial", "--cue", "tall"], ["misses"], ["break-load"])


@pytest.mark.parametrize("question", QUESTIONS, ids=lambda words: words[0])
def test_movements_taken_together_are_told(mixed: Place, question: list[str]) -> None:
    """Without --movement an answer names the movements it holds, with --movement it holds one and says nothing."""
    for attempt in (8, 9, 10, 11):
        assert mixed.ask("attempt", attempt, "--cue", "tall").code == 0
    words = [question[0], NAME, *question[1:]]
    all_, one = mixed.ask(*words), mixed.ask(*words, "--movement", "jerk")

    told = 'All movements are taken together: "jerk" (10 attempts) and "push press" (1). --movement chooses one.'
    assert told in all_.text
    assert (one.code, "taken together" in one.text) == (0, False)
    assert mixed.ask(*words, "--json").data["movements"] == {"jerk": 10, "push press": 1}
    assert mixed.ask(*words, "--movement", "jerk", "--json").data["movements"] == {"jerk": 10}


def test_the_bench_names_movements_taken_together(mixed: Place) -> None:
    """As the commands do, without their option; lifts whose card named none are told what they go by."""
    for name in ("jumped", "stood"):
        plan = replace(scattered(70.0, np.random.default_rng(10)), takeoff=name == "jumped")
        asked = analysis(write_rep(mixed.files, name, plan, 70, "2024-03-15T18:00"))
        i = asked.index("--movement")
        assert mixed.ask(*asked[:i], *asked[i + 2 :]).code == 0
    with open_store(mixed.store) as store:
        told = review(store, NAME, "depth")["together"]
    assert told.startswith('All movements are taken together: "jerk" (10 attempts)')
    assert told.endswith("Where the card named no movement, lifts go by what the feet did: these are two.")
    assert f"{told} --movement chooses one." in mixed.ask("usual", NAME).text


@pytest.mark.parametrize("question", [*QUESTIONS, ["compare"], ["report"]], ids=lambda words: words[0])
def test_a_movement_that_is_not_there_is_refused(mixed: Place, tmp_path: Path, question: list[str]) -> None:
    """In one sentence with those that are there."""
    out = ["-o", tmp_path / "r.html"] if question == ["report"] else []
    said = mixed.ask(question[0], NAME, *question[1:], *out, "--movement", "snatch")

    assert said.code == 2
    assert 'is a "snatch"; kept are "jerk" (10 attempts) and "push press" (1). Leave --movement out' in said.err
    assert len(said.err.strip().splitlines()) == 1


def test_a_first_session_is_compared_with_nothing_and_no_more_is_said(mixed: Place, tmp_path: Path) -> None:
    """Neither command nor page warns of false alarms where nothing was compared, or points to trends not there."""
    said = mixed.ask("compare", NAME, "--movement", "push press").text
    mixed.ask("report", NAME, "--movement", "push press", "-o", tmp_path / "first.html")
    page = (tmp_path / "first.html").read_text(encoding="utf-8")

    assert "there is no earlier session of this movement" in said
    assert "1 of 20" not in said
    assert "You did 1 lift and made it." in page
    assert "there is no earlier session of this movement" in page
    assert "1 of 20" not in page
    assert "trends below" not in page


def test_compare_says_which_movement_it_took(mixed: Place) -> None:
    """Of several the commonest of the session; of a lifter with one movement there is nothing to say."""
    said = 'Compared are the attempts of "push press", the commonest in this session; --movement chooses others.'
    assert said in mixed.ask("compare", NAME).text
    mixed.ask("attempt", 11, "--remove", "--yes")
    assert "Compared are the attempts of" not in mixed.ask("compare", NAME).text


def test_a_lift_without_a_movement_says_what_it_is_judged_by(mixed: Place) -> None:
    """Earlier lifts of two movements are named; a card that names one is compared with those alone."""
    words = analysis(deep(mixed), "--no-keep")
    i = words.index("--movement")
    none, jerk = mixed.ask(*words[:i], *words[i + 2 :]), mixed.ask(*words)

    assert 'all movements together: "jerk" (10 attempts) and "push press" (1). Say --movement' in none.text
    assert "movements together" not in jerk.text


# ------------------------------------------------------------------------------------------------ wrong words


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["usual", "Inse"], "is not in the store, which has 1"),
        (["usual", NAME, "dip_dept"], "did you mean dip_depth"),
        (["trend", NAME, "--plot", "x.bmp"], ".png, .svg, .pdf"),
        (["trend", NAME, "--chart", "ewma"], "single and weighted are allowed"),
        (["trend", NAME, "--robust"], "--chart single or --chart weighted"),
        (["trend", NAME, "--chart", "single", "--aligned"], "ask for one of them"),
        (["trend", NAME, "--aligned"], "say with --plot FILE.png"),
        (
            ["trend", NAME, "--movement", "snatch"],
            f'no attempt of "{NAME}" is a "snatch"; kept are "jerk" (10 attempts)',
        ),
        (["compare", NAME, "--session", "2001-01-01"], "no attempt with these measures by then"),
        (["trial", NAME, "--cue", ""], "either a cue or a drill"),
        (["athlete", "add", NAME], "is in the store already"),
        (["athlete", "add", "two\nlines"], "cannot be seen"),
        (["athlete", "change", NAME], "nothing to change"),
        (["break-load", NAME, "--side", "left"], "above and below"),
        (["import", "/nowhere/at/all"], "there is no such folder"),
    ],
)
def test_wrong_words_get_one_sentence(made: Place, words: list[object], told: str) -> None:
    """Whatever is wrong is said in one line, exit code 2, no traceback."""
    said = made.ask(*words)

    assert said.code == 2
    assert len(said.err.strip().splitlines()) == 1
    assert told in said.err


def test_asking_where_nothing_is_makes_nothing(tmp_path: Path) -> None:
    """A question to a place without a history names it, and leaves it as it was."""
    said = run("usual", "Ines", "--store", tmp_path / "empty")

    assert said.code == 2
    assert "there is no history at" in said.err
    assert not (tmp_path / "empty").exists()


SIX = SAMPLES / "guest_six_components"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["usual", "Ines", "--load", "nan"], "--load is nan kg"),
        (["usual", "Ines", "--load", "-5"], "--load is -5 kg"),
        (["compare", "Ines", "--load", "inf"], "--load is inf kg"),
        (["break-load", "Ines", "--limit", "nan"], "--limit is nan"),
        (["attempt", "99999999999999999999"], "9223372036854775807"),
        (["report", "Ines", "--until", "9999-12-31"], '--until is "9999-12-31"; a date'),
        (["compare", "Ines", "--session", "9999-12-31"], '--session is "9999-12-31"; a date'),
        (["attempts", "Ines", "--store", "~nobody of that name/x"], "home folder of nobody"),
        (["analyze", f"{SIX}.csv", "--device", f"{SIX}.toml", "--date", "soon"], '--date is "soon"; a date'),
    ],
)
def test_numbers_and_dates_that_cannot_be(tmp_path: Path, words: list[object], told: str) -> None:
    """Each is refused with exit code 2 and its option, whatever the history holds."""
    with open_store(tmp_path) as store:
        add_athlete(store, "Ines")

    said = run(*words, *([] if "--store" in words else ["--store", tmp_path]))

    assert 2 == said.code
    assert told in said.text
    assert "Traceback" not in said.text


def test_a_day_is_counted_by_its_own_midnight(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lifts kept before and after midnight in Greenwich stay in their order where the day goes on."""
    monkeypatch.setenv("TZ", "UTC+8")
    time.tzset()
    try:
        midnight = 20_000 * 86400.0
        assert 16.0 * 3600.0 - 1.0 == pytest.approx(time_of_day_s(midnight - 1.0))
        assert time_of_day_s(midnight - 1.0) < time_of_day_s(midnight + 1.0)
    finally:
        monkeypatch.undo()
        time.tzset()
