"""A lift judged by what the store knows of its lifter: own limits of the findings, comparison with earlier lifts."""

from __future__ import annotations

from collections.abc import Mapping

from forcekit.analysis.findings import CueEntry
from forcekit.analysis.own_limits import judged_by, with_limits
from forcekit.history.own_limits import own_limits
from forcekit.history.questions import compare_lift
from forcekit.history.several import Comparison
from forcekit.history.store import Store
from forcekit.model import AttemptCard
from forcekit.results import Lift

__all__ = ["Limits", "compared_with_earlier", "judged_lift", "limits_for"]

Limits = dict[str, tuple[float, str]]
"""Pattern -> limit as the cue book writes it, and where it comes from."""


def limits_for(store: Store, athlete: str, card: AttemptCard, *, until: float | None = None) -> Limits:
    """Own limits of the lifter at a card's load and movement, from attempts before a time (seconds since 1970)."""
    return own_limits(store, athlete, load_kg=card.load_kg, movement=card.movement, until=until)


def judged_lift(lift: Lift, book: Mapping[str, CueEntry], limits: Limits) -> Lift:
    """Return the lift with its findings judged by the cue book with the lifter's own limits."""
    return judged_by(lift, with_limits(book, limits))


def compared_with_earlier(
    store: Store, athlete: str, lift: Lift, at: float, attempt_id: int | None = None
) -> Comparison:
    """Compare a lift with the attempts before it.

    Parameters
    ----------
    at : float
        When its recording began, seconds since 1970 (UTC).
    attempt_id : int, optional
        The lift itself, when it is in the store already.
    """
    return compare_lift(
        store,
        athlete,
        lift.measures,
        load_kg=lift.card.load_kg,
        movement=lift.card.movement,
        leave_out=attempt_id,
        until=at + lift.instants.lowest_s,
    )
