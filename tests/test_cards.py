"""Which attempt card belongs to which lift of a session."""

from __future__ import annotations

from forcekit.model import AttemptCard, Recording, TimedCard

SESSION = Recording(
    card=AttemptCard(athlete="Oda Brennek", load_kg=50.0),
    cards=(
        TimedCard(2.0, AttemptCard(load_kg=60.0)),
        TimedCard(12.0, AttemptCard(outcome="missed forward")),
        TimedCard(20.0, AttemptCard(load_kg=65.0)),
        TimedCard(31.0, AttemptCard(outcome="made")),
    ),
)


def test_a_load_holds_for_the_lifts_after_it_and_an_outcome_for_the_lift_before_it() -> None:
    """Lifts at 10 s and 30 s get the loads said before them and the outcomes said after them."""
    first = SESSION.card_of(10.0, 10.5, 30.0)
    second = SESSION.card_of(30.0, 30.5, float("inf"))
    assert (60.0, "missed forward") == (first.load_kg, first.outcome)
    assert (65.0, "made") == (second.load_kg, second.outcome)


def test_what_all_cards_agree_on_stays() -> None:
    """The athlete of the session's card is on every lift's card."""
    assert "Oda Brennek" == SESSION.card_of(10.0, 10.5, 30.0).athlete


def test_a_lift_before_any_card_has_the_sessions_card() -> None:
    """Before the first card the session's own card holds, and a later outcome after the next lift is not taken."""
    assert AttemptCard(athlete="Oda Brennek", load_kg=50.0) == SESSION.card_of(1.0, 1.5, 10.0)
