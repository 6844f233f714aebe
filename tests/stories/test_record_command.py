"""Recording as a person does it: the real command in a real terminal, keystrokes, signals, a full disk."""

from __future__ import annotations

import os
import re
import resource
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec
import numpy as np
import pytest

from forcekit.acquire.attempt_log import Cards, changes, with_load, with_outcome
from forcekit.acquire.capture import Capture, LinkState, Planned
from forcekit.acquire.device_file import save_device
from forcekit.acquire.meter import Meter, Sight
from forcekit.acquire.named_devices import planned_of
from forcekit.acquire.recording_file import read_recording, read_take
from forcekit.acquire.replay import replay
from forcekit.acquire.samples import Batch
from forcekit.acquire.source import read
from forcekit.acquire.virtual import Player, VirtualSerial
from forcekit.acquire.wire import Status
from forcekit.cli_desk import Desk, look, open_desk, press, watch
from forcekit.cli_status import DeviceNow, Now, now_lines, plain_line
from forcekit.errors import InputError
from forcekit.model import AttemptCard, Link, Recording, Stream
from tests.acquire.streams import bar_stream, plate_device, plate_stream
from tests.acquire.waiting import wait_until
from tests.stories.in_process import run

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_signals"


# -------------------------------------------------------------------------------------------- in a real terminal


class Terminal:
    """A program in a pseudo-terminal: what it shows, and what is typed."""

    def __init__(self, *words: str | Path, folder: Path) -> None:
        import pty

        self.master, slave = pty.openpty()
        command = [sys.executable, "-m", "forcekit", *(str(w) for w in words)]
        environment = os.environ | {"PYTHONPATH": str(ROOT), "TERM": "xterm", "COLUMNS": "160", "LINES": "40"}
        self.program = subprocess.Popen(
            command, stdin=slave, stdout=slave, stderr=slave, cwd=folder, env=environment, start_new_session=True
        )
        os.close(slave)
        self.shown = ""

    def type(self, text: str) -> None:
        """Type keys."""
        os.write(self.master, text.encode())

    def wait_for(self, pattern: str, at_most_s: float = 20.0) -> re.Match[str]:
        """Read on until the pattern appears among what was shown since the last wait."""
        end = time.monotonic() + at_most_s
        while (found := re.search(pattern, self.shown)) is None:
            assert time.monotonic() < end, f"{pattern} was not shown:\n{self.shown[-2000:]}"
            if select.select([self.master], [], [], 0.1)[0]:
                try:
                    self.shown += os.read(self.master, 65536).decode(errors="replace")
                except OSError:  # the program has closed its terminal
                    assert re.search(pattern, self.shown), self.shown[-2000:]
        self.shown = self.shown[found.end() :]
        return found

    def close(self) -> None:
        """End it whatever it does."""
        if self.program.poll() is None:
            self.program.kill()
        self.program.wait()
        os.close(self.master)


@contextmanager
def in_terminal(*words: str | Path, folder: Path) -> Iterator[Terminal]:
    """Give a terminal with the command running in it."""
    terminal = Terminal(*words, folder=folder)
    try:
        yield terminal
    finally:
        terminal.close()


def test_a_session_in_a_terminal(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The real command shows force and stillness, takes keys, stops on q, and its file is analysed with the cards."""
    lift = read(SAMPLES / "oda_60_kg.csv", device=SAMPLES / "club_plate.toml")
    with (
        replay(lift) as planned,
        in_terminal("record", "monday", "--device", planned[0].address, "--load", "60", folder=tmp_path) as t,
    ):
        t.wait_for(r"l load   m made")
        t.wait_for(r"\d+ N  \d+\.\d kg  STILL: ready to lift")
        t.wait_for(r"500 Hz  lost 0  reconnects 0  battery 3\.90 V  24 °C")
        t.type("tbar slipping\x7f\x7f\x7fed\r")
        t.wait_for("note kept")
        t.wait_for("moving")
        t.wait_for("no signal")  # the recording is played to its end
        t.type("m")
        t.wait_for("1 outcome kept; last: 60 kg made")
        t.type("f")
        t.wait_for("2 outcomes kept")
        t.type("u")
        t.wait_for("the last entry was taken back")
        t.type("l62,5\r")
        t.wait_for("kept: 62.5 kg")
        t.type("q")
        path = t.wait_for(r"next: forcekit analyze (\S+)")[1]
        assert 0 == t.program.wait(10)

    take = read_take(tmp_path / path)
    assert [("made", 60.0), (None, 62.5)] == [(c.card.outcome, c.card.load_kg) for c in take.cards]
    assert any("bar slipped" in note for note in take.streams[0].notes)
    assert not list(tmp_path.glob("*.forcelog"))
    code, out, _ = run(capsys, monkeypatch, "analyze", tmp_path / path, "--brief")
    assert 0 == code
    assert "1 lift" in out


@pytest.mark.parametrize(("word", "kinds"), [("virtual", {"plate"}), ("virtual-ble", {"plate", "bar"})])
def test_the_virtual_devices(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path, word: str, kinds: set[str]
) -> None:
    """Without any hardware there is a plate at a port, or plate and bar by radio, and the invented lifter's card."""
    code, out, err = run(capsys, monkeypatch, "record", tmp_path / "v", "--device", word, "--seconds", "0.4", "--plain")
    assert (0, "") == (code, err)
    made = re.search(r"recording written: (\S+)", out)
    assert made is not None
    take = read_take(made[1])
    assert kinds == {s.device.kind for s in take.streams}
    assert ["Ines Falkner (invented)"] == [c.card.athlete for c in take.cards]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_stops_it_cleanly(tmp_path: Path, number: signal.Signals) -> None:
    """Without a terminal it tells itself in lines, and Ctrl-C or the system's wish leaves the finished file."""
    with replay(Recording(plate=plate_stream(30.0, 200.0)), loop=True) as planned:
        command = [sys.executable, "-m", "forcekit", "record", "set", "--device", planned[0].address]
        program = subprocess.Popen(
            command, cwd=tmp_path, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        assert program.stdout is not None
        for line in program.stdout:
            if " N  " in line:
                break
        program.send_signal(number)
        out, err = program.communicate(timeout=20)

    assert (0, "") == (program.returncode, err)
    assert "test plate" in line
    assert "next: forcekit analyze" in out
    (path,) = (p for p in tmp_path.iterdir() if p.suffix in (".parquet", ".npz"))
    plate = read_recording(path).plate
    assert plate is not None
    assert plate.t_s.size > 20


def test_a_full_disk_is_one_sentence(tmp_path: Path) -> None:
    """When the disk takes no more, one sentence says so, the exit code is 2, and the journal can be recovered."""

    def no_room() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (30_000, 30_000))

    with replay(Recording(plate=plate_stream(30.0)), loop=True) as planned:
        command = [sys.executable, "-m", "forcekit", "record", "set", "--device", planned[0].address]
        done = subprocess.run(
            command, cwd=tmp_path, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=30,
            env=os.environ | {"PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"}, preexec_fn=no_room,
        )  # fmt: skip

    assert 2 == done.returncode
    assert 1 == len(done.stderr.strip().splitlines())
    assert "the disk refuses to keep more" in done.stderr
    assert "forcekit recover" in done.stderr
    plate = read_recording(tmp_path / "set.forcelog").plate
    assert plate is not None
    assert plate.t_s.size > 300


# ------------------------------------------------------------------------------------------- parts without a terminal


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


# ------------------------------------------------------------------------------------ naming, replay, devices, recover


def test_names_of_devices(tmp_path: Path) -> None:
    """A port, a radio sensor, a device file behind them or alone; contradictions are refused in words."""
    serial = tmp_path / "lines.toml"
    radio = tmp_path / "radio.toml"
    bare = tmp_path / "bare.toml"
    with_link = msgspec.structs.replace
    save_device(with_link(plate_device(), link=Link(transport="serial", format="lines")), serial)
    save_device(with_link(plate_device(), link=Link(transport="ble", address="shed 3")), radio)
    save_device(plate_device(), bare)

    assert Planned("/dev/ttyX") == planned_of("/dev/ttyX")
    assert Planned("shed 3", ble=True) == planned_of("ble:shed 3")
    assert ("COM3", "lines") == (
        (p := planned_of(f"COM3={serial}")).address,
        p.device and p.device.link and p.device.link.format,
    )
    assert ("shed 3", True) == ((p := planned_of(str(radio))).address, p.ble)
    for word, told in (
        ("ble:", "no device is named"),
        (f"COM3={radio}", "put ble: in front of the name"),
        (f"ble:shed={serial}", "leave ble: out"),
        (f"COM3={bare}", "no \\[link\\] section"),
        (str(serial), "there is no address"),
    ):
        with pytest.raises(InputError, match=told):
            planned_of(word)


def test_replay_is_a_device(tmp_path: Path) -> None:
    """The replay command names a port from which another program records the same numbers."""
    stream = plate_stream(1.5, 500.0)
    with replay(Recording(plate=stream), speed=5.0) as planned:
        capture = Capture(tmp_path / "one", planned)
        capture.start()
        wait_until(lambda: capture.states()[0].n_samples == 750, what="the last sample")
        first = capture.finish()
    program = subprocess.Popen(
        [sys.executable, "-m", "forcekit", "replay", first, "--speed", "5"], stdout=subprocess.PIPE, text=True,
        cwd=tmp_path, env=os.environ | {"PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    try:
        assert program.stdout is not None
        port = program.stdout.readline().removeprefix("serial port: ").strip()
        assert f"--device {port}" in program.stdout.readline()
        capture = Capture(tmp_path / "two", [Planned(port)])
        capture.start()
        wait_until(lambda: capture.states()[0].n_samples == 750, what="the last sample")
        second = read_recording(capture.finish()).plate
        program.send_signal(signal.SIGINT)
        assert 0 == program.wait(10)
    finally:
        program.kill()
        program.communicate()

    assert second is not None
    assert all(np.array_equal(stream.raw[k], second.raw[k]) for k in stream.raw)


def test_devices_in_reach(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Radio sensors are listed with the word that names them; without a radio one sentence says what to do."""
    with replay(Recording(plate=plate_stream(1.0), bar=bar_stream(1.0)), radio=True):
        code, out, _ = run(capsys, monkeypatch, "devices", "--radio-seconds", "0.3")
    assert 0 == code
    assert "serial ports" in out
    assert "ble:virtual plate" in out
    assert "ble:virtual bar" in out

    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/nowhere/bus")
    code, out, err = run(capsys, monkeypatch, "devices", "--radio-seconds", "0.3")
    assert (0, "") == (code, err)
    assert "switch Bluetooth on" in out


def journal_of(stream: Stream, path: Path) -> Path:
    """Record a stream and leave the journal."""
    with replay(Recording(plate=stream), speed=5.0) as planned:
        capture = Capture(path, planned)
        capture.start()
        wait_until(lambda: capture.states()[0].n_samples == stream.t_s.size, what="the last sample")
        capture.card(AttemptCard(load_kg=60.0))
        capture.close()
    return capture.path


def test_recover_tells_what_was_kept(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A journal with a torn end becomes a file with all that was whole; the journal stays as it was."""
    journal = journal_of(plate_stream(1.0), tmp_path / "set")
    torn = tmp_path / "torn.forcelog"
    torn.write_bytes(journal.read_bytes()[:-100])
    before = torn.read_bytes()

    code, out, _ = run(capsys, monkeypatch, "recover", torn)

    assert 0 == code
    assert re.search(r"lost: \d+ bytes of the journal were torn or damaged", out)
    assert "was not stopped in good order" in out
    assert before == torn.read_bytes()
    path = re.search(r"recording written: (.+)", out)
    assert path is not None
    kept = read_recording(path[1]).plate
    assert kept is not None
    assert f"{kept.t_s.size} samples" in out
    assert kept.t_s.size >= 900

    code, out, _ = run(capsys, monkeypatch, "recover", journal)
    assert "nothing that had been written" in out
    assert "1000 samples" in out
    assert "1 attempt card" in out
    assert "good order" not in out


def test_wrong_words_get_one_sentence(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """What is wrong is said in one line, exit code 2, and no empty journal is left."""
    out = tmp_path / "set"
    (tmp_path / "text.forcelog").write_text("no journal")
    for words, told in (
        (["record", out], "no device was named"),
        (["record", out, "--device", "a", "--device", "a"], "names a twice"),
        (["record", out, "--device", "virtual", "--device", "virtual-ble"], "name one of them"),
        (["record", tmp_path / "no" / "set", "--device", "virtual"], "there is no folder"),
        (["record", out, "--device", "virtual", "--seconds", "0"], "a number above 0"),
        (["record", out, "--device", "a", "--movement", "squat"], "use one of: jerk"),
        (["replay", tmp_path / "nothing.csv"], "no such file"),
        (["recover", tmp_path / "nothing.forcelog"], "it cannot be read"),
        (["recover", tmp_path / "text.forcelog"], "no journal of a recording"),
    ):
        code, _, err = run(capsys, monkeypatch, *words)
        assert 2 == code, words
        assert told in err
        assert 1 == len(err.strip().splitlines())
    assert ["text.forcelog"] == [p.name for p in tmp_path.iterdir()]


def test_a_port_that_is_not_there(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Without a sample the reason is told and no empty file is left."""
    monkeypatch.setattr("forcekit.cli_desk.FIRST_SAMPLE_S", 0.2)
    code, out, err = run(
        capsys, monkeypatch, "record", tmp_path / "set", "--device", "/nowhere/port", "--seconds", "0.1", "--plain"
    )
    assert 2 == code
    assert "no signal" in out
    assert "no sample came" in err
    assert "/nowhere/port" in err
    assert [] == list(tmp_path.iterdir())
