"""What a report tells of a session: its lifts, the one thing to work on, the best and the worst lift, what changed."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal, get_args

from forcekit.analysis.findings import PATTERNS, CueEntry, load_cue_book
from forcekit.errors import ForcekitError, InputError
from forcekit.history.between import SessionComparison, compare_sessions
from forcekit.history.digest_usual import Course, UsualRow, course_of, usual_rows
from forcekit.history.kept_lift import findings_of, kept_lift, quality_of
from forcekit.history.series import AttemptLine, list_attempts, measure_names_of, measures_of, series
from forcekit.history.store import Store
from forcekit.history.timeline import DIP_TIMING, Timeline, timeline_of
from forcekit.model import Movement
from forcekit.results import Analysis, Cue, Finding, Lift, Measure, QualityCheck

__all__ = ["Digest", "DigestRep", "Focus", "Pair", "UsualRow", "digest_of_analysis", "digest_of_store"]

LEAST_SHARE = 1.0 / 3.0
"""A pattern that is clear in this share of the lifts can be the one thing to work on (our choice); else the one that is
clear most often."""
PLAIN_ORDER = ("shift_total", "shift_total_of_foot", "transition_time", "peak_drive_velocity", "bar_transition_time")
"""Where nothing stands out, the least and the most of the first of these that was measured are shown."""
GOOD_AT_ZERO = ("shift", "side_shift", "bar_forward", "shaft_rotation", "bar_lead")
"""Measures of which neither way is wanted."""
MOST_REPS = 400  # more lifts than this are not told of in one report (our choice); the newest are


@dataclass(frozen=True, slots=True, eq=False)
class DigestRep:
    """One lift; `lift` holds its curves where they are shown, `at` is seconds since 1970 (UTC) where known."""

    measures: Mapping[str, Measure]
    findings: tuple[Finding, ...]
    quality: tuple[QualityCheck, ...]
    movement: str
    load_kg: float | None
    outcome: str
    cue: str
    drill: str
    at: float | None = None
    day: int = 0
    """Number of its session in the report."""
    attempt_id: int | None = None
    lift: Lift | None = None
    no_curves: str | None = None
    """Why `lift` is missing where it should be shown."""


@dataclass(frozen=True, slots=True)
class Focus:
    """The one thing to work on, and in how many of the judged lifts its pattern is clear or possible."""

    pattern: str
    strength: Literal["clear", "possible"]
    n_clear: int
    n_possible: int
    n_judged: int
    cue: Cue
    limit_source: str
    surest: int
    """Index of a lift that shows it, the worst by its measure."""
    showing: tuple[int, ...] = ()
    """Indices of the lifts in which it is clear (possible, where it is clear in none)."""
    measure: str | None = None
    limit: float | None = None
    """Limit of the measure (SI) where it is the cue book's own; None where it is the lifter's or counted."""
    way: Literal["above", "below", "either"] = "above"


@dataclass(frozen=True, slots=True)
class Pair:
    """The best and the worst lift (indices) by one measure; the best has no clear finding if there is such a lift.

    They are of the load at which the two differ most; of different loads only where no load was lifted twice.

    Attributes
    ----------
    measure : str or None
        None when the finding is counted and not measured.
    way : {"above", "below", "either"}
        Which side of the measure is worse; "either": far from zero.
    by_finding : bool
        False where nothing stood out and the pair only shows the range of the session.
    told_apart : bool
        Whether the intervals of the two do not overlap.
    """

    best: int
    worst: int
    measure: str | None
    way: Literal["above", "below", "either"]
    by_finding: bool
    told_apart: bool


@dataclass(frozen=True, slots=True, eq=False)
class Digest:
    """What a report tells. `started_at` and `ended_at` are None where the recording does not say when it was made."""

    athlete: str | None
    reps: tuple[DigestRep, ...]
    n_sessions: int
    started_at: float | None
    ended_at: float | None
    focus: Focus | None
    others: tuple[tuple[str, int], ...]
    """Other patterns that were clear, with the number of lifts."""
    pair: Pair | None
    usual: tuple[UsualRow, ...] = ()
    usual_load_kg: float | None = None
    comparison: SessionComparison | None = None
    no_comparison: str | None = None
    timeline: Timeline | None = None
    course: Course | None = None
    """The measure of the one thing to work on, over all sessions."""
    reason: str | None = None
    """Why there is no lift."""
    n_left_out: int = 0


def digest_of_analysis(analysis: Analysis, *, athlete: str | None = None, at: float | None = None) -> Digest:
    """Gather what a report tells of one recording, without a history.

    Parameters
    ----------
    analysis : Analysis
    athlete : str, optional
        Name to be shown; left out, the one on the attempt card.
    at : float, optional
        When it was recorded, seconds since 1970 (UTC).
    """
    reps = tuple(
        DigestRep(
            lift.measures, lift.findings, lift.quality, lift.movement, lift.card.load_kg, lift.card.outcome or "",
            lift.card.cue or "", lift.card.drill or "", at=at, lift=lift,
        )
        for lift in analysis.lifts
    )  # fmt: skip
    name = athlete or next((lift.card.athlete for lift in analysis.lifts if lift.card.athlete), None)
    focus, others = _focus(reps, load_cue_book())
    return Digest(name, reps, 1, at, at, focus, others, _pair(reps, focus), reason=analysis.reason)


def digest_of_store(
    store: Store, athlete: str, *, since: float | None = None, until: float | None = None, movement: str | None = None
) -> Digest:
    """Gather what a report tells of an athlete's last session, or of a span.

    Parameters
    ----------
    since, until : float, optional
        A span: attempts from and before these times, seconds since 1970 (UTC). Left out, the last session.
    movement : str, optional
        Only attempts of this movement. Left out, the lifts are of all movements; what is told over the sessions is of
        theirs if a card names it and it is one, else of all together.

    Raises
    ------
    InputError
        If there is no attempt.
    """
    lines, session = _attempts(store, athlete, since, until, movement)
    done = {line.movement for line in lines}
    if len(done) == 1 and done <= set(get_args(Movement)):
        # What is told over the sessions is of this movement. A name the analysis gave, by whether the feet left the
        # plate, is no choice of the coach's.
        movement = done.pop()
    n_left_out = max(0, len(lines) - MOST_REPS)
    lines = lines[n_left_out:]
    ids = [line.id for line in lines]
    findings, quality = findings_of(store, ids), quality_of(store, ids)
    days = {key: i for i, key in enumerate(dict.fromkeys(session[i] for i in ids))}
    reps = [
        DigestRep(
            measures_of(store, line.id), findings[line.id], quality[line.id], line.movement, line.load_kg, line.outcome,
            line.cue, line.drill, at=line.lifted_at, day=days[session[line.id]], attempt_id=line.id,
        )
        for line in lines
    ]  # fmt: skip
    focus, others = _focus(reps, load_cue_book())
    pair = _pair(reps, focus)
    for i in {pair.best, pair.worst} if pair else {focus.surest if focus else 0}:
        reps[i] = _with_curves(store, reps[i])
    comparison, why = _compared(store, athlete, lines[-1].lifted_at, movement)
    usual_load = comparison.load_kg if comparison else None
    timed = set(DIP_TIMING) <= set(measure_names_of(store, athlete))
    timeline = timeline_of(store, athlete, movement=movement) if timed else None
    return Digest(
        athlete=athlete,
        reps=tuple(reps),
        n_sessions=len(days),
        started_at=lines[0].lifted_at,
        ended_at=lines[-1].lifted_at,
        focus=focus,
        others=others,
        pair=pair,
        usual=usual_rows(store, athlete, reps, comparison) if comparison else (),
        usual_load_kg=usual_load,
        comparison=comparison,
        no_comparison=why,
        timeline=timeline,
        course=course_of(store, athlete, focus, reps, movement),
        n_left_out=n_left_out,
    )


# --------------------------------------------------------------------------------------------- from the store


def _attempts(
    store: Store, athlete: str, since: float | None, until: float | None, movement: str | None
) -> tuple[list[AttemptLine], dict[int, float]]:
    """Attempts of the span, or of the last session, and the session of each."""
    lines = [line for line in list_attempts(store, athlete) if movement in (None, line.movement)]
    lines = [x for x in lines if (since is None or x.lifted_at >= since) and (until is None or x.lifted_at < until)]
    if not lines:
        span = "" if since is None and until is None else " in this span"
        of = "" if movement is None else f' of "{movement}"'
        raise InputError(
            f'report: "{athlete}" has no attempt{of}{span}. `forcekit attempts` lists them; '
            "`forcekit analyze` with --athlete keeps more."
        )
    session: dict[int, float] = {}
    for name in measure_names_of(store, athlete):
        s = series(store, athlete, name)
        session |= dict(zip(s.attempt_id.tolist(), s.session.tolist(), strict=True))
        if all(line.id in session for line in lines):
            break
    lines = [line for line in lines if line.id in session]
    if since is None and until is None:
        lines = [line for line in lines if session[line.id] == session[lines[-1].id]]
    return lines, session


def _with_curves(store: Store, rep: DigestRep) -> DigestRep:
    assert rep.attempt_id is not None
    try:
        return replace(rep, lift=kept_lift(store, rep.attempt_id))
    except ForcekitError:  # its message may name a file, and a file's name may name a person
        return replace(rep, no_curves="its recording is not on this computer or cannot be read.")


def _compared(
    store: Store, athlete: str, newest_at: float, movement: str | None
) -> tuple[SessionComparison | None, str | None]:
    try:
        return compare_sessions(store, athlete, at=newest_at + 0.5, movement=movement or None), None
    except InputError as error:
        return None, str(error)


# ------------------------------------------------------------------------------------------ what is picked out


def _focus(reps: Sequence[DigestRep], book: Mapping[str, CueEntry]) -> tuple[Focus | None, tuple[tuple[str, int], ...]]:
    """Choose the pattern to work on, and name the others that are clear."""
    clear: Counter[str] = Counter()
    possible: Counter[str] = Counter()
    for rep in reps:
        clear.update(f.pattern for f in rep.findings if f.strength == "clear")
        possible.update(f.pattern for f in rep.findings if f.strength == "possible")
    counted = clear or possible
    if not counted:
        return None, ()

    def cost(pattern: str) -> int:
        return book[pattern].cost if pattern in book else len(book) + 1

    often = [p for p, n in counted.items() if n >= LEAST_SHARE * len(reps)]
    pattern = min(often, key=cost) if often else min(counted, key=lambda p: (-counted[p], cost(p)))
    measure, way = _measure_of(pattern, reps)
    showing = [i for i, rep in enumerate(reps) if any(f.pattern == pattern for f in rep.findings)]
    surest = max(showing, key=lambda i: _badness(reps[i], measure, way))
    said = next(f for f in reps[surest].findings if f.pattern == pattern)
    strength: Literal["clear", "possible"] = "clear" if clear else "possible"
    shown = tuple(i for i in showing if any((f.pattern, f.strength) == (pattern, strength) for f in reps[i].findings))
    judged = sum(measure is None or _number(rep, measure) is not None for rep in reps)
    focus = Focus(
        pattern, strength, clear[pattern], possible[pattern], max(judged, len(showing)), said.cue, said.limit_source,
        surest, shown, measure, _limit_of(pattern, measure, said, book), way,
    )  # fmt: skip
    others = sorted(((p, n) for p, n in clear.items() if p != pattern), key=lambda pair: (cost(pair[0]), pair[0]))
    return focus, tuple(others)


def _measure_of(pattern: str, reps: Sequence[DigestRep]) -> tuple[str | None, Literal["above", "below", "either"]]:
    """Measure a pattern is judged by, as it was measured in these lifts, and its worse side."""
    used = Counter(f.evidence[0] for rep in reps for f in rep.findings if f.pattern == pattern and f.evidence)
    rows = [c for p in PATTERNS if p.name == pattern for c in p.conditions[:1]]
    if not used or not rows:
        return None, "above"
    measure = max(sorted(used), key=lambda name: used[name])
    row = next((c for c in rows if measure in (c.measure, c.measure.removesuffix("_of_foot"))), rows[0])
    return measure, "either" if row.sign == 0.0 else row.side


def _limit_of(pattern: str, measure: str | None, said: Finding, book: Mapping[str, CueEntry]) -> float | None:
    """Limit of the cue book for this measure; None where the finding names another source, or none is measured."""
    if pattern not in book:
        return None
    source = book[pattern].limit_source
    kept = f"; {source}. Kept, although" in said.limit_source  # as `analysis.own_limits` words it
    if said.limit_source != source and not kept:
        return None
    return next(
        (c.limit(book) for p in PATTERNS for c in p.conditions[:1] if (p.name, c.measure) == (pattern, measure)), None
    )


def _number(rep: DigestRep, measure: str) -> Measure | None:
    m = rep.measures.get(measure)
    return m if m is not None and m.value is not None else None


def _badness(rep: DigestRep, measure: str | None, way: str) -> float:
    """How far a lift lies to the worse side; -inf where it was not measured."""
    m = None if measure is None else _number(rep, measure)
    if m is None or m.value is None:
        return -math.inf
    return abs(m.value) if way == "either" else m.value if way == "above" else -m.value


def _from_good(rep: DigestRep, measure: str, way: str) -> float:
    """How far a lift lies from good: of what is good at zero the size, so that too far the other way is not best."""
    m = _number(rep, measure)
    if m is not None and m.value is not None and measure.startswith(GOOD_AT_ZERO):
        return abs(m.value)
    return _badness(rep, measure, way)


def _pair(reps: Sequence[DigestRep], focus: Focus | None) -> Pair | None:
    """Best and worst lift; None where fewer than two can be compared."""
    if len(reps) < 2:
        return None
    measure: str | None = None
    way: Literal["above", "below", "either"] = "above"
    if focus is not None:
        measure, way = _measure_of(focus.pattern, reps)
        if measure is None:
            showing = [i for i, r in enumerate(reps) if any(f.pattern == focus.pattern for f in r.findings)]
            without = [i for i in range(len(reps)) if i not in showing]
            return Pair(without[-1], showing[-1], None, way, True, True) if without else None
    else:
        measure = next((n for n in PLAIN_ORDER if sum(_number(r, n) is not None for r in reps) > 1), None)
    known = [i for i, r in enumerate(reps) if measure is not None and _number(r, measure) is not None]
    if measure is None or len(known) < 2:
        return None
    by_load: dict[tuple[float, str], list[int]] = {}
    for i in known:
        load = reps[i].load_kg
        if load is not None:
            by_load.setdefault((round(load, 1), reps[i].movement), []).append(i)
    those = set(focus.showing) if focus else set(known)
    like = [found for g in by_load.values() if those & set(g) and (found := _ends(reps, g, measure, way))]
    ends = max(like, key=lambda e: _span(reps, e, measure, way), default=None) or _ends(reps, known, measure, way)
    if ends is None:
        return None
    return Pair(*ends, measure, way, focus is not None, _apart(reps[ends[0]], reps[ends[1]], measure, way))


def _ends(reps: Sequence[DigestRep], known: Sequence[int], measure: str, way: str) -> tuple[int, int] | None:
    """Best and worst of some lifts; None where that is one lift."""
    clean = [i for i in known if all(f.strength != "clear" for f in reps[i].findings)]
    best = min(clean or known, key=lambda i: _from_good(reps[i], measure, way))
    worst = max(known, key=lambda i: _badness(reps[i], measure, way))
    return None if best == worst else (best, worst)


def _span(reps: Sequence[DigestRep], ends: tuple[int, int], measure: str, way: str) -> float:
    """How far best and worst lie apart."""
    return _badness(reps[ends[1]], measure, way) - _badness(reps[ends[0]], measure, way)


def _apart(best: DigestRep, worst: DigestRep, measure: str, way: str) -> bool:
    """Whether the intervals of the two lifts do not overlap on the side that matters."""
    a, b = _number(best, measure), _number(worst, measure)
    if a is None or b is None or None in (a.low, a.high, b.low, b.high):
        return False
    assert a.low is not None
    assert a.high is not None
    assert b.low is not None
    assert b.high is not None
    if way == "either":
        least = 0.0 if b.low < 0.0 < b.high else min(abs(b.low), abs(b.high))
        return least > max(abs(a.low), abs(a.high))
    return b.low > a.high if way == "above" else b.high < a.low
