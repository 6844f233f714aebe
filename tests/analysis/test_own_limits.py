"""Limits from the athlete's own usual range: what they may replace, and that both limits are always named."""

from __future__ import annotations

import msgspec
import pytest

from forcekit.analysis.findings import PATTERNS, find_patterns, load_cue_book
from forcekit.analysis.own_limits import OWN_RULES, widened, with_limits
from forcekit.registry import MEASURES
from forcekit.results import Measure

BOOK = load_cue_book()
FROM = "up to 5 % at 80 kg (12 reps)"
BALANCE = [p for p, rule in OWN_RULES.items() if not rule.both_ways]
STYLE = [p for p, rule in OWN_RULES.items() if rule.both_ways]


def stricter(pattern: str, share: float) -> float:
    """A limit that is stricter than the common one by a share of it (negative: wider)."""
    sign = -1.0 if OWN_RULES[pattern].tighter == "smaller" else 1.0
    return BOOK[pattern].limit * (1.0 + sign * share)


def test_every_rule_is_about_the_measure_its_pattern_judges() -> None:
    """The measure of a rule is the first condition of the pattern, and the rule's side is the condition's."""
    for pattern, rule in OWN_RULES.items():
        first = next(p for p in PATTERNS if p.name == pattern).conditions[0]
        assert first.measure == rule.measure
        assert rule.measure in MEASURES
        ends = "either" if first.sign == 0.0 else {"above": "high", "below": "low"}[first.side]
        assert ends == rule.end


@pytest.mark.parametrize("pattern", OWN_RULES)
def test_a_tighter_own_limit_replaces_the_common_one(pattern: str) -> None:
    """The own limit is used, both are named, the sentence says that it is unusual for this lifter."""
    limit = stricter(pattern, 0.3)
    entry = with_limits(BOOK, {pattern: (limit, FROM)})[pattern]

    assert entry.limit == limit
    assert FROM in entry.limit_source
    assert BOOK[pattern].limit_source in entry.limit_source
    assert entry.sentence.endswith("For this lifter that is unusual.")


@pytest.mark.parametrize("pattern", BALANCE)
def test_a_limit_of_balance_is_never_loosened(pattern: str) -> None:
    """A wider own range leaves the common limit, and the source says so."""
    entry = with_limits(BOOK, {pattern: (stricter(pattern, -0.5), FROM)})[pattern]

    assert entry.limit == BOOK[pattern].limit
    assert entry.sentence == BOOK[pattern].sentence
    assert BOOK[pattern].limit_source in entry.limit_source
    assert f"Kept, although this lifter's own usual range goes {FROM}" in entry.limit_source


@pytest.mark.parametrize("pattern", BALANCE)
def test_a_limit_of_balance_keeps_half_of_the_common_one(pattern: str) -> None:
    """A lifter who hardly moves is not told of a fault at a few millimetres, nor one who always goes the other way."""
    for own in (0.01 * BOOK[pattern].limit, -BOOK[pattern].limit):
        entry = with_limits(BOOK, {pattern: (own, FROM)})[pattern]
        assert entry.limit == 0.5 * BOOK[pattern].limit
        assert "half the common limit" in entry.limit_source


@pytest.mark.parametrize("pattern", STYLE)
def test_a_wider_limit_of_style_leaves_its_trace(pattern: str) -> None:
    """It replaces the common one, and `widened` names it with both, whether it is raised or not."""
    own = {pattern: (stricter(pattern, -0.2), FROM)}

    assert with_limits(BOOK, own)[pattern].limit == own[pattern][0]
    assert FROM in widened(BOOK, own)[pattern]
    assert BOOK[pattern].limit_source in widened(BOOK, own)[pattern]
    assert widened(BOOK, {pattern: (stricter(pattern, 0.2), FROM)}) == {}


def test_what_the_coach_set_stays() -> None:
    """A limit of the coach's own cue book is not replaced."""
    book = BOOK | {"too_deep": msgspec.structs.replace(BOOK["too_deep"], limit=0.12)}
    assert with_limits(book, {"too_deep": (0.10, FROM)})["too_deep"] == book["too_deep"]


def test_mechanics_and_zones_have_no_own_limit() -> None:
    """A bar that floats, arms that push early and a stance on the toes are judged alike for everybody."""
    assert set(OWN_RULES) & {"bar_floats", "arms_early", "forward_throughout", "double_dip"} == set()


def test_a_finding_by_an_own_limit_names_it() -> None:
    """12.5 % of stature is no finding by the common limit, and one by an own limit of 11.5 %."""
    measures = {name: Measure(name, info.unit, withheld="not asked") for name, info in MEASURES.items()}
    measures["dip_depth"] = Measure("dip_depth", "m", 0.2125, 0.2115, 0.2135)
    measures["dip_depth_of_stature"] = Measure("dip_depth_of_stature", "", 0.125, 0.1245, 0.1255)
    (found,) = find_patterns(measures, "jerk", 0, with_limits(BOOK, {"too_deep": (0.115, FROM)}))

    assert find_patterns(measures, "jerk", 0, BOOK) == ()
    assert ("too_deep", "clear") == (found.pattern, found.strength)
    assert FROM in found.limit_source
    assert "14.0 %" in found.limit_source
