"""What is picked out of a session: the one thing to work on, the best and the worst lift."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from reps import DAY_S, START

import forcekit
from forcekit.analysis.findings import PATTERNS
from forcekit.history.attempts import add_attempt
from forcekit.history.digest import Digest, digest_of_analysis, digest_of_store
from forcekit.history.people import add_athlete
from forcekit.history.store import Store
from forcekit.history.timeline import DIP_TIMING
from forcekit.model import AttemptCard
from forcekit.results import Analysis, Lift, Measure
from forcekit.show.report_change import timing
from forcekit.show.report_words import PATTERN_WORDS

SAMPLES = Path(__file__).parents[2] / "sample_signals"


@cache
def lift_of(name: str) -> Lift:
    """The lift of a sample."""
    files = (SAMPLES / f"{name}.csv", SAMPLES / "club_plate.toml")
    return forcekit.analyze(forcekit.read(*files, card=SAMPLES / f"{name}.card.toml"))[0]


def digest(*names: str) -> Digest:
    """A session put together from samples."""
    return digest_of_analysis(Analysis("session", tuple(lift_of(n) for n in names)))


def test_what_costs_most_comes_first_when_it_is_frequent() -> None:
    """A costly pattern in a third of the lifts goes before a cheaper one in another third."""
    found = digest("pattern_too_deep", "pattern_forward_in_dip", "tamo_80_kg")

    assert found.focus is not None
    assert ("forward_in_dip", "clear", 1, 3) == (
        found.focus.pattern, found.focus.strength, found.focus.n_clear, found.focus.n_judged,
    )  # fmt: skip
    assert (("too_deep", 1),) == found.others


def test_what_is_seen_once_in_many_lifts_gives_way() -> None:
    """A costly pattern in one of four lifts gives way to one that is in three of them."""
    found = digest("pattern_forward_in_dip", "pattern_too_deep", "pattern_too_deep", "pattern_too_deep")

    assert found.focus is not None
    assert "too_deep" == found.focus.pattern


@pytest.mark.parametrize(
    ("pattern", "measure", "worst"),
    [
        ("pattern_forward_in_dip", "shift_in_dip_of_foot", "highest"),
        ("pattern_toward_heels", "shift_in_dip_of_foot", "lowest"),
        ("pattern_too_shallow", "dip_depth_of_stature", "lowest"),
        ("pattern_slow_turnaround", "transition_time", "highest"),
    ],
)
def test_best_and_worst_are_by_the_finding(pattern: str, measure: str, worst: str) -> None:
    """The lift that shows the pattern is the worst by its measure, on the side that is worse."""
    found = digest("tamo_70_kg", pattern, "tamo_80_kg")
    values = [rep.measures[measure].value for rep in found.reps]

    assert found.pair is not None
    assert (measure, True, True) == (found.pair.measure, found.pair.by_finding, found.pair.told_apart)
    assert 1 == found.pair.worst
    assert values[1] == (max if worst == "highest" else min)(v for v in values if v is not None)


def test_a_counted_pattern_has_a_lift_with_and_one_without() -> None:
    """A double dip is counted: best is a lift without it."""
    found = digest("pattern_double_dip", "tamo_80_kg")

    assert found.pair is not None
    assert (1, 0, None) == (found.pair.best, found.pair.worst, found.pair.measure)


def test_without_a_finding_there_is_no_best() -> None:
    """Clean lifts: nothing to work on, and the pair only shows the ends of the session."""
    found = digest("tamo_70_kg", "tamo_80_kg")

    assert found.focus is None
    assert found.pair is not None
    assert not found.pair.by_finding


def test_one_lift_has_no_pair() -> None:
    """One lift is neither best nor worst."""
    assert digest("pattern_too_deep").pair is None


def test_every_pattern_has_its_plain_words() -> None:
    """The report has a heading, a sentence and a reason for each pattern that can be found."""
    assert {p.name for p in PATTERNS} | {"double_dip"} == set(PATTERN_WORDS)


def test_too_far_the_other_way_is_not_best() -> None:
    """Pressure that runs to the toes is not the best answer to pressure that runs to the heels."""
    found = digest("pattern_toward_heels", "pattern_toward_heels", "pattern_forward_in_dip", "tamo_80_kg")

    assert found.focus is not None
    assert found.pair is not None
    best = found.reps[found.pair.best]
    assert abs(best.measures[found.pair.measure or ""].value or 1.0) < 0.02


def test_a_common_limit_that_was_kept_is_still_the_aim() -> None:
    """A source that says the common limit was kept leaves its number; one that names another limit does not."""
    lift = lift_of("pattern_forward_in_dip")
    (finding,) = (f for f in lift.findings if f.pattern == "forward_in_dip")

    def limit(source: str) -> float | None:
        told = replace(lift, findings=(replace(finding, limit_source=source),))
        focus = digest_of_analysis(Analysis("one", (told,))).focus
        assert focus is not None
        return focus.limit

    common = finding.limit_source
    assert limit(common) == pytest.approx(0.08)
    assert limit(f"8.0 % of foot; {common}. Kept, although this lifter's own usual range goes up to 21 %") == limit(
        common
    )
    assert limit(f"12 % of foot; this lifter's own usual range. In place of 8.0 % of foot ({common})") is None


@pytest.mark.parametrize(
    ("last", "followed", "said"),
    [
        (["jerk", "jerk"], {"jerk"}, ""),
        (["jerk", "push press"], {"jerk", "push press"}, ' All movements are taken together: "jerk" and "push press".'),
        (["", ""], {"jerk", "push press", ""}, '"jerk", "push press" and no movement written.'),
    ],
)
def test_a_session_is_followed_in_its_own_movement(lite: Store, last: list[str], followed: set[str], said: str) -> None:
    """What is told over the sessions is of the movement of this one's lifts; of several together, which is said."""
    add_athlete(lite, "Ina")
    days = [(day, movement) for day in range(3) for movement in ("jerk", "push press")]
    for i, (day, movement) in enumerate([*days, *((3, m) for m in last)]):
        timed = [Measure(name, "s", 0.1 + 0.01 * i, 0.1, 0.3) for name in DIP_TIMING]
        card = AttemptCard(load_kg=80.0, movement=movement or None)  # type: ignore[arg-type]
        add_attempt(lite, "Ina", timed, card=card, definitions="1", at=START + DAY_S * day + i)
    found = digest_of_store(lite, "Ina")
    told = timing(found)

    assert found.timeline is not None
    assert set(found.timeline.attempts.movement) == followed
    assert told is not None
    caption = told.blocks[0].pictures[0].caption
    assert said in caption
    assert ("together" in caption) == (len(followed) > 1)
