"""A trial of a cue or a drill in a running session: three or more reps before it against three or more with it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from forcekit.analysis.findings import CueEntry
from forcekit.analysis.own_limits import OWN_RULES
from forcekit.errors import InputError
from forcekit.history.questions import MOST_BEFORE, TRIAL_LOAD_FRAC, cue_trial_of
from forcekit.history.series import movements_of, together_text
from forcekit.history.store import Store
from forcekit.history.trial import LEAST_EACH, cue_trial
from forcekit.history.wording import measure_words
from forcekit.live.reps import Rep
from forcekit.model import AttemptCard
from forcekit.registry import MEASURES, unknown_measure
from forcekit.show.words import with_interval

__all__ = ["Trial", "begin_trial", "trial_state"]

USUAL_MEASURE = "shift_total_of_foot"
"""What a trial looks at when neither the coach nor the cue book says it (our choice)."""


@dataclass(frozen=True, slots=True)
class Trial:
    """A trial in progress; `after` is the number of the last rep before it."""

    kind: Literal["cue", "drill"]
    words: str
    measure: str
    wanted: Literal["higher", "lower"] | None
    athlete: str | None
    after: int


def begin_trial(
    kind: str,
    words: str,
    measure: str | None,
    reps: Sequence[Rep],
    card: AttemptCard,
    book: dict[str, CueEntry],
) -> Trial:
    """Begin a trial with the reps to come.

    Raises
    ------
    InputError
        If the kind or measure is unknown, or fewer than three reps of this lifter came before.
    """
    if kind not in ("cue", "drill"):
        raise InputError(f'a trial is of a cue or of a drill, not of "{kind}".')
    if not words.strip():
        raise InputError(f"the trial has no words; say which {kind} is tried.")
    pattern = next((p for p, e in book.items() if (e.cue if kind == "cue" else e.drill) == words), None)
    rule = OWN_RULES.get(pattern) if pattern is not None else None
    chosen = measure or (rule.measure if rule is not None else USUAL_MEASURE)
    if chosen not in MEASURES:
        raise InputError(unknown_measure(chosen))
    wanted: Literal["higher", "lower"] | None = None
    if rule is not None and rule.measure == chosen and rule.end != "either":
        wanted = "lower" if rule.end == "high" else "higher"
    after = reps[-1].number if reps else 0
    trial = Trial("cue" if kind == "cue" else "drill", words, chosen, wanted, card.athlete, after)
    n = len(_before(trial, reps, card.load_kg))
    if n < LEAST_EACH:
        raise InputError(
            f"a trial compares {LEAST_EACH} reps before with {LEAST_EACH} after; there {'is' if n == 1 else 'are'} "
            f"{n} with {MEASURES[chosen].label} at this load so far. Do {LEAST_EACH - n} more first."
        )
    return trial


def trial_state(trial: Trial, reps: Sequence[Rep], store: Store | None) -> dict[str, Any]:
    """The trial as a page shows it, with its answer once there are enough reps."""
    tried = [r for r in reps if r.number > trial.after and _counts(trial, r) and _said(trial, r) == trial.words]
    load = tried[0].card.load_kg if tried else None
    before = _before(trial, reps, load)
    return {
        "kind": trial.kind,
        "words": trial.words,
        "measure": trial.measure,
        "label": MEASURES[trial.measure].label,
        "wanted": trial.wanted,
        "wanted_reps": LEAST_EACH,
        "before": [_value(trial, r) for r in before],
        "with": [_value(trial, r) for r in tried],
        "answer": _answer(trial, before, tried, store) if len(tried) >= LEAST_EACH else None,
    }


def _answer(trial: Trial, before: Sequence[Rep], tried: Sequence[Rep], store: Store | None) -> str:
    """What the history says of all its reps; without one, what the reps of this session say."""
    words = measure_words(trial.measure)
    if store is not None and trial.athlete is not None and all(r.attempt is not None for r in (*before, *tried)):
        cue, drill = (trial.words, None) if trial.kind == "cue" else (None, trial.words)
        found = cue_trial_of(
            store, trial.athlete, trial.measure, cue=cue, drill=drill, wanted=trial.wanted, words=words
        )
        return " ".join(filter(None, (found.sentence, together_text(movements_of(store, trial.athlete)))))
    old, new = (np.array([r.lift.measures[trial.measure].value for r in part], float) for part in (before, tried))
    named = f'the {trial.kind} "{trial.words}"'
    found = cue_trial(
        old, new, wanted=trial.wanted, cue=named, measure=trial.measure, unit=MEASURES[trial.measure].unit, words=words
    )
    told = together_text(Counter(r.lift.movement for r in (*before, *tried)))
    return " ".join(filter(None, (found.sentence, told)))


def _counts(trial: Trial, rep: Rep) -> bool:
    settled = rep.stage == "settled" and rep.lift.measures[trial.measure].ok
    return settled and rep.card.athlete == trial.athlete


def _said(trial: Trial, rep: Rep) -> str | None:
    return rep.card.cue if trial.kind == "cue" else rep.card.drill


def _before(trial: Trial, reps: Sequence[Rep], load_kg: float | None) -> list[Rep]:
    """The latest reps before the trial at a load near that of the trial."""
    own = [r for r in reps if r.number <= trial.after and _counts(trial, r) and _said(trial, r) != trial.words]
    if load_kg is not None:
        own = [r for r in own if r.card.load_kg and abs(r.card.load_kg - load_kg) <= TRIAL_LOAD_FRAC * load_kg]
    return own[-MOST_BEFORE:]


def _value(trial: Trial, rep: Rep) -> dict[str, Any]:
    m = rep.lift.measures[trial.measure]
    return {"rep": rep.number, "value": m.value, "text": with_interval(m)}
