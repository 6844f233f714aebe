"""What pages ask for is checked before anything is done."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from forcekit.errors import InputError
from forcekit.live.orders import Done, Refused, carry_out, read_order
from forcekit.live.sharing import Door

UNTOUCHED: Any = SimpleNamespace()
"""No session at all: an order that reached it would fail."""


@pytest.mark.parametrize(
    "text",
    [
        "",
        "null",
        "[]",
        '{"do": "fly", "number": 1}',
        '{"do": "mark", "number": 1, "rep": "one", "outcome": "made"}',
        '{"do": "card", "number": 1, "colour": "red"}',
        '{"do": "undo"}',
        '{"do": "note", "number": 1, "rep": 1, "text": "' + "x" * 20_000 + '"}',
        "\ud800",
    ],
)
def test_what_is_no_order_is_refused_in_words(text: str) -> None:
    """Unknown orders, unknown fields, wrong kinds and endless texts give one sentence."""
    with pytest.raises(InputError, match="the page sent"):
        read_order(text)


@pytest.mark.parametrize("order", ['{"do":"undo","number":7}', '{"do":"mark","number":7,"rep":1,"outcome":"made"}'])
def test_a_lifter_changes_nothing(order: str) -> None:
    """Every order of a lifter's page is refused before the session hears of it."""
    answer = carry_out(read_order(order), UNTOUCHED, Door(), "lifter", shared=True)
    assert isinstance(answer, Refused)
    assert answer.number == 7


def test_a_helper_does_not_share() -> None:
    """Only the coach's own machine lets guests in."""
    door = Door()
    invite = read_order('{"do":"invite","number":1,"role":"helper"}')
    assert isinstance(carry_out(invite, UNTOUCHED, door, "helper", shared=True), Refused)
    assert door.invitation() is None
    assert Done(1, "") == carry_out(invite, UNTOUCHED, door, "coach", shared=True)
    assert door.invitation() is not None


def test_nobody_is_invited_where_nothing_is_shared() -> None:
    """Without --share no code is made, and the answer says how to share."""
    invite = read_order('{"do":"invite","number":1,"role":"helper"}')
    answer = carry_out(invite, UNTOUCHED, Door(), "coach", shared=False)
    assert isinstance(answer, Refused)
    assert "--share" in answer.why


def test_what_is_left_out_of_the_card_stays() -> None:
    """Only the fields an order names reach the session; null takes one away."""
    told: list[dict[str, object]] = []
    session: Any = SimpleNamespace(set_card=lambda **fields: told.append(fields))
    carry_out(read_order('{"do":"card","number":1,"cue":null,"load_kg":82.5}'), session, Door(), "coach", shared=False)
    assert [{"cue": None, "load_kg": 82.5}] == told
