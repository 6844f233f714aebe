"""What stands in a report, in order: words, tables and figures, for the HTML page and for the PDF alike.

The page is made for the lifter. It holds a name or pseudonym, days, loads and measures; body mass, stature, file names,
device numbers and notes of the store stay where they are.
"""

from __future__ import annotations

import math
import re
import time
from collections.abc import Sequence
from typing import Any, get_args

from forcekit.history.digest import Digest, DigestRep
from forcekit.history.wording import join_words, load_text
from forcekit.model import Measure, Movement
from forcekit.registry import MEASURES, shown
from forcekit.show.report_blocks import Block, Report, Section, TableBlock
from forcekit.show.report_words import CAUTIONS, NUMBERS, OTHER_WAY, PATTERN_WORDS
from forcekit.show.scrub import scrubber, without_name

__all__ = ["columns_of", "day_text", "make_report", "outside_usual", "plain_number"]

COLUMNS = ("dip_depth", "braking_time", "transition_time", "peak_drive_velocity", "shift_in_dip", "shift_in_drive")
BAR_COLUMNS = (
    "bar_dip_depth", "bar_transition_time", "bar_peak_velocity", "bar_forward_in_dip", "bar_forward_in_drive",
)  # fmt: skip
MOST_ROWS = 20
"""With more lifts the table has a row for each session instead of each lift."""
PHONE_ATTEMPTS, PAGE_ATTEMPTS = 16, 60
WIDE_IN, NARROW_IN = 7.4, 3.6


def make_report(digest: Digest, *, pseudonym: str | None = None, note: str | None = None, version: str = "") -> Report:
    """Put a report together.

    Parameters
    ----------
    digest : Digest
        From `history.digest`.
    pseudonym : str, optional
        Stands in place of the name, also inside cues and drills that mention it; "" leaves the name out.
    note : str, optional
        The coach's own words; empty lines part paragraphs.
    version : str
        Of forcekit.
    """
    if note and digest.athlete and pseudonym is not None:
        note = scrubber(digest.athlete, pseudonym)(note)
    digest = without_name(digest, pseudonym)
    who = digest.athlete
    sections = [Section("What was seen", (Block(paragraphs=_seen(digest)),))]
    if digest.reps:
        sections.append(_work(digest))
    if note and note.strip():
        said = tuple(" ".join(p.split()) for p in re.split(r"\n\s*\n", note) if p.strip())
        sections.append(Section("From your coach", (Block(paragraphs=said),), "note"))
    if digest.reps:
        from forcekit.show.report_parts import compared, pair_section, timing, usual_section

        parts = (pair_section(digest), _table(digest), usual_section(digest), compared(digest), timing(digest))
        sections += [part for part in parts if part is not None]
        sections.append(_sure(digest))
    sections.append(Section("Cautions", (Block(items=CAUTIONS),)))
    title = _title(digest, who)
    made_by = f"Made by {' '.join(['forcekit', version]).strip()}. ± is a 95 % interval."
    return Report(title, _subtitle(digest), tuple(sections), made_by)


# ------------------------------------------------------------------------------------------------ head and words


def _title(digest: Digest, who: str | None) -> str:
    kinds = sorted({rep.movement for rep in digest.reps})
    named = len(kinds) == 1 and kinds[0] in get_args(Movement)
    what = f"{kinds[0]} analysis" if named else "Dip and drive analysis"
    what = what[0].upper() + what[1:]
    return f"{what}: {who}" if who else what


def _subtitle(digest: Digest) -> str:
    said = []
    if digest.started_at is not None and digest.ended_at is not None:
        first, last = day_text(digest.started_at), day_text(digest.ended_at)
        said.append(first if first == last else f"{first} to {last}, {digest.n_sessions} sessions")
    n = len(digest.reps)
    said.append("no lift" if not n else f"{n} lift{'' if n == 1 else 's'}")
    loads = sorted({rep.load_kg for rep in digest.reps if rep.load_kg is not None})
    if loads:
        said.append(load_text(loads[0]) if len(loads) == 1 else f"{loads[0]:g} to {load_text(loads[-1])}")
    return ", ".join(said)


def day_text(at_s: float) -> str:
    """Day in the words of a page: 26 March 2024."""
    months = (
        "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
        "December",
    )  # fmt: skip
    day = time.localtime(at_s)
    return f"{day.tm_mday} {months[day.tm_mon - 1]} {day.tm_year}"


def _seen(digest: Digest) -> tuple[str, ...]:
    """Two or three paragraphs: what was lifted, what stood out, what was fine."""
    n = len(digest.reps)
    if not n:
        return (f"No dip and drive was found. {digest.reason or ''}".strip(),)
    lifts = _count(n, "lift")
    outcomes = [(o, sum(r.outcome == o for r in digest.reps)) for o in _in_order(r.outcome for r in digest.reps)]
    known = [f"{k} {o}" for o, k in outcomes if o]
    first = f"You did {lifts}" + (f" in {digest.n_sessions} sessions" if digest.n_sessions > 1 else "")
    out = [first + (f": {join_words(known)}." if known else ".")]
    if digest.n_left_out:
        out[0] += f" {digest.n_left_out} older lifts of this span are left out."
    focus = digest.focus
    if focus is None:
        out.append("Nothing stood out: no pattern lay beyond its limit in what could be judged. " + _unjudged(digest))
        return tuple(p.strip() for p in out)
    words = PATTERN_WORDS[focus.pattern]
    if focus.strength == "clear":
        in_n = "In this lift" if n == 1 else f"In {focus.n_clear} of {focus.n_judged} lifts"
        sure = "This is clear: it is more than the error of the measurement can explain." if focus.measure else ""
        also = f" In {focus.n_possible} more it is possible." if focus.n_possible else ""
        which = "" if n == 1 else f" ({_numbers(focus.showing)})"
        out.append(f"{in_n}{which} {words.seen}. {sure}{also}".rstrip())
    else:
        in_n = "this lift" if n == 1 else f"{focus.n_possible} of {focus.n_judged} lifts"
        out.append(f"Possibly, in {in_n}, {words.seen}. The measurement cannot tell for sure.")
    if digest.others:
        more = [f"{PATTERN_WORDS[p].seen} ({_count(k, 'lift')})" for p, k in digest.others]
        out.append(f"Also seen, for later: {join_words(more)}. One thing at a time.")
    elif focus.strength == "clear":
        out.append(f"Nothing else stood out clearly. {_unjudged(digest)}".strip())
    if digest.usual and digest.usual_load_kg is not None and (beyond := outside_usual(digest)):
        out.append(f"At {load_text(digest.usual_load_kg)}, not as usual: {beyond}.")
    return tuple(out)


def outside_usual(digest: Digest) -> str:
    """Measures of the session that lie outside the usual range, with the way and in how many lifts; "" for none."""
    return join_words(
        [
            f"{row.words.label} {way} in {int(beyond.sum())} of {_count(row.value.size, 'lift')}"
            for row in digest.usual
            for way, beyond in ((row.words.lower, row.value < row.low), (row.words.higher, row.value > row.high))
            if beyond.any()
        ]
        or [""]
    )


def _numbers(indices: Sequence[int]) -> str:
    """Write which lifts: "lift 4", "lifts 4 and 6"; many are cut short."""
    told = [str(i + 1) for i in indices]
    told = told if len(told) <= 8 else [*told[:7], "more"]
    return f"lift {told[0]}" if len(told) == 1 else f"lifts {join_words(told)}"


def _unjudged(digest: Digest) -> str:
    """What was never measured in these lifts, in one sentence; empty if nothing is missing."""
    from forcekit.show.words import JUDGED

    gone = [
        words for words, name in JUDGED.items()
        if not any((m := rep.measures.get(name)) is not None and m.ok for rep in digest.reps)
    ]  # fmt: skip
    return f"Not judged, because it was not measured: {join_words(gone)}." if gone else ""


def _work(digest: Digest) -> Section:
    """The one thing to work on, with its drill and caution."""
    focus = digest.focus
    if focus is None:
        told = (
            "Keep doing what you do. Without a finding there is nothing to change; load and sets as your coach plans."
        )
        return Section("One thing to work on", (Block(paragraphs=(told,)),), "main")
    words = PATTERN_WORDS[focus.pattern]
    labelled = (
        ("Think", focus.cue.cue),
        ("Drill", focus.cue.drill),
        ("Take care", focus.cue.caution),
        ("Why", words.why),
        ("Better looks like", words.better),
    )
    basis = f"Judged by {words.measured_by}.{_target(digest)}"
    if focus.strength == "possible":
        basis = "Only possible, not clear: watch it before you change anything. " + basis
    return Section(
        "One thing to work on: " + words.title[0].lower() + words.title[1:],
        (Block(labelled=labelled), Block(paragraphs=(basis,))),
        "main",
    )


def _target(digest: Digest) -> str:
    """The limit as a number to stay inside of, with this session's best and worst beside it; "" where there is none."""
    focus, pair = digest.focus, digest.pair
    if focus is None or focus.measure is None or focus.limit is None:
        return ""
    info = MEASURES[focus.measure]
    unit = f" {info.shown_unit}" if info.shown_unit else ""
    limit = f"{abs(info.factor * focus.limit):g}{unit}"
    if focus.way == "either":
        told = f" Aim for less than {limit} to either side."
    elif focus.limit < 0.0:
        told = f" Aim for less than {limit} {OTHER_WAY.get(focus.measure, 'the other way')}."
    else:
        told = f" Aim for {'less' if focus.way == 'above' else 'more'} than {limit}."
    if pair is not None and pair.measure == focus.measure:
        best, worst = (plain_number(digest.reps[i].measures[focus.measure]) for i in (pair.best, pair.worst))
        told += f" Your best lift had {best}, your worst {worst}."
    else:
        told += f" This lift had {plain_number(digest.reps[focus.surest].measures[focus.measure])}."
    return told


# --------------------------------------------------------------------------------------------------- the table


def _table(digest: Digest) -> Section:
    if len(digest.reps) > MOST_ROWS:
        return _session_rows(digest)
    names = columns_of(digest)
    mixed = len({rep.movement for rep in digest.reps}) > 1
    outcome = any(rep.outcome for rep in digest.reps)
    many_days = digest.n_sessions > 1
    heads = [
        "Lift", *(["Day"] if many_days else []), *(["Movement"] if mixed else []), "Load",
        *(["Outcome"] if outcome else []), *(_head(n) for n in names), "Finding",
    ]  # fmt: skip
    rows = []
    for i, rep in enumerate(digest.reps):
        row = [str(i + 1)]
        row += [time.strftime("%Y-%m-%d", time.localtime(rep.at))] if many_days and rep.at is not None else []
        row += [rep.movement] if mixed else []
        row += ["not written" if rep.load_kg is None else load_text(rep.load_kg)]
        row += [rep.outcome or "not written"] if outcome else []
        row += [_cell(rep, name) for name in names]
        row += [_finding(rep)]
        rows.append(tuple(row))
    title = "All lifts" if digest.n_sessions > 1 else "All lifts of the session"
    return Section(title, (Block(table=TableBlock(tuple(heads), tuple(rows))),))


def columns_of(digest: Digest) -> tuple[str, ...]:
    """Measures of the table: of the plate, or of the bar where there was none, and what the one thing is judged by."""
    focus = digest.focus.measure.removesuffix("_of_foot") if digest.focus and digest.focus.measure else None
    for names in (COLUMNS, BAR_COLUMNS):
        have = tuple(n for n in names if any((m := r.measures.get(n)) is not None and m.ok for r in digest.reps))
        if have:
            return have if focus is None or focus in have else (*have, focus)
    return ()


def _head(name: str) -> str:
    label = MEASURES[name].label
    return label[0].upper() + label[1:]


def _cell(rep: DigestRep, name: str) -> str:
    m = rep.measures.get(name)
    if m is None or not m.ok:
        return "withheld"
    return plain_number(m)


def plain_number(m: Measure) -> str:
    """Number with its unit for a lifter; the ± is left out where it is less than half of the last digit shown.

    Examples
    --------
    >>> plain_number(Measure("transition_time", "s", 0.02332, 0.02330, 0.02334))
    '23 ms'
    >>> plain_number(Measure("dip_depth", "m", 0.1742, 0.1699, 0.1786))
    '17.4 ± 0.4 cm'
    """
    if m.value is None or m.low is None or m.high is None:
        return "withheld"
    info = MEASURES[m.name]
    half = info.factor * max(m.high - m.value, m.value - m.low)
    told = shown(m.name, m.value)
    told = told.removeprefix("-") if float(told.split()[0]) == 0.0 else told.replace("-", "−", 1)
    step = 10.0**-info.digits
    if half < 0.5 * step:
        return told
    rounded = step * math.ceil(half / step - 0.5)
    number, _, unit = told.partition(" ")
    return f"{number} ± {rounded:.{info.digits}f} {unit}".rstrip()


def _finding(rep: DigestRep) -> str:
    if not rep.findings:
        return "none"
    first = rep.findings[0]
    word = first.pattern.replace("_", " ")
    return word if first.strength == "clear" else f"possibly {word}"


def _session_rows(digest: Digest) -> Section:
    """A row for each session of a long span: lifts, loads, outcomes, middle values, findings."""
    import statistics

    names = columns_of(digest)
    heads = ("Session", "Lifts", "Loads", "Made", *(_head(n) for n in names), "With a clear finding")
    rows = []
    for day in range(digest.n_sessions):
        mine = [rep for rep in digest.reps if rep.day == day]
        loads = sorted({r.load_kg for r in mine if r.load_kg is not None})
        at = next((r.at for r in mine if r.at is not None), None)
        row = ["" if at is None else time.strftime("%Y-%m-%d", time.localtime(at)), str(len(mine))]
        row += ["not written" if not loads else f"{loads[0]:g} to {load_text(loads[-1])}"]
        row += [str(sum(r.outcome == "made" for r in mine))]
        for name in names:
            found = [m.value for r in mine if (m := r.measures.get(name)) is not None and m.value is not None]
            info = MEASURES[name]
            middle = "withheld" if not found else f"{info.factor * statistics.median(found):.{info.digits}f}"
            row.append(f"{middle} {info.shown_unit}" if found else middle)
        row.append(str(sum(any(f.strength == "clear" for f in r.findings) for r in mine)))
        rows.append(tuple(row))
    block = Block(("The middle value (median) of each session.",), table=TableBlock(heads, tuple(rows)))
    return Section("All sessions", (block,))


# ------------------------------------------------------------------------------------------------- how sure


def _sure(digest: Digest) -> Section:
    """What the numbers mean, and what was doubtful in this session."""
    names = columns_of(digest)
    labelled = tuple((_head(n), NUMBERS.get(n, MEASURES[n].meaning)) for n in names)
    pressure = any(n.startswith("shift") for n in names)
    told = [
        "± is a 95 % interval: of 100 such intervals about 95 hold the true value. It counts the errors of plate, "
        "weighing, foot position and timing as the device file states them. A number without ± is surer than its last "
        "digit."
    ]
    if pressure:
        told.append(
            "Where you stand on the plate is known to about half a centimetre; how far the pressure moves is known "
            "better, because that error cancels."
        )
    if digest.focus is not None:
        told.append(f'The limit behind "One thing to work on" comes from {_source(digest.focus.limit_source)}.')
    told += _doubts(digest.reps)
    return Section("What the numbers mean, and how sure they are", (Block(labelled=labelled), Block(tuple(told))))


def _source(text: str) -> str:
    """Source of a limit inside a sentence."""
    return (
        text.rstrip(".").replace("common practice: ", "common practice, ").replace("published: ", "what is published, ")
    )


def _doubts(reps: Sequence[DigestRep]) -> list[str]:
    """Quality checks that were not good, each once with the number of lifts."""
    n: dict[tuple[str, str], int] = {}
    said: dict[tuple[str, str], str] = {}
    for rep in reps:
        for check in rep.quality:
            if check.verdict != "good":
                key = (check.verdict, check.name)
                n[key] = n.get(key, 0) + 1
                # What was weighed would tell the body mass.
                told = "load and body mass do not fit the plate" if check.name == "weighed mass" else check.sentence
                said.setdefault(key, told.rstrip("."))
    if not n:
        return ["All checks of the recording were good in every lift."]
    words = {"doubtful": "Doubtful", "bad": "Not usable"}
    return [
        f"{words[verdict]} in {_count(k, 'lift')}, {name}: {said[verdict, name]}."
        for (verdict, name), k in sorted(n.items())
    ]


# --------------------------------------------------------------------------------------------------- inside


def _count(n: int, word: str) -> str:
    return f"{n} {word}{'' if n == 1 else 's'}"


def _in_order(values: Any) -> list[str]:
    return sorted(set(values), key=lambda v: (v != "made", v))
