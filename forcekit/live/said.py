"""What the coach says of lifts, checked before it is believed."""

from __future__ import annotations

from collections.abc import Collection
from typing import get_args

import msgspec

from forcekit.acquire.device_check import check_card
from forcekit.errors import InputError
from forcekit.model import AttemptCard, Outcome

__all__ = ["card_words", "changed_card", "checked_outcome"]

FIELDS = ("athlete", "movement", "load_kg", "drill", "cue")


def card_words(fields: Collection[str]) -> str:
    """Say which fields of the card are meant.

    Examples
    --------
    >>> card_words(["athlete", "load_kg"])
    'the card (lifter, load)'
    """
    words = {"athlete": "lifter", "load_kg": "load"}
    return f"the card ({', '.join(words.get(name, name) for name in fields)})"


def changed_card(card: AttemptCard, fields: dict[str, object]) -> AttemptCard:
    """Card with some fields changed; None takes a field away.

    Raises
    ------
    InputError
        If a field or its value is not allowed.
    """
    wrong = [name for name in fields if name not in FIELDS]
    if wrong:
        raise InputError(f'the card has no "{wrong[0]}"; {", ".join(FIELDS)} can be said here.')
    text = {k: (v.strip() or None) if isinstance(v, str) else v for k, v in fields.items()}
    try:
        made = msgspec.convert({**msgspec.to_builtins(card), **text}, AttemptCard)
    except msgspec.ValidationError as error:
        raise InputError(f"the card was not changed: {error}.") from None
    check_card(made, "the card")
    return made


def checked_outcome(outcome: str | None) -> Outcome | None:
    """Outcome of a rep, or None.

    Raises
    ------
    InputError
        If it is none of the known ones.
    """
    for known in get_args(Outcome):
        if outcome == known:
            return known  # type: ignore[no-any-return]
    if outcome is not None:
        raise InputError(f'the outcome is "{outcome}"; {", ".join(get_args(Outcome))} are allowed.')
    return None
