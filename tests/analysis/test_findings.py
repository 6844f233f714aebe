"""Patterns and their limits: clear, possible or not raised; and the cue book a coach may edit."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import pytest
from helpers import only_lift, simulated

from forcekit.analysis.findings import PATTERNS, find_patterns, load_cue_book
from forcekit.analysis.pipeline import Settings
from forcekit.errors import InputError
from forcekit.registry import MEASURES
from forcekit.results import Finding, Measure
from forcekit.simulate.faults import faulty_plan

BOOK = load_cue_book()
HARMLESS = {
    "shift_in_dip": 0.0, "shift_in_drive": 0.0, "shift_total": 0.0, "shift_in_dip_of_foot": 0.0,
    "shift_in_drive_of_foot": 0.0, "shift_total_of_foot": 0.0, "stance_pressure_of_foot": 0.45, "side_shift": 0.0,
    "transition_time": 0.02, "dip_depth": 0.17, "dip_depth_of_stature": 0.10, "peak_drive_velocity": 1.5,
}  # fmt: skip


def measures(half_width: float = 0.001, **said: float | None) -> dict[str, Measure]:
    """All measures: harmless values with narrow intervals, some set, None withheld; the others withheld."""
    out = {}
    for name, info in MEASURES.items():
        value = {**HARMLESS, **said}.get(name)
        if value is None:
            out[name] = Measure(name, info.unit, withheld="not here")
        else:
            out[name] = Measure(name, info.unit, value, value - half_width, value + half_width)
    return out


def found(given: Mapping[str, Measure], movement: str = "jerk", reversals: int = 0) -> dict[str, str]:
    """Strength of each pattern raised."""
    return {f.pattern: f.strength for f in find_patterns(given, movement, reversals, BOOK)}


ONE_LIMIT = [
    ("forward_in_dip", "shift_in_dip_of_foot", 1.0),
    ("forward_throughout", "stance_pressure_of_foot", 1.0),
    ("slow_turnaround", "transition_time", 1.0),
    ("side_to_side", "side_shift", 1.0),
    ("side_to_side", "side_shift", -1.0),
    ("too_deep", "dip_depth_of_stature", 1.0),
    ("too_shallow", "dip_depth_of_stature", 0.0),
    ("falls_short", "peak_drive_velocity", 0.0),
]
"""Pattern, its measure, and on which side of the limit it lies: above, below the negative, or below (0)."""


@pytest.mark.parametrize(("pattern", "name", "side"), ONE_LIMIT)
def test_the_interval_decides_how_surely(pattern: str, name: str, side: float) -> None:
    """Wholly beyond the limit is clear, straddling is possible (from either side), wholly within is nothing."""
    limit = BOOK[pattern].limit * (side or 1.0)
    outward = -1.0 if side <= 0.0 else 1.0
    for step, expected in ((0.003, "clear"), (0.0005, "possible"), (-0.0005, "possible"), (-0.003, None)):
        given = measures(0.001, **{name: limit + outward * step})
        assert found(given).get(pattern) == expected, step


def test_harmless_values_raise_nothing() -> None:
    """Nothing is raised without reason."""
    assert found(measures()) == {}


def test_back_then_forward_needs_all_of_its_conditions() -> None:
    """Forward in the drive counts only if the dip was not forward and the lifter ends up forward altogether."""
    forward = {"shift_in_drive_of_foot": 0.20, "shift_in_dip_of_foot": -0.04, "shift_total_of_foot": 0.16}
    assert found(measures(**forward)) == {"back_then_forward": "clear"}
    assert found(measures(**{**forward, "shift_total_of_foot": 0.02})) == {}
    dip_forward = found(measures(**{**forward, "shift_in_dip_of_foot": 0.15}))
    assert dip_forward == {"forward_in_dip": "clear"}


@pytest.mark.parametrize(("shift_m", "way"), [(-0.012, "1.2 cm toward the heels"), (0.006, "0.6 cm toward the toes")])
def test_the_way_of_the_dip_stands_in_words(shift_m: float, way: str) -> None:
    """Before a drive that goes forward, where the dip went is told without a sign to be explained."""
    forward = {"shift_in_drive_of_foot": 0.20, "shift_in_dip_of_foot": shift_m / 0.26, "shift_total_of_foot": 0.16}
    (finding,) = find_patterns(measures(**forward, shift_in_dip=shift_m), "jerk", 0, BOOK)
    assert finding.sentence.startswith(f"The dip was not too far forward ({way}), but in the drive")


def test_degrees_follow_their_number_without_a_space() -> None:
    """As everywhere else in the program."""
    (finding,) = find_patterns(measures(shaft_rotation_dip=-0.41), "jerk", 0, BOOK)
    assert "the shaft turned 23.5° forward" in finding.sentence


def test_one_condition_that_straddles_makes_the_whole_possible() -> None:
    """The weakest condition decides."""
    given = measures(shift_in_drive_of_foot=0.20, shift_in_dip_of_foot=-0.04, shift_total_of_foot=0.0395)
    assert found(given) == {"back_then_forward": "possible"}


def test_a_withheld_measure_raises_nothing() -> None:
    """What could not be measured cannot be found."""
    for name in HARMLESS:
        assert found(measures(**{name: None})) == {}, name


def test_without_a_foot_length_the_shift_in_metres_is_judged() -> None:
    """A shift of 4 cm is beyond 8 % of a foot of 26 cm, also when the foot is not known; the evidence says metres."""
    unknown = {n: None for n in MEASURES if n.endswith("_of_foot")}
    given = measures(**{**unknown, "shift_in_dip": 0.04})
    (finding,) = find_patterns(given, "jerk", 0, BOOK)
    assert (finding.pattern, finding.strength, finding.evidence) == ("forward_in_dip", "clear", ("shift_in_dip",))
    assert "4.0 cm" in finding.sentence
    assert "?" not in finding.sentence
    assert found(measures(**{**unknown, "shift_in_dip": 0.015})) == {}


@pytest.mark.parametrize("movement", ["dip only", "jump dip", "push press"])
def test_a_short_drive_is_no_fault_of_a_drill(movement: str) -> None:
    """A dip drill need not reach the speed of a jerk."""
    assert found(measures(peak_drive_velocity=0.5), movement) == {}
    assert found(measures(peak_drive_velocity=0.5), "jerk") == {"falls_short": "clear"}


def test_a_double_dip_is_counted() -> None:
    """One reversal is a double dip."""
    assert found(measures(), reversals=1) == {"double_dip": "clear"}


def test_clear_before_possible_then_the_most_costly() -> None:
    """The order: clear ones by their cost, then possible ones by theirs."""
    straddling = {
        "shift_in_dip_of_foot": BOOK["forward_in_dip"].limit,
        "stance_pressure_of_foot": BOOK["forward_throughout"].limit,
    }
    given = measures(**straddling, transition_time=0.2, side_shift=0.05)
    order = [f.pattern for f in find_patterns(given, "jerk", 0, BOOK)]
    assert order == ["slow_turnaround", "side_to_side", "forward_in_dip", "forward_throughout"]


def all_findings() -> list[Finding]:
    """One clear finding of every pattern of the plate, as a lift would show it."""
    extremes = (
        {"shift_in_dip_of_foot": 0.2, "shift_in_dip": 0.05, "dip_depth_of_stature": 0.2, "side_shift": 0.05},
        {"shift_in_drive_of_foot": 0.2, "shift_in_drive": 0.05, "shift_total_of_foot": 0.2, "side_shift": -0.05},
        {"shift_in_dip_of_foot": -0.2, "shift_in_dip": -0.05, "shift_total_of_foot": -0.2},
        {"stance_pressure_of_foot": 0.7, "transition_time": 0.2, "dip_depth_of_stature": 0.03},
        {"peak_drive_velocity": 0.5},
    )
    return [f for said in extremes for f in find_patterns(measures(**said), "jerk", 1, BOOK)]


def test_every_finding_can_be_said_to_a_lifter() -> None:
    """Sentences have all their numbers, a cue, a drill with its caution, a limit with its source, and evidence."""
    seen = {f.pattern for f in all_findings()}
    of_the_bar = {p.name for p in PATTERNS if all(MEASURES[c.measure].group == "bar" for c in p.conditions)}
    assert seen == set(BOOK) - of_the_bar
    for f in all_findings():
        assert "?" not in f.sentence, f.sentence
        assert "{" not in f.sentence, f.sentence
        assert f.sentence.endswith("."), f.sentence
        assert all((f.cue.cue, f.cue.drill, f.cue.caution, f.limit_source)), f.pattern
        assert f.limit_source.split(":")[0] in ("common practice", "published"), f.limit_source
        assert f.evidence or f.pattern == "double_dip"


def test_possible_says_possibly() -> None:
    """A straddling finding is worded as one."""
    (finding,) = find_patterns(measures(0.01, transition_time=BOOK["slow_turnaround"].limit), "jerk", 0, BOOK)
    assert finding.sentence.startswith("Possibly: the turnaround took")


def test_side_is_named() -> None:
    """Left and right are said as the lifter has them, y to the left."""
    for value, side in ((0.05, "left"), (-0.05, "right")):
        (finding,) = find_patterns(measures(side_shift=value), "jerk", 0, BOOK)
        assert finding.sentence.endswith(f"5.0 cm to the {side}.")


def test_every_pattern_has_its_place_in_the_cue_book() -> None:
    """Rows and sections are one set, and no two sections cost the same."""
    assert {p.name for p in PATTERNS} | {"double_dip"} == set(BOOK)
    costs = [entry.cost for entry in BOOK.values()]
    assert len(set(costs)) == len(costs)


def written(folder: Path, text: str) -> Path:
    """A coach's own cue book."""
    path = folder / "coach.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_coach_changes_what_is_written_and_keeps_the_rest(tmp_path: Path) -> None:
    """One limit and one cue changed, everything else as it came."""
    book = load_cue_book(written(tmp_path, '[slow_turnaround]\nlimit = 0.09\ncue = "Bounce!"\n'))
    assert (book["slow_turnaround"].limit, book["slow_turnaround"].cue) == (0.09, "Bounce!")
    assert book["slow_turnaround"].drill == BOOK["slow_turnaround"].drill
    assert {n: e for n, e in book.items() if n != "slow_turnaround"} == {
        n: e for n, e in BOOK.items() if n != "slow_turnaround"
    }


def test_a_coachs_limit_reaches_the_findings(tmp_path: Path) -> None:
    """A lift that is slow by the usual limit is not by a laxer one."""
    _, recording = simulated(faulty_plan("slow_turnaround"), 1)
    lax = written(tmp_path, "[slow_turnaround]\nlimit = 0.8\n")
    assert "slow_turnaround" in [f.pattern for f in only_lift(recording).findings]
    assert "slow_turnaround" not in [f.pattern for f in only_lift(recording, Settings(cue_book=lax)).findings]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[slow_turnaround\n", "must be a TOML file"),
        ("[slow_turn]\nlimit = 1\n", r"section \[slow_turn\]: no such pattern; known are forward_in_dip"),
        ('[slow_turnaround]\nlimit = "long"\n', r"section \[slow_turnaround\]: .*limit"),
        ("[slow_turnaround]\nlimits = 0.1\n", r"section \[slow_turnaround\]: .*limits"),
        ("[slow_turnaround]\nlimit = nan\n", r"section \[slow_turnaround\]: .*limit"),
        ("slow_turnaround = 0.1\n", "slow_turnaround"),
        ('[slow_turnaround]\nsentence = "It took {transition_time."\n', r"section \[slow_turnaround\]: .*sentence"),
        ('[slow_turnaround]\nsentence = "It took {0}."\n', r"section \[slow_turnaround\]: .*sentence"),
        (
            '[slow_turnaround]\nsentence = "Took {transition_time:.2f}."\n',
            r"section \[slow_turnaround\]: .*sentence",
        ),
        ('[slow_turnaround]\nsentence = ""\n', r"section \[slow_turnaround\]: .*sentence"),
    ],
)
def test_a_cue_book_with_a_mistake_is_refused(tmp_path: Path, text: str, says: str) -> None:
    """One sentence that names the file and the section, not a traceback and not silence."""
    path = written(tmp_path, text)
    with pytest.raises(InputError, match=says) as caught:
        load_cue_book(path)
    assert "coach.toml" in str(caught.value)


def test_a_missing_cue_book_is_refused(tmp_path: Path) -> None:
    """The path is named."""
    with pytest.raises(InputError, match=r"nowhere\.toml: .* cannot be read \(No such file or directory\);"):
        load_cue_book(tmp_path / "nowhere.toml")


def test_a_binary_cue_book_is_refused(tmp_path: Path) -> None:
    """Bytes that are no text."""
    path = tmp_path / "coach.toml"
    path.write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(InputError, match=r"cannot be read \(it is no text in UTF-8\); it"):
        load_cue_book(path)


def test_every_drill_has_its_dose_and_a_safe_place() -> None:
    """A drill says sets, repetitions and a light or half bar, its caution a rack or blocks; none sends to the toes."""
    for name, entry in load_cue_book().items():
        assert re.search(r"\d sets of \d", entry.drill), name
        assert re.search(r"light bar|up to half of the best jerk", entry.drill), name
        assert re.search(r"\brack or (over )?blocks", entry.caution), name
        assert "to the toes" not in entry.drill, name
