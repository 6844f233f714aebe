"""Replay: a recording goes through the live path and comes out as it was, plate and bar in step."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from forcekit.acquire.capture import HELLO, Capture
from forcekit.acquire.decode import decode, start_decoder
from forcekit.acquire.recording_file import read_recording
from forcekit.acquire.replay import players_of, replay
from forcekit.acquire.wire import Command, CommandCode, encode
from forcekit.errors import InputError
from forcekit.mechanics.plate import read_plate
from forcekit.model import Link, Recording, Stream
from tests.acquire.streams import bar_stream, plate_stream
from tests.acquire.waiting import wait_until


def shifted(stream: Stream, by_s: float) -> Stream:
    """Begin a stream later."""
    return Stream(stream.t_s + by_s, stream.raw, stream.device, stream.source, stream.clock)


def played(recording: Recording, path: Path, *, speed: float, radio: bool) -> Recording:
    """Play a recording and record it."""
    wanted = [s.t_s.size for s in (recording.plate, recording.bar) if s is not None]
    with replay(recording, speed=speed, radio=radio) as planned:
        capture = Capture(path, planned)
        capture.start()
        wait_until(lambda: [s.n_samples for s in capture.states()] == wanted, what="the last sample")
        made = capture.finish()
    return read_recording(made)


@pytest.mark.parametrize("radio", [False, True])
def test_plate_and_bar_stay_in_step(tmp_path: Path, radio: bool) -> None:
    """Numbers are the same, and the bar keeps its 0.4 s after the plate up to the delay of the links."""
    before = Recording(plate=plate_stream(2.0, 500.0), bar=shifted(bar_stream(1.4), 0.4))

    after = played(before, tmp_path / "set", speed=1.0, radio=radio)

    assert before.plate is not None
    assert after.plate is not None
    assert after.bar is not None
    assert all(np.array_equal(before.plate.raw[k], after.plate.raw[k]) for k in before.plate.raw)
    assert np.abs(before.plate.t_s - after.plate.t_s).max() < 1e-6
    # A poll of 10 ms, a turn of 4 ms of the virtual device or an interval of 15 ms of the radio.
    assert after.bar.t_s[0] == pytest.approx(0.4, abs=0.03)


def test_forces_are_those_of_the_file(tmp_path: Path) -> None:
    """The plate mathematics gives the same force from the file and from its replay."""
    stream = plate_stream(2.0)

    after = played(Recording(plate=stream), tmp_path / "set", speed=4.0, radio=False).plate

    assert after is not None
    a, b = read_plate(stream), read_plate(after)
    assert np.array_equal(a.channels @ a.matrix.T, b.channels @ b.matrix.T)


def test_a_loop_runs_on() -> None:
    """At its end a looped recording begins anew with clock and index running on, without a gap."""
    player = players_of(Recording(plate=plate_stream(0.5)), Link(transport="serial"), loop=True)["plate"]
    state = start_decoder(None, "port")
    news, state = decode(player.hear(HELLO, 0.0) + b"".join(player.due(1.7)), 0.0, state)

    ticks = np.concatenate([b.tick for b in news.batches])
    assert np.array_equal(ticks, 1000.0 * np.arange(1701))
    assert (state.n_lost, player.done) == (0, False)


def test_nothing_to_play() -> None:
    """An empty recording and a speed of nought are refused in words."""
    with pytest.raises(InputError, match="there is nothing to play"):
        players_of(Recording(), Link(transport="serial"))
    with pytest.raises(InputError, match="a number above 0 is needed"):
        players_of(Recording(plate=plate_stream(0.5)), Link(transport="serial"), speed=0.0)


def test_a_loop_that_was_stopped_begins_at_once() -> None:
    """Told to stop in its second round and to start again, a player sends from its first sample on."""
    (player,) = players_of(Recording(plate_stream(1.0)), Link(transport="serial"), loop=True).values()
    player.hear(HELLO, 0.0)
    player.due(1.5)
    player.hear(encode(Command(CommandCode.STOP, 3)), 1.5)
    player.hear(HELLO, 2.0)
    before = player.n_sent
    player.due(2.1)

    assert 100 == pytest.approx(player.n_sent - before, abs=1)


@pytest.mark.parametrize("speed", [0.0, -1.0, float("nan"), float("inf")])
def test_a_speed_that_cannot_be(speed: float) -> None:
    """Nothing is played at no speed, backwards or all at once."""
    with pytest.raises(InputError, match="a number above 0 is needed"):
        players_of(Recording(plate_stream(1.0)), Link(transport="serial"), speed=speed)
