"""Serial devices through the real library and a real pseudo-terminal."""

from __future__ import annotations

import os
import pty
import signal
import subprocess
import sys
import threading
import tty
from pathlib import Path

import numpy as np
import pytest

from forcekit.acquire.arrival import Arrival, LinkEvent
from forcekit.acquire.capture import Capture, Planned
from forcekit.acquire.recording_file import read_recording
from forcekit.acquire.serial_port import SerialConnection
from forcekit.acquire.virtual import Player, VirtualSerial
from forcekit.acquire.wire import CommandCode
from forcekit.errors import InputError
from forcekit.model import Channel, DeviceFile, Link, Plate, TimeAxis
from tests.acquire.streams import plate_stream
from tests.acquire.waiting import wait_until

ROOT = Path(__file__).parents[2]
SERIAL = Link(transport="serial")


def test_nothing_is_lost(tmp_path: Path) -> None:
    """A recording played through a port comes back with every number and every time as it was."""
    stream = plate_stream(3.0)
    player = Player(stream, SERIAL, speed=4.0)
    with VirtualSerial(player) as sensor:
        capture = Capture(tmp_path / "set", [Planned(sensor.port)])
        capture.start()
        wait_until(lambda: capture.states()[0].n_samples == stream.t_s.size, what="the last sample")
        state = capture.states()[0]
        capture.close()
        made = capture.finish()

    plate = read_recording(made).plate
    assert plate is not None
    assert (state.state, state.n_lost, state.n_bad) == ("connected", 0, 0)
    assert state.status is not None
    assert state.status.battery_v == 3.9
    assert not capture.path.exists()
    # The wire carries whole microseconds.
    assert np.abs(stream.t_s - plate.t_s).max() <= 0.5e-6 + 1e-12
    for name, numbers in stream.raw.items():
        assert np.array_equal(numbers, plate.raw[name])
    assert any("times as fast as the laptop's: this is a replay" in n for n in plate.notes)
    assert plate.device.plates == stream.device.plates


def test_unplugged_and_plugged_in_again(tmp_path: Path) -> None:
    """Pulling the cable in mid-stream marks a gap of the right length; what follows is on the same clock."""
    stream = plate_stream(6.0)
    player = Player(stream, SERIAL, speed=2.0)
    with VirtualSerial(player) as sensor:
        capture = Capture(tmp_path / "set", [Planned(sensor.port)])
        capture.start()
        wait_until(lambda: capture.states()[0].n_samples > 1000, what="the first second")
        sensor.unplug()
        wait_until(lambda: capture.states()[0].state in ("lost", "failed"), what="noticing the loss")
        sensor.plug_in()
        wait_until(lambda: player.done, what="the end of the recording")
        wait_until(lambda: capture.states()[0].n_lost > 0, what="counting the loss")
        made = capture.finish()

    plate = read_recording(made).plate
    assert plate is not None
    place = np.rint(plate.t_s * 1000.0).astype(int)
    assert np.all(np.diff(place) > 0)
    assert np.diff(place).max() > 100
    assert np.array_equal(stream.raw["fl"][place], plate.raw["fl"])
    lost = int(np.sum(np.diff(place) - 1))
    assert any(note.startswith(f"{lost} samples were lost") for note in plate.notes)
    assert any("s without samples after" in note for note in plate.notes)
    assert any(note.startswith("the link was lost at") for note in plate.notes)


def test_power_lost(tmp_path: Path) -> None:
    """A sensor that starts anew gets a second run of its clock, placed after the first by the laptop's clock."""
    stream = plate_stream(1.0)
    player = Player(stream, SERIAL, speed=1.0)
    with VirtualSerial(player) as sensor:
        capture = Capture(tmp_path / "set", [Planned(sensor.port)])
        capture.start()
        wait_until(lambda: capture.states()[0].n_samples > 400)
        sensor.unplug(power_lost=True)
        wait_until(lambda: capture.states()[0].state in ("lost", "failed"))
        before = capture.states()[0].n_samples
        sensor.plug_in()
        wait_until(lambda: player.done and capture.states()[0].n_samples == before + 1000)
        made = capture.finish()

    plate = read_recording(made).plate
    assert plate is not None
    assert before + 1000 == plate.t_s.size
    assert np.all(np.diff(plate.t_s) > 0.0)
    assert "the device's clock restarted 1 times" in plate.notes
    assert np.array_equal(stream.raw["br"], plate.raw["br"][before:])


def test_commands_are_answered(tmp_path: Path) -> None:
    """Stop silences the sensor; the silence is shown, and the port is opened again after two seconds."""
    with VirtualSerial(Player(plate_stream(60.0), SERIAL)) as sensor:
        capture = Capture(tmp_path / "set", [Planned(sensor.port)])
        capture.start()
        wait_until(lambda: capture.states()[0].n_samples > 100)
        assert capture.send(0, CommandCode.STOP)
        wait_until(lambda: capture.states()[0].state == "silent", what="noticing the silence")
        n = capture.states()[0].n_samples
        wait_until(lambda: capture.states()[0].n_samples > n, what="starting it again")
        capture.close()


def line_device(**time: object) -> DeviceFile:
    """Describe a device that prints two numbers a line."""
    return DeviceFile(
        name="printing plate",
        kind="plate",
        channels=(Channel(name="fz", scale=10.0), Channel(name="fy")),
        plates=(Plate(kind="vertical", force_z="fz"),),
        time=TimeAxis(**time),  # type: ignore[arg-type]
        link=Link(transport="serial", format="lines", baud=115200),
    )


def test_a_device_that_prints_lines(tmp_path: Path) -> None:
    """Lines of numbers are read with their own time; text, half and short lines are counted and left out."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    lines = [f"{0.002 * i:.3f};{i};{-i}" for i in range(500)]
    lines[100] = "overload"
    lines[200] = "0.4;7"
    text = ("9;9\n# two numbers\r\n" + "\r\n".join(lines) + "\r\n").encode()
    device = line_device(column=1)
    capture = Capture(tmp_path / "set", [Planned(os.ttyname(slave), device)])
    try:
        capture.start()
        wait_until(lambda: capture.states()[0].state == "connected")
        writer = threading.Thread(target=os.write, args=(master, text), daemon=True)
        writer.start()
        wait_until(lambda: capture.states()[0].n_samples == 498)
        made = capture.finish()
    finally:
        os.close(master)
        os.close(slave)

    plate = read_recording(made).plate
    assert plate is not None
    assert "2 damaged pieces of the stream were left out" in plate.notes
    kept = np.delete(np.arange(500.0), [100, 200])
    assert np.array_equal(kept, plate.raw["fz"])
    assert np.array_equal(-kept, plate.raw["fy"])
    assert np.allclose(0.002 * kept, plate.t_s, atol=1e-12)
    assert plate.clock == "stamps"


def test_stop_is_prompt_and_final() -> None:
    """After stop nothing is handed over any more, and stopping twice is allowed."""
    got: list[Arrival | LinkEvent] = []
    with VirtualSerial(Player(plate_stream(5.0), SERIAL)) as sensor:
        link = SerialConnection(sensor.port, 0, got.append, hello=b"\0")
        link.start()
        wait_until(lambda: len(got) > 0)
        link.stop()
        n = len(got)
        link.stop()
        assert n == len(got)
        assert not link.send(b"\0")


def test_absent_port_is_said_once(tmp_path: Path) -> None:
    """A port that is not there is a state with a reason, not a flood and not an end."""
    capture = Capture(tmp_path / "set", [Planned(str(tmp_path / "no-port"))])
    capture.start()
    wait_until(lambda: capture.states()[0].state == "failed")

    assert "no-port" in capture.states()[0].problem
    with pytest.raises(InputError, match="no device in this recording sent a sample"):
        capture.finish()


def test_nothing_is_written_over(tmp_path: Path) -> None:
    """An existing journal is never written over, and a recording needs a device."""
    (tmp_path / "set.forcelog").write_bytes(b"forcelog 1\n")
    with pytest.raises(InputError, match="there is a journal of that name already"):
        Capture(tmp_path / "set", [Planned("port")])
    (tmp_path / "old.npz").write_bytes(b"")
    with pytest.raises(InputError, match="there is a recording of that name already"):
        Capture(tmp_path / "old", [Planned("port")])
    with pytest.raises(InputError, match="no device was named"):
        Capture(tmp_path / "other", [])


def recorded_after(journal: Path, number: int) -> bool:
    """Whether a journal that is being written holds samples beyond a number and that the laptop slept."""
    plate = read_recording(journal).plate
    assert plate is not None
    return bool(plate.t_s[-1] * 1000.0 > number + 1) and any("slept" in n for n in plate.notes)


def test_the_laptop_slept(tmp_path: Path) -> None:
    """A program that was stopped for over two seconds marks it, reads what waited, and counts what was lost."""
    stream = plate_stream(30.0)
    player = Player(stream, SERIAL)
    with VirtualSerial(player) as sensor:
        command = [sys.executable, "-m", "tests.acquire.recording_child", str(tmp_path / "set"), sensor.port]
        child = subprocess.Popen(command, cwd=ROOT)
        try:
            wait_until(lambda: player.n_sent > 100, at_most_s=60.0)
            child.send_signal(signal.SIGSTOP)
            n_asleep = player.n_sent
            wait_until(lambda: player.n_sent > n_asleep + 2300, at_most_s=60.0)
            child.send_signal(signal.SIGCONT)
            n_awake = player.n_sent
            wait_until(lambda: recorded_after(tmp_path / "set.forcelog", n_awake), at_most_s=60.0)
        finally:
            child.kill()
            child.wait()

    plate = read_recording(tmp_path / "set.forcelog").plate
    assert plate is not None
    number = np.rint(plate.t_s * 1000.0).astype(int)
    assert np.array_equal(stream.raw["fl"][number], plate.raw["fl"])
    assert number[-1] > n_awake
    assert any(n.startswith("the laptop slept at") for n in plate.notes)


def test_a_port_that_takes_no_greeting_is_opened_again() -> None:
    """A device that reads nothing at first (its buffer is full) is greeted as soon as it reads."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    os.set_blocking(slave, False)
    filled = 0
    try:
        while True:
            filled += os.write(slave, b"x" * 1024)
    except BlockingIOError:
        pass
    heard: list[Arrival | LinkEvent] = []
    link = SerialConnection(os.ttyname(slave), 0, heard.append, hello=b"hello" * 100)
    link.start()
    wait_until(lambda: any(isinstance(e, LinkEvent) and e.what == "failed" for e in heard), what="the refusal")
    while filled > 0:
        filled -= len(os.read(master, 65536))
    wait_until(lambda: any(isinstance(e, LinkEvent) and e.what == "connected" for e in heard), what="the link")
    link.stop()
    os.close(master)
    os.close(slave)
