"""A device is greeted until it has answered: what it prints while it starts, or a damaged answer, is none."""

from __future__ import annotations

import contextlib
import os
import pty
import tty
from pathlib import Path

from forcekit.acquire.arrival import Arrival, LinkEvent
from forcekit.acquire.capture import HELLO, Capture, Planned, connect
from forcekit.acquire.recording_file import read_recording
from forcekit.acquire.virtual import Player, VirtualSerial
from forcekit.model import Link
from tests.acquire.streams import plate_stream
from tests.acquire.waiting import wait_until

SERIAL = Link(transport="serial")


class Mumbler(Player):
    """Its first description loses bytes on the way."""

    n_asked = 0

    def hear(self, data: bytes, now_s: float) -> bytes:
        """Answers, the first of them damaged."""
        answers = super().hear(data, now_s)
        if answers:
            self.n_asked += 1
        return answers[:60] + answers[70:] if self.n_asked == 1 else answers


def test_a_damaged_description_is_asked_for_again(tmp_path: Path) -> None:
    """Samples alone cannot be read: without it the whole session would be numbers without a meaning."""
    player = Mumbler(plate_stream(20.0), SERIAL)
    with VirtualSerial(player) as sensor:
        capture = Capture(tmp_path / "set", [Planned(sensor.port)])
        capture.start()
        wait_until(lambda: capture.states()[0].device is not None)
        made = capture.finish()
    assert player.n_asked >= 2
    assert read_recording(made).plate is not None


def test_a_board_that_starts_anew_is_greeted_until_it_listens() -> None:
    """It prints a line and hears nothing for two seconds; opened again meanwhile it would start anew for ever."""
    got: list[Arrival | LinkEvent] = []
    master, slave = pty.openpty()
    tty.setraw(slave)
    link = connect(Planned(os.ttyname(slave)), 0, got.append)
    try:
        link.start()
        wait_until(lambda: any(isinstance(item, LinkEvent) for item in got))
        os.write(master, b"boot: firmware 1.0\r\n")
        heard = bytearray()

        def greeted(n: int) -> bool:
            os.set_blocking(master, False)
            with contextlib.suppress(BlockingIOError):
                heard.extend(os.read(master, 4096))
            return heard.count(HELLO) >= n

        wait_until(lambda: greeted(4))
    finally:
        link.stop()
        os.close(master)
        os.close(slave)
    assert "lost" not in [item.what for item in got if isinstance(item, LinkEvent)]
