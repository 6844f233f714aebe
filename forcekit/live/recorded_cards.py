"""The attempt cards of the recording, brought in line with what the coach says and takes back."""

from __future__ import annotations

import msgspec

from forcekit.acquire.attempt_log import Cards, write_changes
from forcekit.acquire.capture import Capture
from forcekit.live.reps import Rep
from forcekit.model import AttemptCard, Outcome

__all__ = ["RecordedCards"]


class RecordedCards:
    """Writes cards and marks into a running recording.

    Parameters
    ----------
    capture : Capture

    Notes
    -----
    In a recording a card with an outcome speaks of the last lift before it. Only cards from the newest backward can be
    taken back, so a mark is taken back together with what was said after it, and what of that still holds is said anew.
    """

    def __init__(self, capture: Capture) -> None:
        self._capture = capture
        self._cards: Cards = ()

    def say(self, card: AttemptCard) -> None:
        """Write the card of the lifts to come."""
        self._bring((*self._cards, card))

    def mark(self, rep: Rep, outcome: Outcome | None, holds: AttemptCard, *, last: bool) -> None:
        """Give a rep its outcome, in the recording as well; of a rep that is not the last one a note must do.

        Parameters
        ----------
        holds : AttemptCard
            The card of the lifts to come.
        """
        rep.outcome = outcome
        if last and outcome is not None:
            rep.i_card = len(self._cards) if rep.i_card is None else rep.i_card
            self._bring((*self._cards, msgspec.structs.replace(rep.card, outcome=outcome)))
        elif last and rep.i_card is not None:
            before = self._cards[: rep.i_card]
            said = next((c for c in reversed(before) if c.outcome is None), AttemptCard())
            self._bring(before if said == holds else (*before, holds))
            rep.i_card = None
        else:
            self._capture.note(f"rep {rep.number}: outcome {outcome or 'taken away'}")

    def _bring(self, cards: Cards) -> None:
        write_changes(self._capture, self._cards, cards)
        self._cards = cards
