"""The attempt cards of the recording, brought in line with what the coach says and takes back."""

from __future__ import annotations

from bisect import insort

import msgspec

from forcekit.acquire.arrival import host_now
from forcekit.acquire.attempt_log import changes
from forcekit.acquire.capture import Capture
from forcekit.live.reps import Rep
from forcekit.model import AttemptCard, Outcome

__all__ = ["RecordedCards"]

Dated = tuple[float, AttemptCard]


class RecordedCards:
    """Writes cards and marks into a running recording.

    Parameters
    ----------
    capture : Capture

    Notes
    -----
    In a recording a card with an outcome speaks of the last lift that began before it, so a mark is dated to the end of
    its own lift, whenever it is said. Only the newest card can be taken back: to change an earlier one, those after it
    are taken back, too, and written again with the date they had.
    """

    def __init__(self, capture: Capture) -> None:
        self._capture = capture
        self._cards: tuple[Dated, ...] = ()

    def say(self, card: AttemptCard) -> None:
        """Write the card of the lifts to come."""
        self._bring((*self._cards, (host_now(), card)))

    def mark(self, rep: Rep, outcome: Outcome | None, ended_s: float) -> None:
        """Give a rep its outcome, in the recording as well; None takes it away.

        Parameters
        ----------
        ended_s : float, second
            When its drive ended, on the laptop's clock.
        """
        rep.outcome = outcome
        cards = [c for c in self._cards if c is not rep.marked]
        rep.marked = None
        if outcome is not None:
            rep.marked = ended_s, msgspec.structs.replace(rep.card, outcome=outcome)
            insort(cards, rep.marked, key=lambda c: c[0])
        self._bring(tuple(cards))

    def _bring(self, cards: tuple[Dated, ...]) -> None:
        n_back, added = changes(self._cards, cards)
        for _ in range(n_back):
            self._capture.take_card_back()
        for at_s, card in added:
            self._capture.card(card, at_s)
        self._cards = cards
