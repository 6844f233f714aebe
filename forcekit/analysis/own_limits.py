"""Limits of findings from the athlete's own usual range, in place of common practice.

Two kinds of pattern can have one. A matter of style (depth, tempo, speed) is measured by what this lifter does: the own
limit may be tighter or wider than the common one. A matter of balance or of the elbows can cost a bar on the way down:
there an own limit may only be tighter, and no tighter than half the common one, since less is unusual but no fault.
Limits that follow from mechanics (a bar that floats, arms that push early) or from the foot's zones stay as they are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import msgspec

from forcekit.analysis.findings import CueEntry, find_patterns, load_cue_book
from forcekit.registry import shown
from forcekit.results import Lift

__all__ = ["OWN_RULES", "OwnRule", "judged_by", "widened", "with_limits"]

LEAST_SHARE = 0.5
"""An own limit of balance is no tighter than this share of the common one (our choice)."""
UNUSUAL = " For this lifter that is unusual."


@dataclass(frozen=True, slots=True)
class OwnRule:
    """How an own usual range becomes the limit of a pattern.

    Attributes
    ----------
    measure : str
        The measure the cue book's limit is about.
    end : {"high", "low", "either"}
        Which end of its usual range is the limit; "low" of a signed measure is taken with its sign turned.
    tighter : {"smaller", "larger"}
        Which way the cue book's number is stricter.
    both_ways : bool
        Whether the own limit may be wider than the common one.
    """

    measure: str
    end: Literal["high", "low", "either"]
    tighter: Literal["smaller", "larger"] = "smaller"
    both_ways: bool = False


OWN_RULES: dict[str, OwnRule] = {
    "forward_in_dip": OwnRule("shift_in_dip_of_foot", "high"),
    "back_then_forward": OwnRule("shift_in_drive_of_foot", "high"),
    "toward_heels": OwnRule("shift_in_dip_of_foot", "low"),
    "side_to_side": OwnRule("side_shift", "either"),
    "elbows_drop": OwnRule("shaft_rotation_dip", "low"),
    "slow_turnaround": OwnRule("transition_time", "high", both_ways=True),
    "too_deep": OwnRule("dip_depth_of_stature", "high", both_ways=True),
    "too_shallow": OwnRule("dip_depth_of_stature", "low", "larger", both_ways=True),
    "falls_short": OwnRule("peak_drive_velocity", "low", "larger", both_ways=True),
}
"""Pattern -> how its limit may come from the athlete."""


def with_limits(book: Mapping[str, CueEntry], own: Mapping[str, tuple[float, str]]) -> dict[str, CueEntry]:
    """Return the cue book with limits from the athlete's own usual range.

    Parameters
    ----------
    book : mapping of str to CueEntry
        See `findings.load_cue_book`.
    own : mapping of str to (float, str)
        Pattern -> limit as the cue book writes it, and where it comes from, such as "up to 52 ms at 80 kg, 14 reps".

    Notes
    -----
    A limit that the coach set in a cue book of their own stays. `limit_source` always names both limits. Where the own
    one is wider and may not replace the common one, it is named as kept.
    """
    common = load_cue_book()
    out = dict(book)
    for pattern, (limit, told) in own.items():
        entry = book[pattern]
        if entry.limit == common[pattern].limit:
            out[pattern] = _with_limit(entry, OWN_RULES[pattern], limit, told)
    return out


def judged_by(lift: Lift, book: Mapping[str, CueEntry]) -> Lift:
    """Return the lift with its findings judged by another cue book; the measures stay."""
    reversals = sum(f.pattern == "double_dip" for f in lift.findings)
    return replace(lift, findings=find_patterns(lift.measures, lift.movement, reversals, book))


def widened(book: Mapping[str, CueEntry], own: Mapping[str, tuple[float, str]]) -> dict[str, str]:
    """Return the patterns whose own limit is wider than the common one, with the source that names both.

    A pattern that is then not raised would otherwise leave no trace of it.
    """
    new = with_limits(book, own)
    out = {}
    for pattern in own:
        smaller = new[pattern].limit < book[pattern].limit
        if new[pattern].limit != book[pattern].limit and smaller == (OWN_RULES[pattern].tighter == "larger"):
            out[pattern] = new[pattern].limit_source
    return out


def _with_limit(entry: CueEntry, rule: OwnRule, limit: float, told: str) -> CueEntry:
    at = shown(rule.measure, entry.limit)
    tighter = limit < entry.limit if rule.tighter == "smaller" else limit > entry.limit
    if not tighter and not rule.both_ways:
        return msgspec.structs.replace(
            entry, limit_source=f"{at}; {entry.limit_source}. Kept, although this lifter's own usual range goes {told}"
        )
    least = 0.0 if rule.both_ways else LEAST_SHARE * entry.limit
    if tighter and limit < least:
        source = f"{shown(rule.measure, least)}, half the common limit; this lifter's own usual range goes {told}"
    else:
        source = f"{shown(rule.measure, limit)}; this lifter's own usual range goes {told}"
    return msgspec.structs.replace(
        entry,
        limit=max(limit, least),
        limit_source=f"{source}. In place of {at} ({entry.limit_source})",
        sentence=entry.sentence + UNUSUAL,
    )
