"""What the commands about athletes share: opening the store, dates, names of measures, wrapped text, questions back."""

from __future__ import annotations

import json
import sys
import textwrap
import time
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from forcekit.errors import InputError
from forcekit.history.place import there_is_a_store
from forcekit.history.store import Store, open_store
from forcekit.registry import MEASURES, unknown_measure
from forcekit.terminal import text_width

__all__ = [
    "count_text",
    "date_text",
    "known_measures",
    "movements_taken",
    "opened",
    "print_json",
    "tell",
    "tell_together",
    "time_of",
    "typed",
    "wrapped",
]

FIRST_YEAR, LAST_YEAR = 1900, 2200
"""A date outside is a slip of the finger (our choice)."""


def opened(where: str | None, *, new: bool = False) -> Store:
    """Open the store; one that is not there is made only by what begins a history.

    Parameters
    ----------
    where : str or None
        As the option says it.
    new : bool
        Whether it may be made.
    """
    if not new and not there_is_a_store(where):
        from forcekit.history.place import store_place

        raise InputError(
            f"there is no history at {store_place(where)}; `forcekit athlete add NAME` begins one there, "
            "--store WHERE or FORCEKIT_DATA names another place."
        )
    return open_store(where)


def time_of(option: str, text: str | None) -> float | None:
    """Seconds since 1970 (UTC) of a date, or date and time, in local time."""
    if text is None:
        return None
    try:
        day = datetime.fromisoformat(text)
        if not FIRST_YEAR <= day.year <= LAST_YEAR:
            raise ValueError
        return day.timestamp()
    except (ValueError, OverflowError, OSError) as e:
        raise InputError(f'{option} is "{text}"; a date such as 2024-05-31 or 2024-05-31T18:20 is needed.') from e


def date_text(at_s: float | None) -> str:
    """Day and time of day, local."""
    return "" if at_s is None else time.strftime("%Y-%m-%d %H:%M", time.localtime(at_s))


def known_measures(names: Sequence[str] | None, default: Sequence[str]) -> tuple[str, ...]:
    """Names as given if all are in the registry; the default for none."""
    for name in names or ():
        if name not in MEASURES:
            raise InputError(unknown_measure(name))
    return tuple(dict.fromkeys(names)) if names else tuple(default)


def movements_taken(
    history: Store, name: str, movement: str | None, *, since: float | None = None, squad: bool = False
) -> dict[str, int]:
    """Movements behind an answer with the number of their attempts: all there are, or the one asked for.

    Parameters
    ----------
    squad : bool
        Whether other athletes' attempts may answer, so that one of theirs is enough to know the movement.

    Raises
    ------
    InputError
        If there is no attempt of the movement asked for; the message names those there are.
    """
    from forcekit.history.series import check_movement, movements_of

    check_movement(history, None if squad else name, movement)
    found = movements_of(history, name, since=since)
    return found if movement is None else {movement: found.get(movement, 0)}


def tell_together(movements: Mapping[str, int]) -> None:
    """Say which movements an answer holds, if they are several."""
    from forcekit.history.series import together_text

    told = together_text(movements)
    if told is not None:
        tell(f"{told} --movement chooses one.")


def print_json(value: Any) -> None:
    """Print a result as JSON (SI units)."""
    from forcekit.show.plain import plain

    print(json.dumps(plain(value), ensure_ascii=False, allow_nan=False, indent=1))


def tell(text: str, *, first: str = "", following: str | None = None) -> None:
    """Print a sentence, wrapped; the first letter is made a capital one."""
    print(wrapped(text[:1].upper() + text[1:] if not first else text, first, following))


def wrapped(text: str, first: str = "", following: str | None = None) -> str:
    """Wrap a sentence behind a first word; the other lines stand under its beginning."""
    under = " " * (len(first) or 2) if following is None else following
    return textwrap.fill(
        text,
        text_width(),
        initial_indent=first,
        subsequent_indent=under,
        break_long_words=False,
        break_on_hyphens=False,
    )


def count_text(n: int, word: str) -> str:
    """Write a number of things.

    Examples
    --------
    >>> count_text(1, "athlete"), count_text(3, "raw file")
    ('1 athlete', '3 raw files')
    """
    return f"{n} {word}{'' if n == 1 else 's'}"


def typed(question: str) -> str:
    """What somebody types in answer to a question; nothing where nobody can be asked."""
    print(question, end=" ", file=sys.stderr, flush=True)
    try:
        return input().strip()
    except EOFError:
        print(file=sys.stderr)
        return ""
