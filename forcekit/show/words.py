"""Sentences, numbers with their uncertainty, and the terminal summary."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence

from forcekit.numbers import decimal, with_unit
from forcekit.registry import GROUPS, MEASURES, MeasureInfo
from forcekit.results import Analysis, Lift, Measure, QualityCheck
from forcekit.terminal import text_width

__all__ = [
    "analysis_text", "bar_beside", "explanation", "found_sentence", "half_shown", "headline", "lift_text",
    "plain_number", "with_interval",
]  # fmt: skip

CAUTION = (
    "forcekit is an aid for coaching, not a medical device. Local rules and the coach's judgement come first; "
    "new drills with a light bar, from blocks or a rack; stop at pain."
)
INTERVALS = (
    "± is a 95 % interval. In a sentence it is left out where it is less than half of the last digit, and in a "
    "finding, which is clear only where the whole interval is beyond the limit."
)
HALF_DIGIT = 0.5 * 10.0 ** -MEASURES["bar_least_rack_load"].digits
"""A load on the shoulders below this is written as zero."""
VERDICT = {"good": "good", "doubtful": "DOUBT", "bad": "BAD"}


def with_interval(m: Measure) -> str:
    """Number as a person sees it, with its unit and its 95 % interval as ± (or −/+ when it is lopsided).

    Examples
    --------
    >>> with_interval(Measure("dip_depth", "m", 0.1742, 0.1699, 0.1786))
    '17.4 ± 0.4 cm'
    """
    if m.value is None or m.low is None or m.high is None:
        return "withheld"
    info = MEASURES[m.name]
    value, below, above = info.factor * m.value, info.factor * (m.value - m.low), info.factor * (m.high - m.value)
    digits = decimals(info, max(below, above))
    told = decimal(value, digits)
    if abs(below - above) <= 0.2 * max(below, above):
        return with_unit(f"{told} ± {max(below, above):.{digits}f}", info.shown_unit)
    return with_unit(f"{told} −{max(below, 0.0):.{digits}f}/+{max(above, 0.0):.{digits}f}", info.shown_unit)


def decimals(info: MeasureInfo, half_width: float) -> int:
    """Decimals of a number: those of the registry, more only as far as the interval's first digit needs them."""
    if half_width <= 0.0 or not math.isfinite(half_width):
        return info.digits
    return min(max(info.digits, math.ceil(-math.log10(half_width) - 1e-9)), info.digits + 2)


def half_shown(m: Measure) -> str:
    """Half of the 95 % interval with the decimals of the number itself, rounded up; "<1" below half of the last digit.

    Examples
    --------
    >>> half_shown(Measure("dip_depth", "m", 0.1742, 0.1699, 0.1786))
    '0.4'
    >>> half_shown(Measure("transition_time", "s", 0.02332, 0.02330, 0.02334))
    '<1'
    """
    assert m.value is not None
    assert m.low is not None
    assert m.high is not None
    info = MEASURES[m.name]
    half, step = info.factor * max(m.high - m.value, m.value - m.low), 10.0**-info.digits
    if half < 0.5 * step:
        return f"<{step:.{info.digits}f}"
    return f"{step * math.ceil(half / step - 0.5):.{info.digits}f}"


def plain_number(m: Measure) -> str:
    """Number with its unit inside a sentence; the ± is left out where it is less than half of the last digit shown.

    Examples
    --------
    >>> plain_number(Measure("transition_time", "s", 0.02332, 0.02330, 0.02334))
    '23 ms'
    >>> plain_number(Measure("dip_depth", "m", 0.1742, 0.1699, 0.1786))
    '17.4 ± 0.4 cm'
    """
    if m.value is None or m.low is None or m.high is None:
        return "withheld"
    half, info = half_shown(m), MEASURES[m.name]
    number = decimal(info.factor * m.value, info.digits)
    return with_unit(number if half.startswith("<") else f"{number} ± {half}", info.shown_unit)


def _seen(lift: Lift, name: str) -> str | None:
    """Value of a measure as in a sentence; None when withheld."""
    m = lift.measures[name]
    return plain_number(m) if m.ok else None


def _moved(lift: Lift, name: str) -> str | None:
    """Shift in words: 1.2 ± 0.1 cm forward, 0.4 ± 0.1 cm back, 0.0 ± 0.1 cm; None when withheld."""
    m, info = lift.measures[name], MEASURES[name]
    if m.value is None:
        return None
    told = plain_number(m).removeprefix("−")
    if round(info.factor * m.value, info.digits) == 0.0:
        return told
    return f"{told} {'forward' if m.value > 0.0 else 'back'}"


READY = {
    "empty": "The plate is empty.",
    "off": "Off the plate.",
    "loading": "Something light is on the plate.",
    "moving": "Not still yet.",
    "still": "Still, a moment more.",
    "ready": "Ready to lift.",
    "dip": "Going.",
    "trouble": "The plate says nothing.",
}
"""What a running session says of the plate."""


def headline(lift: Lift) -> str:
    """What happened, in one sentence with its numbers."""
    parts = []
    if lift.curves.force_n is None:
        return _bar_headline(lift)
    depth, time = _seen(lift, "dip_depth"), _seen(lift, "dip_time")
    if depth is not None:
        parts.append(f"dip {depth} deep" + (f" in {time}" if time else ""))
    if (turn := _seen(lift, "transition_time")) is not None:
        parts.append(f"turnaround {turn}")
    if (up := _seen(lift, "peak_drive_velocity")) is not None:
        parts.append(f"fastest up {up}")
    dip, drive = _moved(lift, "shift_in_dip"), _moved(lift, "shift_in_drive")
    if dip and drive:
        parts.append(f"pressure moved {dip} in the dip, then {drive} in the drive")
    if not parts:
        return "A dip and drive was seen, but it could not be measured; see the quality checks."
    sentence = ", ".join(parts)
    return sentence[0].upper() + sentence[1:] + "."


def bar_beside(lift: Lift) -> str:
    """Whether the bar stayed on the shoulders and in line, in one sentence; "" where plate and bar cannot tell."""
    load = _seen(lift, "bar_least_rack_load")
    if load is None:
        return ""
    load, least = load.replace("weight", "its weight"), lift.measures["bar_least_rack_load"].value or 0.0
    pressed = (
        f"pressed on the shoulders with {load}" if least >= HALF_DIGIT else f"did not press on the shoulders ({load})"
    )
    told = f"At its lightest in the dip the bar {pressed}"
    dip, drive = _moved(lift, "bar_forward_in_dip"), _moved(lift, "bar_forward_in_drive")
    return f"{told}; it moved {dip} in the dip, then {drive} in the drive." if dip and drive else f"{told}."


def _bar_headline(lift: Lift) -> str:
    """The same for a recording of the bar alone."""
    parts = [
        f"{words} {seen}"
        for words, name in (
            ("the bar sank", "bar_dip_depth"),
            ("turned in", "bar_transition_time"),
            ("reached", "bar_peak_velocity"),
        )
        if (seen := _seen(lift, name)) is not None
    ]
    if not parts:
        return "A dip and drive of the bar was seen, but it could not be measured; see the quality checks."
    sentence = ", ".join(parts)
    return sentence[0].upper() + sentence[1:] + "."


def lift_text(
    lift: Lift, number: int, n_lifts: int, *, full: bool = True, after_findings: Sequence[str] = ()
) -> list[str]:
    """Return the terminal summary of one lift, line by line; `after_findings` are lines that go behind them."""
    card = lift.card
    load = f"{card.load_kg:g} kg" if card.load_kg is not None else None
    about = ", ".join(filter(None, (lift.movement, load, card.outcome, card.athlete)))
    out = _wrapped(f"Lift {number} of {n_lifts}: {about}, lowest point at {lift.instants.lowest_s:.3f} s", "")
    out += _wrapped(f"{headline(lift)} {bar_beside(lift)}".rstrip(), "  ")
    out += [""]
    out += _findings(lift)
    if after_findings:
        out += [*after_findings, ""]
    if full:
        out += _measures(lift)
    out += _quality(lift.quality)
    for note in lift.notes:
        out += _wrapped(note, "  Note: ", "        ")
    return out


JUDGED = {
    "where the pressure goes": "shift_in_dip",
    "where the pressure is in stance": "stance_pressure_of_foot",
    "depth against stature": "dip_depth_of_stature",
    "the turnaround": "transition_time",
    "the drive": "peak_drive_velocity",
    "the bar": "bar_least_rack_load",
}
"""What the findings look at, and the measure without which it cannot be judged."""


def not_judged(lift: Lift) -> list[str]:
    """What no finding could look at in a lift, because its measure is withheld."""
    return [words for words, name in JUDGED.items() if not lift.measures[name].ok]


def found_sentence(lift: Lift) -> str:
    """Return what stands out most in a lift, or that nothing does, in one sentence or two."""
    if lift.findings:
        return lift.findings[0].sentence
    missing = not_judged(lift)
    if len(missing) == len(JUDGED):
        return "Nothing could be judged."
    if missing:
        return f"Nothing stands out in what could be judged. Not judged: {', '.join(missing)}."
    return "Nothing stands out: no pattern beyond its limit."


def _findings(lift: Lift) -> list[str]:
    if not lift.findings:
        return [*_wrapped(found_sentence(lift), "  "), ""]
    first, *others = lift.findings
    out = _wrapped(first.sentence, f"  {first.strength.upper():9}", " " * 11)
    out += _wrapped(first.cue.cue, "  Cue      ", " " * 11)
    out += _wrapped(first.cue.drill, "  Drill    ", " " * 11)
    out += _wrapped(first.cue.caution, "  Care     ", " " * 11)
    out += _wrapped(first.limit_source, "  Limit    ", " " * 11)
    for other in others:
        out += _wrapped(other.sentence, f"  also {other.strength}: ", " " * 11)
    return [*out, ""]


def _measures(lift: Lift) -> list[str]:
    out: list[str] = []
    withheld: dict[str, list[str]] = {}
    for group, title in GROUPS.items():
        rows = [(MEASURES[m.name], m) for m in lift.measures.values() if MEASURES[m.name].group == group]
        good = [(info, m) for info, m in rows if m.ok]
        for _, m in rows:
            if not m.ok:
                withheld.setdefault(str(m.withheld), []).append(m.name)
        if good:
            out.append(f"  {title}")
            out += [f"    {info.label:<28}{with_interval(m):>24}   {info.name}" for info, m in good]
    if withheld:
        out.append("  Withheld")
        for reason, names in withheld.items():
            out += _wrapped(f"{_named(names)}: {reason}", "    ", "      ")
    return [*out, ""]


def _named(names: Sequence[str]) -> str:
    """Names of withheld measures; five and more of one group as the group with their number."""
    told = []
    for group, title in GROUPS.items():
        mine = [n for n in names if MEASURES[n].group == group]
        told += [f"{title[0].lower()}{title[1:]} ({len(mine)} measures)"] if len(mine) >= 5 else mine
    return ", ".join(told)


def _quality(checks: Sequence[QualityCheck]) -> list[str]:
    out = ["  Quality"]
    for check in checks:
        out += _wrapped(check.sentence, f"    {VERDICT[check.verdict]:6}{check.name}: ", " " * 10)
    return out


def analysis_text(analysis: Analysis, *, full: bool = True, after_findings: Sequence[Sequence[str]] = ()) -> str:
    """Return the terminal summary of a whole recording; `after_findings` are lines for each lift."""
    out: list[str] = []
    n = len(analysis.lifts)
    out.append(f"{analysis.source}: {n} lift{'' if n == 1 else 's'}")
    for note in analysis.notes:
        out += _wrapped(note, "  Note: ", "        ")
    if analysis.reason:
        out += _wrapped(analysis.reason, "  ")
    for i, lift in enumerate(analysis.lifts):
        beside = after_findings[i] if i < len(after_findings) else ()
        out += ["", *lift_text(lift, i + 1, n, full=full, after_findings=beside)]
    if analysis.passed_over:
        out += ["", "Passed over"]
        for p in analysis.passed_over:
            out += _wrapped(p.why, f"  at {p.at_s:7.2f} s: ", " " * 15)
    if analysis.lifts:
        out += ["", *_wrapped(INTERVALS, "")]
    out += ["", *_wrapped(CAUTION, "")]
    return "\n".join(out)


def explanation(info: MeasureInfo) -> str:
    """Return the definition of a measure as used, with its source."""
    unit = info.unit or "ratio"
    shown = f", shown in {info.shown_unit}" if info.shown_unit and info.shown_unit != info.unit else ""
    out = [f"{info.name}: {info.label}", f"  unit        {unit}{shown}"]
    out += _wrapped(info.meaning, "  meaning     ", " " * 14)
    out += _wrapped(info.definition, "  definition  ", " " * 14)
    out += _wrapped(info.source, "  source      ", " " * 14)
    if info.least_rate_hz:
        out.append(f"  needs       {info.least_rate_hz:.0f} Hz or more")
    return "\n".join(out)


def _wrapped(text: str, first: str, following: str | None = None) -> list[str]:
    return textwrap.wrap(
        text,
        text_width(),
        initial_indent=first,
        subsequent_indent=following if following is not None else " " * len(first),
        break_long_words=False,
        break_on_hyphens=False,
    )
