"""Findings: which pattern a lift shows, how surely, and the one cue for it.

A pattern is a row of conditions on measures. It is *clear* when the 95 % intervals of all of them lie wholly beyond
their limits, *possible* when at least one straddles its limit and none speaks against it, and otherwise not raised.
"""

from __future__ import annotations

import functools
import math
import string
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Literal

import msgspec

from forcekit.errors import InputError
from forcekit.registry import MEASURES, shown
from forcekit.results import Cue, Finding, Measure

__all__ = ["PATTERNS", "CueEntry", "find_patterns", "load_cue_book"]

WORDS = frozenset(MEASURES) | {
    "shift_in_dip_back",
    "shift_in_dip_way",
    "shift_in_dip_of_foot_back",
    "side_shift_plain",
    "side",
    "shaft_rotation_dip_down",
    "bar_lead_before",
}
"""What a sentence of the cue book may name in braces."""
ASSUMED_FOOT_M = 0.26
"""Used only to turn a limit in fractions of the foot into metres when the foot is not known (our choice)."""

Strength = Literal["clear", "possible"]


class CueEntry(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One section of the cue book."""

    cost: int
    limit: float
    limit_source: str
    sentence: str
    cue: str
    drill: str
    caution: str
    limit_back: float | None = None


@dataclass(frozen=True, slots=True)
class Condition:
    """One measure on one side of a limit. `limit` takes the cue book's entries."""

    measure: str
    side: Literal["above", "below"]
    limit: Callable[[Mapping[str, CueEntry]], float]
    sign: float = 1.0


@dataclass(frozen=True, slots=True)
class Pattern:
    """Conditions that must all hold, and the movements to which the pattern does not apply."""

    name: str
    conditions: tuple[Condition, ...]
    not_for: tuple[str, ...] = ()


def _limit(pattern: str, sign: float = 1.0) -> Callable[[Mapping[str, CueEntry]], float]:
    return lambda book: sign * book[pattern].limit


PATTERNS: tuple[Pattern, ...] = (
    Pattern("forward_in_dip", (Condition("shift_in_dip_of_foot", "above", _limit("forward_in_dip")),)),
    Pattern(
        "back_then_forward",
        (
            Condition("shift_in_drive_of_foot", "above", _limit("back_then_forward")),
            Condition("shift_in_dip_of_foot", "below", _limit("forward_in_dip")),
            Condition("shift_total_of_foot", "above", lambda book: book["back_then_forward"].limit_back or 0.0),
        ),
    ),
    Pattern("forward_throughout", (Condition("stance_pressure_of_foot", "above", _limit("forward_throughout")),)),
    Pattern("slow_turnaround", (Condition("transition_time", "above", _limit("slow_turnaround")),)),
    Pattern(
        "toward_heels",
        (
            Condition("shift_in_dip_of_foot", "below", _limit("toward_heels", -1.0)),
            Condition("shift_total_of_foot", "below", lambda book: book["back_then_forward"].limit_back or 0.0),
        ),
    ),
    Pattern("side_to_side", (Condition("side_shift", "above", _limit("side_to_side"), sign=0.0),)),
    Pattern("too_deep", (Condition("dip_depth_of_stature", "above", _limit("too_deep")),), not_for=("jump dip",)),
    Pattern("too_shallow", (Condition("dip_depth_of_stature", "below", _limit("too_shallow")),)),
    Pattern(
        "falls_short",
        (Condition("peak_drive_velocity", "below", _limit("falls_short")),),
        not_for=("dip only", "jump dip", "push press"),
    ),
    Pattern("elbows_drop", (Condition("shaft_rotation_dip", "below", _limit("elbows_drop", -1.0)),)),
    Pattern("bar_floats", (Condition("bar_least_rack_load", "below", _limit("bar_floats")),)),
    Pattern("arms_early", (Condition("bar_lead", "below", _limit("arms_early", -1.0)),), not_for=("dip only",)),
    Pattern("bar_drifts_forward", (Condition("bar_forward_in_dip", "above", _limit("bar_drifts_forward")),)),
    Pattern("bar_drifts_forward", (Condition("bar_forward_in_drive", "above", _limit("bar_drifts_forward")),)),
)
"""Patterns on measures; a double dip is counted, not measured (see `find_patterns`)."""


def load_cue_book(path: Path | None = None) -> dict[str, CueEntry]:
    """Return the cue book: the one that comes with forcekit, with the sections of your own file on top.

    Parameters
    ----------
    path : Path, optional

    Raises
    ------
    InputError
        If the file cannot be read or a section does not fit.
    """
    if path is None:
        return dict(_bundled_book())
    try:
        text = Path(path).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as e:
        why = e.strerror if isinstance(e, OSError) else "it is no text in UTF-8"
        raise InputError(f"{path}: the cue book cannot be read ({why}); it must be a TOML file.") from e
    return dict(_with_sections(text, path))


@functools.cache
def _bundled_book() -> dict[str, CueEntry]:
    own = resources.files("forcekit.analysis").joinpath("cue_book.toml").read_bytes()
    return msgspec.toml.decode(own, type=dict[str, CueEntry])


@functools.lru_cache(maxsize=4)
def _with_sections(text: str, path: Path) -> dict[str, CueEntry]:
    """Put the sections of a person's own cue book on top; a batch asks for the same book thousands of times."""
    book = dict(_bundled_book())
    try:
        added = tomllib.loads(text)
    except tomllib.TOMLDecodeError as e:
        raise InputError(f"{path}: the cue book cannot be read ({e}); it must be a TOML file.") from e
    for name, section in added.items():
        if name not in book:
            raise InputError(f"{path}, section [{name}]: no such pattern; known are {', '.join(book)}.")
        if not isinstance(section, dict):
            raise InputError(f"{path}: {name} must be a section [{name}] with limit, sentence, cue and the like.")
        merged = msgspec.to_builtins(book[name]) | section
        try:
            book[name] = _checked(msgspec.convert(merged, CueEntry))
        except (msgspec.ValidationError, ValueError) as e:
            raise InputError(f"{path}, section [{name}]: {e}; see the cue book that comes with forcekit.") from e
    return book


def _checked(entry: CueEntry) -> CueEntry:
    """Raise a ValueError in words if a section cannot be used."""
    for key in ("limit", "limit_back"):
        value = getattr(entry, key)
        if value is not None and not math.isfinite(value):
            raise ValueError(f"{key} is {value}, a finite number is needed")
    for key in ("sentence", "cue", "drill", "caution", "limit_source"):
        if not getattr(entry, key).strip():
            raise ValueError(f"{key} is empty")
    try:
        parts = list(string.Formatter().parse(entry.sentence))
    except ValueError as e:
        raise ValueError(f"the braces of the sentence do not close ({e})") from e
    for _, field, spec, conversion in parts:
        if field is not None and (field not in WORDS or spec or conversion):
            raise ValueError(f"the sentence names {{{field}}}, which is no measure; write for example {{dip_depth}}")
    return entry


def find_patterns(
    measures: Mapping[str, Measure], movement: str, reversals: int, book: Mapping[str, CueEntry]
) -> tuple[Finding, ...]:
    """Return all patterns a lift shows, clear ones first, the most costly first among them.

    Parameters
    ----------
    measures : mapping of str to Measure
    movement : str
    reversals : int
        How often the dip turned upward and down again.
    book : mapping of str to CueEntry
    """
    found: list[Finding] = []
    for pattern in PATTERNS:
        if movement in pattern.not_for:
            continue
        verdicts = [_judge(condition, measures, book) for condition in pattern.conditions]
        if any(v is None for v in verdicts):
            continue
        strength: Strength = "clear" if all(v == "clear" for v in verdicts) else "possible"
        evidence = tuple(c.measure for c in pattern.conditions)
        found.append(_finding(pattern.name, strength, evidence, measures, book[pattern.name]))
    if reversals >= 1:
        found.append(_finding("double_dip", "clear", (), measures, book["double_dip"]))
    found.sort(key=lambda f: (f.strength != "clear", book[f.pattern].cost))
    # A pattern may have two rows; the stronger one is named.
    return tuple(f for i, f in enumerate(found) if f.pattern not in {g.pattern for g in found[:i]})


def _judge(condition: Condition, measures: Mapping[str, Measure], book: Mapping[str, CueEntry]) -> Strength | None:
    """Return clear, possible, or None when the condition does not hold or cannot be judged."""
    limit = condition.limit(book)
    m = measures[condition.measure]
    if not m.ok and condition.measure.endswith("_of_foot") and condition.measure.startswith("shift"):
        m = measures[condition.measure.removesuffix("_of_foot")]
        limit *= ASSUMED_FOOT_M
    if m.value is None or m.low is None or m.high is None:
        return None
    low, high = m.low, m.high
    if condition.sign == 0.0:  # either side
        low, high = (-high, -low) if m.value < 0.0 else (low, high)
    if condition.side == "below":
        low, high, limit = -high, -low, -limit
    if low > limit:
        return "clear"
    return "possible" if high > limit else None


def _finding(
    name: str, strength: Strength, evidence: tuple[str, ...], measures: Mapping[str, Measure], entry: CueEntry
) -> Finding:
    words = {n: shown(n, m.value) for n, m in measures.items() if m.value is not None}
    side = measures.get("side_shift")
    for back in ("shift_in_dip", "shift_in_dip_of_foot"):
        if (shift := measures.get(back)) is not None and shift.value is not None:
            words[f"{back}_back"] = shown(back, -shift.value)
    if (shift := measures.get("shift_in_dip")) is not None and shift.value is not None:
        way = "toes" if shift.value >= 0.0 else "heels"
        words["shift_in_dip_way"] = f"{shown('shift_in_dip', abs(shift.value))} toward the {way}"
    turn, lead = measures.get("shaft_rotation_dip"), measures.get("bar_lead")
    if turn is not None and turn.value is not None:
        words["shaft_rotation_dip_down"] = shown("shaft_rotation_dip", abs(turn.value))
    if lead is not None and lead.value is not None:
        words["bar_lead_before"] = shown("bar_lead", abs(lead.value))
    if side is not None and side.value is not None:
        words["side_shift_plain"] = shown("side_shift", abs(side.value))
        words["side"] = "left" if side.value > 0.0 else "right"
    sentence = entry.sentence.format_map(_Words(words)).replace(" (?)", "")
    if strength == "possible":
        sentence = "Possibly: " + sentence[0].lower() + sentence[1:]
    used = tuple(n for n in evidence if measures[n].ok) or tuple(
        n.removesuffix("_of_foot") for n in evidence if measures[n.removesuffix("_of_foot")].ok
    )
    return Finding(name, strength, sentence, used, entry.limit_source, Cue(entry.cue, entry.drill, entry.caution))


class _Words(dict[str, str]):
    def __missing__(self, key: str) -> str:
        return "?"
