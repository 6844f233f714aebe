"""What stands in a report, in order: words, tables and figures, for the HTML page and for the PDF alike.

The page is made for the lifter. It holds a name or pseudonym, days, loads and measures; body mass, stature, file names,
device numbers and notes of the store stay where they are.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import get_args

from forcekit.history.digest import Digest, DigestRep
from forcekit.history.wording import load_text
from forcekit.model import Movement
from forcekit.registry import MEASURES, shown
from forcekit.show.report_blocks import Block, Report, Section, TableBlock
from forcekit.show.report_numbers import aim_text, count_text, day_text, plain_measure
from forcekit.show.report_seen import seen, work
from forcekit.show.report_words import CAUTIONS, NUMBERS, PATTERN_WORDS
from forcekit.show.scrub import scrubber, without_name
from forcekit.show.words import plain_number

__all__ = ["columns_of", "make_report"]

COLUMNS = ("dip_depth", "braking_time", "transition_time", "peak_drive_velocity", "shift_in_dip", "shift_in_drive")
BAR_COLUMNS = (
    "bar_dip_depth", "bar_transition_time", "bar_peak_velocity", "bar_forward_in_dip", "bar_forward_in_drive",
)  # fmt: skip
MOST_ROWS = 20
"""With more lifts the table has a row for each session instead of each lift."""


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
    sections = [Section("What was seen", (Block(paragraphs=seen(digest)),))]
    if digest.reps:
        sections.append(work(digest))
    if note and note.strip():
        said = tuple(" ".join(p.split()) for p in re.split(r"\n\s*\n", note) if p.strip())
        sections.append(Section("From your coach", (Block(paragraphs=said),), "note"))
    if digest.reps:
        from forcekit.show.report_change import compared, course_section, timing
        from forcekit.show.report_parts import pair_section, usual_section

        parts = [course_section(digest), pair_section(digest), _table(digest), usual_section(digest)]
        parts += [compared(digest), timing(digest)]
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
        row += [day_text(rep.at)] if many_days and rep.at is not None else []
        row += [rep.movement] if mixed else []
        row += ["not written" if rep.load_kg is None else load_text(rep.load_kg)]
        row += [rep.outcome or "not written"] if outcome else []
        row += [_cell(rep, name) for name in names]
        row += [_finding(rep)]
        rows.append(tuple(row))
    title = "All lifts" if digest.n_sessions > 1 else "All lifts of the session"
    first = len(heads) - 1 - len(names)
    marked = {
        (i, first + names.index(name)): strength
        for i, rep in enumerate(digest.reps) for name, strength in _flagged(rep).items() if name in names
    }  # fmt: skip
    told = [
        tuple(f"{cell} {SIGN[marked[i, j]]}" if (i, j) in marked else cell for j, cell in enumerate(row))
        for i, row in enumerate(rows)
    ]
    table = TableBlock(tuple(heads), tuple(told), frozenset(marked), _note(digest, marked))
    return Section(title, (Block(table=table),), "table")


SIGN = {"clear": "*", "possible": "(*)"}


def _flagged(rep: DigestRep) -> dict[str, str]:
    """Measures, without what they are compared with, by which a lift shows a pattern; and how surely."""
    return {plain_measure(f.evidence[0]): f.strength for f in reversed(rep.findings) if f.evidence}


def _note(digest: Digest, marked: Mapping[tuple[int, int], str]) -> str:
    """What the signs in the table mean, and the aim as a number."""
    told = [
        f"{SIGN[strength]} {words} the limit of the finding in the last column"
        for strength, words in (("clear", "clearly beyond"), ("possible", "possibly beyond"))
        if strength in marked.values()
    ]
    focus, aim = digest.focus, aim_text(digest)
    if focus is not None and focus.measure is not None and aim:
        told.append(f"aim for the {MEASURES[focus.measure].label}: {aim}")
    said = "; ".join(told)
    return f"{said[0].upper()}{said[1:]}." if said else ""


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


def _finding(rep: DigestRep) -> str:
    if not rep.findings:
        return "none"
    first = rep.findings[0]
    word = PATTERN_WORDS[first.pattern].short if first.pattern in PATTERN_WORDS else first.pattern.replace("_", " ")
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
        row = ["" if at is None else day_text(at), str(len(mine))]
        row += ["not written" if not loads else f"{loads[0]:g} to {load_text(loads[-1])}"]
        row += [str(sum(r.outcome == "made" for r in mine))]
        for name in names:
            found = [m.value for r in mine if (m := r.measures.get(name)) is not None and m.value is not None]
            row.append(shown(name, statistics.median(found)) if found else "withheld")
        row.append(str(sum(any(f.strength == "clear" for f in r.findings) for r in mine)))
        rows.append(tuple(row))
    block = Block(("The middle value (median) of each session.",), table=TableBlock(heads, tuple(rows)))
    return Section("All sessions", (block,), "table")


# ------------------------------------------------------------------------------------------------- how sure


def _sure(digest: Digest) -> Section:
    """What the numbers mean, and what was doubtful in this session."""
    names = columns_of(digest)
    labelled = tuple((_head(n), NUMBERS.get(n, MEASURES[n].meaning)) for n in names)
    pressure = any(n.startswith("shift") for n in names)
    told = [
        "± is a 95 % interval: of 100 such intervals about 95 hold the true value. It counts the errors of plate, "
        "weighing, foot position and timing, as large as they are given for your plate. Where no ± stands, the error "
        "is smaller than half of the last digit."
    ]
    if pressure:
        told.append(
            "Where you stand on the plate is known to about half a centimetre; how far the pressure moves is known "
            "better, because that error cancels."
        )
    if digest.focus is not None:
        source = digest.focus.limit_source.rstrip(".")
        labelled = (*labelled, ("Where the aim comes from", f"{source[0].upper()}{source[1:]}."))
    told += _doubts(digest.reps)
    return Section("What the numbers mean, and how sure they are", (Block(labelled=labelled), Block(tuple(told))))


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
        f"{words[verdict]} in {count_text(k, 'lift')}, {name}: {said[verdict, name]}."
        for (verdict, name), k in sorted(n.items())
    ]
