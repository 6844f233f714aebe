"""Radio sensors through the real radio library and a real message bus; only the radio itself is missing."""

from __future__ import annotations

import shutil
import struct
from pathlib import Path

import msgspec
import numpy as np
import pytest

from forcekit.acquire.capture import Capture, Planned
from forcekit.acquire.recording_file import read_recording
from forcekit.acquire.virtual import Player
from forcekit.acquire.virtual_ble import NOTIFY_UUID, PacketPlayer, VirtualRadio, VirtualSensor
from forcekit.model import BarSensor, Channel, DeviceFile, Link, TimeAxis
from tests.acquire.streams import bar_stream, plate_stream
from tests.acquire.waiting import wait_until

RADIO = Link(transport="ble")
pytestmark = pytest.mark.filterwarnings("ignore:.*bluetoothctl.*")


def test_dbus_daemon_is_there() -> None:
    """The bus these tests need is installed, so that none of them passes for want of it."""
    assert shutil.which("dbus-daemon"), "install dbus-daemon (Debian: package dbus-daemon)"


def test_two_sensors_a_broken_link_and_no_loss_elsewhere(tmp_path: Path) -> None:
    """Scan, connect to two sensors by name and by address, lose one link: the other loses nothing."""
    plate, bar = plate_stream(3.0, 500.0), bar_stream(3.0)
    plate_player = Player(plate, RADIO)
    bar_player = Player(bar, RADIO, boot_us=2**32 - 1_000_000)
    plate_sensor = VirtualSensor("plate one", "C0:00:00:00:00:01", plate_player)
    bar_sensor = VirtualSensor("bar one", "C0:00:00:00:00:02", bar_player)
    with VirtualRadio([plate_sensor, bar_sensor]) as radio:
        planned = [Planned("Plate One", ble=True), Planned("c0:00:00:00:00:02", ble=True)]
        capture = Capture(tmp_path / "set", planned)
        capture.start()
        wait_until(lambda: min(s.n_samples for s in capture.states()) > 100, what="the first samples")
        radio.drop(plate_sensor)
        wait_until(lambda: capture.states()[0].n_lost > 0, what="noticing the loss")
        wait_until(lambda: plate_player.done and bar_player.done)
        wait_until(lambda: capture.states()[1].n_samples == bar.t_s.size, what="the last sample of the bar")
        states = capture.states()
        made = capture.finish()

    recording = read_recording(made)
    assert recording.plate is not None
    assert recording.bar is not None
    number = np.rint(recording.plate.t_s * 500.0).astype(int)
    number -= number[0]
    assert states[0].n_lost == int(np.sum(np.diff(number) - 1))
    assert np.array_equal(plate.raw["fl"][number], recording.plate.raw["fl"])
    assert any(n.startswith("the link was lost at") for n in recording.plate.notes)
    assert (states[1].n_lost, states[1].n_bad) == (0, 0)
    # Broken numbers were sent in steps of a four-millionth of the range.
    device = recording.bar.device
    sent = recording.bar.raw["az"] * device.channel("az").scale
    assert np.abs(sent - bar.raw["az"]).max() <= 0.5 * device.channel("az").scale * 1.001


def packed_device() -> DeviceFile:
    """Describe a bar sensor of another maker: counter, milliseconds, then five samples of three int16."""
    link = Link(
        transport="ble",
        format="payload",
        notify=NOTIFY_UUID,
        header="<BHx",
        header_fields=("counter", "time"),
        sample="<3h",
        sample_fields=("ax", "ay", "az"),
        tick_s=0.001,
    )
    channels = tuple(Channel(name=n, unit="g", scale=1.0 / 2048.0) for n in ("ax", "ay", "az"))
    return DeviceFile(
        name="other maker",
        kind="bar",
        channels=channels,
        bar=BarSensor(accel=("ax", "ay", "az")),
        time=TimeAxis(rate_hz=250.0),
        link=link,
    )


def test_a_sensor_that_speaks_its_own_way(tmp_path: Path) -> None:
    """A packed structure described in the device file is read, its two-byte clock unwrapped, odd packets left out."""
    packets = [
        struct.pack("<BHx", i % 256, (65_000 + 20 * i) % 65_536)
        + struct.pack("<15h", *(v for j in range(5) for v in (5 * i + j, -i, 2048)))
        for i in range(100)
    ]
    packets[30] = packets[30][:-1]
    sensor = VirtualSensor("other", "C0:00:00:00:00:03", PacketPlayer(packets, every_s=0.01), whole_packets=True)
    with VirtualRadio([sensor]):
        capture = Capture(tmp_path / "set", [Planned("other", packed_device(), ble=True)])
        capture.start()
        wait_until(lambda: capture.states()[0].n_samples == 495, what="the last packet")
        made = capture.finish()

    bar = read_recording(made).bar
    assert bar is not None
    kept = np.delete(np.arange(500), np.arange(150, 155))
    assert np.array_equal(kept, bar.raw["ax"])
    # Without a plate the bar leads: its own clock from its first sample, in milliseconds.
    assert np.allclose(0.004 * kept, bar.t_s, atol=1e-9)
    assert "1 damaged pieces of the stream were left out" in bar.notes
    assert bar.device.channel("az").unit == "g"


def test_a_sensor_that_hangs(tmp_path: Path) -> None:
    """A link that is open but silent is closed after two seconds and opened again, without any word of the system."""
    player = Player(plate_stream(60.0, 200.0), RADIO)
    sensor = VirtualSensor("plate", "C0:00:00:00:00:01", player)
    with VirtualRadio([sensor]):
        capture = Capture(tmp_path / "set", [Planned("plate", ble=True)])
        capture.start()
        wait_until(lambda: capture.states()[0].n_samples > 50)
        sensor.frozen = True
        wait_until(lambda: capture.states()[0].state == "silent", what="noticing the silence")
        wait_until(lambda: capture.states()[0].state == "lost", what="giving the link up")
        sensor.frozen = False
        before = capture.states()[0].n_samples
        wait_until(lambda: capture.states()[0].n_samples > before + 50, what="reading again")
        capture.close()


def test_not_the_sensor_we_know(tmp_path: Path) -> None:
    """A sensor without the characteristic in the device file is named as such, not taken for a lost link."""
    player = Player(plate_stream(5.0, 200.0), RADIO)
    device = plate_stream(1.0).device
    link = Link(transport="ble", notify="12345678-0000-0000-0000-000000000000")
    with VirtualRadio([VirtualSensor("plate", "C0:00:00:00:00:01", player)]):
        planned = Planned("plate", msgspec.structs.replace(device, link=link), ble=True)
        capture = Capture(tmp_path / "set", [planned])
        capture.start()
        wait_until(lambda: capture.states()[0].state == "failed")
        assert "this is not the sensor we know" in capture.states()[0].problem
        capture.close()
