"""Whatever the coach says and takes back, the recording ends with what holds."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
import pytest

from forcekit.acquire.arrival import host_now
from forcekit.acquire.capture import Capture
from forcekit.acquire.recording_file import read_take
from forcekit.acquire.replay import replay
from forcekit.live.recorded_cards import RecordedCards
from forcekit.live.reps import Rep
from forcekit.model import AttemptCard, Outcome, Recording
from tests.acquire.streams import plate_stream
from tests.acquire.waiting import wait_until

SIXTY = AttemptCard(athlete="Pim", load_kg=60.0)
HEAVIER = msgspec.structs.replace(SIXTY, load_kg=65.0)
Said = list[tuple[float | None, Outcome | None]]


@pytest.fixture
def taken(tmp_path: Path) -> Any:
    """Record for a moment, let a story say and take back cards, and give loads and outcomes that are left."""

    def run(story: Any) -> Said:
        with replay(Recording(plate=plate_stream(0.5, 200.0)), speed=10.0) as planned:
            capture = Capture(tmp_path / "set", planned)
            capture.start()
            wait_until(lambda: capture.states()[0].n_samples == 100, what="the last sample")
            story(RecordedCards(capture))
            path = capture.finish()
        return [(c.card.load_kg, c.card.outcome) for c in read_take(path).cards]

    return run


def rep() -> Rep:
    """A rep with 60 kg; what it measured is not looked at."""
    return Rep(1, 1, None, SIXTY, "settled")  # type: ignore[arg-type]


def test_a_mark_is_taken_back_from_under_later_cards(taken: Any) -> None:
    """Marked, then another load, all undone: the mark is gone and the load that holds is the last word."""

    def story(cards: RecordedCards) -> None:
        mine = rep()
        cards.say(SIXTY)
        cards.mark(mine, "missed forward", host_now())
        cards.say(HEAVIER)
        cards.say(SIXTY)  # the load was undone
        cards.mark(mine, None, host_now())
        assert mine.outcome is None

    assert [(60.0, None), (65.0, None), (60.0, None)] == taken(story)


def test_a_mark_pressed_again_and_undone_is_there(taken: Any) -> None:
    """Pressing the outcome again takes it away; undoing that gives it back; another outcome has the only word."""

    def story(cards: RecordedCards) -> None:
        mine = rep()
        cards.say(SIXTY)
        ended_s = host_now()
        for outcome in ("made", None, "made", "missed back"):
            cards.mark(mine, outcome, ended_s)

    assert [(60.0, None), (60.0, "missed back")] == taken(story)


def test_a_mark_stands_where_its_lift_ended(taken: Any) -> None:
    """Said, changed or taken away after later cards and lifts, a mark stands between the cards around its lift."""

    def story(cards: RecordedCards) -> None:
        first, second, third = rep(), rep(), rep()
        cards.say(SIXTY)
        ended_s = host_now()
        cards.mark(first, "made", ended_s)
        cards.say(HEAVIER)
        cards.mark(third, "made", host_now())
        cards.mark(second, "missed back", ended_s + 1e-9)
        cards.mark(first, "missed forward", ended_s)
        cards.mark(third, None, host_now())

    assert [(60.0, None), (60.0, "missed forward"), (60.0, "missed back"), (65.0, None)] == taken(story)
