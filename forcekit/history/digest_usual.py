"""The session over the lifter's usual range, the one thing over the sessions, and what its cue has done so far."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from forcekit.analysis.findings import PATTERNS
from forcekit.errors import InputError
from forcekit.history.loads import SAME_LOAD_FRAC
from forcekit.history.questions import COMPARED, cue_trial_of
from forcekit.history.series import measure_names_of, series
from forcekit.history.timeline import Timeline, timeline_of
from forcekit.history.trial import CueTrial
from forcekit.history.usual import usual_range
from forcekit.history.wording import Wording, measure_words
from forcekit.model import BoolArray, FloatArray

if TYPE_CHECKING:
    from forcekit.history.between import SessionComparison
    from forcekit.history.digest import DigestRep, Focus
    from forcekit.history.store import Store

__all__ = ["Course", "UsualRow", "better_side", "course_of", "foot_limit", "usual_rows"]

SCALES = ("_of_foot", "_of_stature")
"""What a measure may be compared with; the rest of its name is the measure."""


@dataclass(frozen=True, slots=True, eq=False)
class UsualRow:
    """One measure of this session at one load, and the usual range made from the attempts before it; SI.

    `better` is the side that is wanted, None where neither is. `n_before` reps made the range, `n_at_load` of them at
    this load; `i_rep` are the lifts of the session, in the order of `value`.
    """

    measure: str
    words: Wording
    value: FloatArray
    low: float
    high: float
    n_before: int
    better: Literal["higher", "lower"] | None = None
    n_at_load: int = 0
    i_rep: tuple[int, ...] = ()

    def outside(self, side: Literal["higher", "lower"]) -> BoolArray:
        """Which lifts lie beyond the range on one side."""
        beyond: BoolArray = self.value > self.high if side == "higher" else self.value < self.low
        return beyond

    def is_better(self, side: Literal["higher", "lower"]) -> bool | None:
        """Whether lying beyond the range on this side is wanted; None where that is not known.

        Of a shift that is wanted small, one that is as large the other way is not called better.
        """
        if self.better is None or not self.outside(side).any():
            return None
        if side != self.better:
            return False
        if self.measure.startswith("shift") and (np.abs(self.value[self.outside(side)]) > abs(self.low)).any():
            return None
        return True


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """The measure of the one thing over the sessions, and the cue or drill of the newest lifts.

    Attributes
    ----------
    limit : float or None
        The aim, SI, where it is the cue book's.
    said : str
        The cue or drill as it was written; "" where none was in use.
    since : float or None
        First attempt with it, seconds since 1970 (UTC).
    trial : CueTrial or None
    """

    timeline: Timeline
    limit: float | None
    said: str = ""
    kind: Literal["cue", "drill"] = "cue"
    since: float | None = None
    trial: CueTrial | None = None


def better_side(measure: str) -> Literal["higher", "lower"] | None:
    """Side of a measure that is wanted, from the patterns that are judged by it; None where both sides are a fault.

    Examples
    --------
    >>> better_side("shift_in_drive"), better_side("peak_drive_velocity"), better_side("dip_depth")
    ('lower', 'higher', None)
    """
    sides = {
        "either" if c.sign == 0.0 else c.side
        for p in PATTERNS for c in p.conditions[:1]
        if measure in (c.measure, *(c.measure.removesuffix(s) for s in SCALES))
    }  # fmt: skip
    if len(sides) != 1:
        return None
    return {"above": "lower", "below": "higher"}.get(sides.pop())  # type: ignore[return-value]


def usual_rows(
    store: Store, athlete: str, reps: Sequence[DigestRep], comparison: SessionComparison
) -> tuple[UsualRow, ...]:
    """Lifts of this session at the comparison's load over the usual range of all attempts before the session."""
    load, have = comparison.load_kg, measure_names_of(store, athlete)
    if load is None:
        return ()
    mine = [
        i for i, r in enumerate(reps)
        if r.at is not None and r.at >= comparison.started_at and r.movement == comparison.movement
        and r.load_kg is not None and abs(r.load_kg - load) <= SAME_LOAD_FRAC * load
    ]  # fmt: skip
    rows = []
    for name in COMPARED:
        if name not in have:
            continue
        s = series(store, athlete, name, movement=comparison.movement, until=comparison.started_at)
        words = measure_words(name, have[name])
        usual = usual_range(s.value, s.load_kg, load_kg=load, measure=name, words=words)
        known = [(i, m.value) for i in mine if (m := reps[i].measures.get(name)) and m.value is not None]
        if usual.low is None or usual.high is None or not known:
            continue
        at_load = np.isfinite(s.value) & (np.abs(s.load_kg - load) <= SAME_LOAD_FRAC * load)
        value = np.array([v for _, v in known])
        rows.append(
            UsualRow(
                name, words, value, usual.low, usual.high, usual.n, better_side(name), int(at_load.sum()),
                tuple(i for i, _ in known),
            )
        )  # fmt: skip
    return tuple(rows)


def foot_limit(focus: Focus | None, reps: Sequence[DigestRep]) -> float | None:
    """Limit in metres of what is judged by a share of the foot; None elsewhere, and where that is not measured."""
    if focus is None or focus.measure is None or focus.limit is None or not focus.measure.endswith("_of_foot"):
        return None
    measures = reps[focus.surest].measures
    share, length = measures[focus.measure].value, measures.get(focus.measure.removesuffix("_of_foot"))
    if not share or length is None or length.value is None:
        return None
    return focus.limit * length.value / share


def course_of(
    store: Store, athlete: str, focus: Focus | None, reps: Sequence[DigestRep], movement: str | None
) -> Course | None:
    """Follow the measure of the one thing over all sessions; None where nothing stood out or it is counted."""
    if focus is None or focus.measure is None or focus.measure not in measure_names_of(store, athlete):
        return None
    metres = foot_limit(focus, reps)
    measure, limit = focus.measure, focus.limit
    if metres is not None:
        measure, limit = measure.removesuffix("_of_foot"), metres
    timeline = timeline_of(store, athlete, (measure,), movement=movement)
    kind: Literal["cue", "drill"]
    for kind in ("cue", "drill"):
        given = [(r.cue if kind == "cue" else r.drill) for r in reps]
        said = next((text for text in reversed(given) if text), "")
        if not said:
            continue
        written = timeline.attempts.cue if kind == "cue" else timeline.attempts.drill
        when = zip(timeline.attempts.lifted_at.tolist(), written, strict=True)
        first = next((at for at, text in when if text == said), None)
        wanted: Literal["higher", "lower"] | None = {"above": "lower", "below": "higher"}.get(focus.way)  # type: ignore[assignment]
        try:
            trial = cue_trial_of(
                store, athlete, measure, wanted=wanted, movement=movement,
                cue=said if kind == "cue" else None, drill=said if kind == "drill" else None,
            )  # fmt: skip
        except InputError:  # no rep with it has this measure
            trial = None
        return Course(timeline, limit, said, kind, first, trial)
    return Course(timeline, limit)
