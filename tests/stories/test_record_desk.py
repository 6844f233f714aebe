"""The desk of `forcekit record` without a terminal: keys, cards, stillness, what the display says, how it ends."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from forcekit.acquire.attempt_log import Cards, changes, with_load, with_outcome
from forcekit.acquire.capture import LinkState, Planned
from forcekit.acquire.meter import Meter, Sight
from forcekit.acquire.recording_file import read_take
from forcekit.acquire.replay import replay
from forcekit.acquire.samples import Batch
from forcekit.acquire.virtual import Player, VirtualSerial
from forcekit.acquire.wire import Status
from forcekit.cli_desk import Desk, look, open_desk, press, watch
from forcekit.cli_record import _why_no_sample
from forcekit.cli_status import DeviceNow, Now, device_line, now_lines, plain_line
from forcekit.errors import InputError
from forcekit.model import AttemptCard, Link, Recording
from tests.acquire.streams import plate_device, plate_stream
from tests.acquire.waiting import wait_until


@contextmanager
def at_desk(path: Path, recording: Recording, card: AttemptCard | None = None, **played: bool) -> Iterator[Desk]:
    """Give a desk that records a recording that is played on a loop."""
    with replay(recording, loop=True, **played) as planned:
        desk = open_desk(path, planned, card or AttemptCard())
        try:
            yield desk
        finally:
            desk.capture.close()


def type_in(desk: Desk, keys: str) -> None:
    """Press one key after the other."""
    for key in keys:
        press(desk, key)


def test_every_key_does_its_work(tmp_path: Path) -> None:
    """Outcomes, loads, notes, undo, zero and identify reach the journal; nonsense is answered and not kept."""
    with at_desk(tmp_path / "set", Recording(plate=plate_stream(5.0)), AttemptCard(athlete="Pim")) as desk:
        wait_until(lambda: (s := look(desk).devices[0].sight) is not None and s.force_n is not None, what="a force")
        now = look(desk)
        type_in(desk, "l60\rm")
        type_in(desk, "f")
        type_in(desk, "l-3\r")
        assert "not kept" in desk.message
        type_in(desk, "lten\r")
        assert "is no number" in desk.message
        type_in(desk, "tab\x1b")
        assert "not kept" == desk.message
        type_in(desk, "tß ok\r")
        press(desk, "z")
        assert "step off, or press z again" in desk.message
        press(desk, "z")
        assert "asked to take its zero" in desk.message
        press(desk, "i")
        assert "asked to show itself" in desk.message
        press(desk, "x")
        assert '"x" is no key here' == desk.message
        type_in(desk, "u" * 2)
        assert [("Pim", 60.0, "made")] != [(c.athlete, c.load_kg, c.outcome) for c in desk.cards]
        type_in(desk, "b")
        cards = desk.cards
        path = desk.capture.finish()

    # 4 cells at 400 N and some sway.
    force = now.devices[0].sight and now.devices[0].sight.force_n
    assert 1600.0 == pytest.approx(force, abs=130.0)
    take = read_take(path)
    assert list(cards) == [c.card for c in take.cards]
    assert [("Pim", 60.0, "missed back")] == [(c.athlete, c.load_kg, c.outcome) for c in cards]
    notes = " ".join(take.streams[0].notes)
    assert "ß ok" in notes
    assert "zero command sent" in notes
    assert "identify command sent" in notes


def test_cards_of_a_session() -> None:
    """An open card is completed, a closed one followed; what changed is written as so many back and so many new."""
    base: Cards = (AttemptCard(athlete="Pim"),)
    loaded = with_load(base, 60.0)
    made = with_outcome(loaded, "made")
    again = with_outcome(made, "missed forward")
    heavier = with_load(again, 65.0)
    corrected = with_load(heavier, 66.0)

    assert [60.0] == [c.load_kg for c in loaded]
    assert [("made", 60.0)] == [(c.outcome, c.load_kg) for c in made]
    assert [("made", 60.0), ("missed forward", 60.0)] == [(c.outcome, c.load_kg) for c in again]
    assert [60.0, 60.0, 65.0] == [c.load_kg for c in heavier]
    assert heavier[-1].outcome is None
    # A second load may follow an attempt whose outcome nobody keyed in, so the first stays.
    assert [60.0, 60.0, 65.0, 66.0] == [c.load_kg for c in corrected]
    assert (1, made) == changes(loaded, made)
    assert (1, ()) == changes(again, made)
    assert (0, ()) == changes(again, again)
    with pytest.raises(InputError, match="load_kg"):
        with_load(base, -1.0)


def test_it_ends_by_time_key_signal_and_disk(tmp_path: Path) -> None:
    """Each of the four ends the looking, and none of them before it is due."""
    stop = threading.Event()
    with at_desk(tmp_path / "set", Recording(plate=plate_stream(5.0, 200.0))) as desk:
        began = time.monotonic()
        looks = list(watch(desk, lambda s: time.sleep(0.02) or "", stop, seconds=0.3, turn_s=0.02))
        assert time.monotonic() - began >= 0.3
        assert len(looks) > 3
        assert 1 == len(list(watch(desk, lambda s: "q", stop, seconds=None, turn_s=0.02)))
        desk.stopping = False
        stop.set()
        assert [] == list(watch(desk, lambda s: "", stop, seconds=None, turn_s=0.02))
        stop.clear()
        desk.capture.failure = "no room"
        assert [] == list(watch(desk, lambda s: "", stop, seconds=None, turn_s=0.02))


def test_a_cable_pulled_and_plugged_in_again(tmp_path: Path) -> None:
    """The display tells that the link is lost, goes on by itself, and counts the reconnect."""
    player = Player(plate_stream(5.0, 200.0), Link(transport="serial"), loop=True)
    with VirtualSerial(player) as sensor:
        desk = open_desk(tmp_path / "set", [Planned(sensor.port)], AttemptCard())
        try:
            wait_until(lambda: look(desk).devices[0].sight is not None, what="a signal")
            sensor.unplug()
            wait_until(lambda: look(desk).devices[0].link.state in ("lost", "failed"), what="the loss")
            assert "again" in plain_line(look(desk))
            before = look(desk).devices[0].link.n_samples
            sensor.plug_in()
            wait_until(lambda: look(desk).devices[0].link.n_samples > before, what="the next sample")
            assert 1 == look(desk).devices[0].n_again
            assert "reconnects 1" in plain_line(look(desk))
        finally:
            desk.capture.close()


def meter_of(force_n: np.ndarray[tuple[int, ...], np.dtype[np.float64]], rate_hz: float = 500.0) -> Sight:
    """How a plate looks after these forces, a quarter of them on each cell."""
    device = plate_device(rate_hz)
    meter = Meter()
    raw = np.rint(force_n[:, None] / 4.0 / 0.0125 + np.array([c.offset for c in device.channels]))
    for i in range(0, force_n.size, 50):
        meter.take(0, Batch(0, np.arange(i, i + 50.0), raw[i : i + 50], i / rate_hz))
    sight = meter.sight(0, device, rate_hz, force_n.size / rate_hz)
    assert sight is not None
    return sight


def test_stillness_of_a_lifter() -> None:
    """Empty, moving, still for a moment, and ready after a second; force and limits are told."""
    rng = np.random.default_rng(1)
    quiet = 1200.0 + rng.normal(0.0, 2.0, 1000)
    walking = 1200.0 + 100.0 * np.sin(2 * np.pi * 2.0 * np.arange(1000) / 500.0)

    assert "empty" == meter_of(rng.normal(0.0, 2.0, 1000)).stillness
    assert "moving" == meter_of(walking).stillness
    assert "still" == meter_of(np.r_[walking[:700], quiet[:300]]).stillness
    assert "ready" == meter_of(quiet).stillness
    assert 1200.0 == pytest.approx(meter_of(quiet).force_n, abs=2.0)
    assert 0 == meter_of(quiet).n_saturated
    over = quiet.copy()
    over[100:103] = 4.0 * 0.0125 * 2.0**24
    assert 3 == meter_of(over).n_saturated


def test_what_the_display_says() -> None:
    """Losses, reconnects, limits, battery and temperature are told where there are any."""
    status = Status(0, 10, 4, 1, 3.61, 31.4, True, True)
    link = LinkState("port7", "lost", plate_device(), 998.4, 5000, 12, 3, status, (), "the port was unplugged")
    device = DeviceNow(link, Sight(1402.3, None, "ready", 5), 2, 9.81)
    now = Now("a.forcelog", 3725.0, 1_234_567, (device,), (AttemptCard(load_kg=60.0),), None, "note kept")

    for text in ("\n".join(now_lines(now)), plain_line(now)):
        for word in (
            "1402 N  142.9 kg  STILL: ready to lift", "998 Hz", "lost 12", "damaged 3", "reconnects 2", "1:02:05",
            "AT ITS LIMIT in 5 samples", "battery 3.61 V charging", "31 °C", "overruns 4", "1.2 MB", "note kept",
            "link lost, connecting again", "the port was unplugged", "a channel at its limit", "now: 60 kg",
        ):  # fmt: skip
            assert word in text
    assert 1 == len(plain_line(now).splitlines())
    assert "losses not known" in device_line(replace(device, link=replace(link, n_lost=None)))


def test_bytes_that_cannot_be_read_are_told_from_silence() -> None:
    """A wrong baud rate is no cable that came off."""
    link = LinkState("port7", "connected", None, 0.0, 0, 0, 27, None, ())
    unread = "what it sends cannot be read: wrong port, speed (baud) or device file"
    assert unread in device_line(DeviceNow(link, None, 0, 9.81))
    assert unread == _why_no_sample(link)
    assert "it is open but sends nothing" == _why_no_sample(replace(link, n_bad=0))
    assert unread not in device_line(DeviceNow(replace(link, n_samples=100), None, 0, 9.81))
