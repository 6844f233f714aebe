"""Attempt cards of a session, filled in by and by: a load, an outcome, and one step back.

A card is *open* until its outcome is known. ::

    start            [open]                        what was said on the command line
    load 60          [open 60]                     an open card without a load is completed
    made             [60 made]                     the outcome closes it
    load 65          [60 made][open 65]            a closed card, or one with another load, is followed by a new one
    missed forward   [60 made][65 missed forward]
    made             ...[65 made]                  the next attempt with the same load
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, TypeVar

import msgspec

from forcekit.acquire.device_check import check_card
from forcekit.model import AttemptCard, Outcome

if TYPE_CHECKING:
    from forcekit.acquire.capture import Capture

__all__ = ["Cards", "changes", "with_load", "with_outcome", "write_changes"]

Cards = tuple[AttemptCard, ...]
T = TypeVar("T")


def with_load(cards: Cards, load_kg: float) -> Cards:
    """Cards after a load was said.

    Parameters
    ----------
    cards : tuple of AttemptCard
    load_kg : float
        Bar with plates.

    Raises
    ------
    InputError
        If no bar weighs that.
    """
    last = cards[-1] if cards else AttemptCard()
    card = msgspec.structs.replace(last, load_kg=load_kg, outcome=None)
    check_card(card, "the load as typed")
    completes = bool(cards) and last.outcome is None and last.load_kg is None
    return (*(cards[:-1] if completes else cards), card)


def with_outcome(cards: Cards, outcome: Outcome) -> Cards:
    """Cards after the outcome of the last attempt was said."""
    last = cards[-1] if cards else AttemptCard()
    card = msgspec.structs.replace(last, outcome=outcome)
    return (*(cards[:-1] if cards and last.outcome is None else cards), card)


def write_changes(capture: Capture, before: Sequence[AttemptCard], after: Sequence[AttemptCard]) -> None:
    """Bring the cards of a running recording from `before` to `after`."""
    n_back, added = changes(before, after)
    for _ in range(n_back):
        capture.take_card_back()
    for card in added:
        capture.card(card)


def changes(before: Sequence[T], after: Sequence[T]) -> tuple[int, tuple[T, ...]]:
    """How many cards are taken back from the end of `before`, and which ones are then added to get `after`."""
    same = 0
    while same < min(len(before), len(after)) and before[same] == after[same]:
        same += 1
    return len(before) - same, tuple(after[same:])
