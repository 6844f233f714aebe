"""Decoders: however the bytes come, the samples, their times and their losses are the same."""

from __future__ import annotations

import struct
from collections.abc import Callable

import msgspec
import numpy as np
import pytest

from forcekit.acquire.decode import decode, link_down, start_decoder
from forcekit.acquire.device_file import device_text
from forcekit.acquire.device_text import device_from_text
from forcekit.acquire.samples import Batch, Decoder
from forcekit.acquire.unwrap import Unwrapped, unwrap
from forcekit.acquire.virtual import Player
from forcekit.acquire.wire import Command, CommandCode, encode, encode_samples
from forcekit.errors import InputError
from forcekit.model import Channel, DeviceFile, Link, Plate, Table, TimeAxis
from tests.acquire.streams import bar_stream, plate_device, plate_stream


def ticks(batches: list[Batch]) -> list[float]:
    """Give the ticks of all samples in a row."""
    return [float(t) for b in batches for t in b.tick]


@pytest.mark.parametrize("size", [1, 7, 61, 997, 100_000])
def test_chunks_do_not_matter(size: int) -> None:
    """Chunks of any size give the same samples, ticks and counts, to the last digit."""
    player = Player(plate_stream(0.3), Link(transport="serial"), boot_us=2**32 - 100_000)
    data = player.hear(encode(Command(CommandCode.DESCRIBE, 1)) + encode(Command(CommandCode.START, 2)), 0.0)
    data += b"".join(player.due(10.0))
    state = start_decoder(None, "port")
    batches: list[Batch] = []
    described = None
    for at in range(0, len(data), size):
        news, state = decode(data[at : at + size], 0.001 * at, state)
        batches += news.batches
        described = news.described or described

    assert described == player.device
    assert ticks(batches) == [2**32 - 100_000 + 1000.0 * i for i in range(300)]
    assert np.array_equal(np.concatenate([b.raw for b in batches])[:, 1], plate_stream(0.3).raw["fl"])
    assert (state.n_samples, state.n_lost, state.n_bad) == (300, 0, 0)


def frames(state: Decoder, host_s: float, *numbers: tuple[int, int]) -> tuple[list[float], Decoder]:
    """Decode one-sample frames of (index, microseconds)."""
    data = b"".join(encode_samples(np.array([[i % 100]]), index=i, device_us=us) for i, us in numbers)
    news, state = decode(data, host_s, state)
    return ticks(list(news.batches)), state


def test_losses_repeats_and_restarts() -> None:
    """A step in the index is a loss, an old stamp a repeat, and a clock that starts anew a new epoch."""
    state = start_decoder(None, "port")
    _, state = frames(state, 0.0, (0, 1000), (1, 2000))
    got, state = frames(state, 0.01, (5, 6000))
    assert (got, state.n_lost) == ([6000.0], 3)
    got, state = frames(state, 0.02, (4, 5000), (5, 6000), (6, 7000))
    assert (got, state.n_repeated, state.n_lost) == ([7000.0], 2, 3)
    got, state = frames(state, 5.0, (0, 50), (1, 1050))
    assert (got, state.clock.epoch, state.n_lost) == ([50.0, 1050.0], 1, 3)


def test_a_busy_laptop_is_no_loss() -> None:
    """Data held up for ten seconds and handed over at once keep their own times."""
    state = start_decoder(None, "port")
    _, state = frames(state, 0.0, (0, 0))
    held, state = frames(state, 10.0, *[(i, 1000 * i) for i in range(1, 50)])
    later, state = frames(state, 10.0, *[(i, 1000 * i) for i in range(50, 9000, 50)])

    assert held == [1000.0 * i for i in range(1, 50)]
    assert later[-1] == 8_950_000.0
    assert state.clock.epoch == 0


def test_an_hour_without_data_spans_a_wrap() -> None:
    """A clock of 32 bits that wrapped unseen during a long silence is put right by the laptop's clock."""
    state = start_decoder(None, "port")
    _, state = frames(state, 0.0, (0, 1000))
    hours = 3.0 * 3600.0
    got, state = frames(link_down(state), hours, (1, int(1000 + hours * 1e6) % 2**32))

    assert got == [1000.0 + hours * 1e6]


def test_several_samples_a_frame() -> None:
    """Samples within a frame are laid out with the stated rate; without a rate the file is asked for one."""
    raw = np.arange(12).reshape(4, 3)
    data = encode_samples(raw, index=0, device_us=10_000)
    device = DeviceFile(
        name="p",
        kind="plate",
        channels=tuple(Channel(name=n) for n in "abc"),
        plates=(Plate(kind="vertical", force_z="a"),),
        time=TimeAxis(rate_hz=400.0),
    )
    news, _ = decode(data, 0.0, start_decoder(device, "port"))

    assert ticks(list(news.batches)) == [10_000.0, 12_500.0, 15_000.0, 17_500.0]
    assert np.array_equal(news.batches[0].raw, raw)
    with pytest.raises(InputError, match="4 samples in a frame, so its device file must give the rate"):
        decode(data, 0.0, start_decoder(None, "port"))
    four = DeviceFile(name="p", kind="plate", channels=(Channel(name="a"),), plates=device.plates)
    with pytest.raises(InputError, match="sends 3 channels, but its device file names 1"):
        decode(data, 0.0, start_decoder(four, "port"))


def test_own_device_file_goes_before_the_sensors() -> None:
    """With a device file of one's own, the calibration in the sensor is read but not used."""
    own = plate_device(500.0)
    player = Player(plate_stream(0.1), Link(transport="serial"))
    data = player.hear(encode(Command(CommandCode.DESCRIBE, 1)), 0.0)

    news, state = decode(data, 0.0, start_decoder(own, "port"))

    assert news.described == player.device
    assert state.device == own


def test_device_text_round_trip() -> None:
    """Every device file comes back from its text; a wrong text says where it came from."""
    for device in (plate_device(), bar_stream(0.1).device):
        assert device_from_text(device_text(device), "x") == device
    with pytest.raises(InputError, match="port 3: the device file in it cannot be used"):
        device_from_text("name = ", "port 3")
    with pytest.raises(InputError, match="port 3: the device file in it cannot be used"):
        device_from_text('name = "a"\nkind = "plate"\nchannels = []\nwheels = 4', "port 3")


def lines_of(text: bytes, device: DeviceFile) -> tuple[list[Batch], Decoder]:
    """Decode text lines in chunks of five bytes."""
    state = start_decoder(device, "port")
    batches: list[Batch] = []
    for at in range(0, len(text), 5):
        news, state = decode(text[at : at + 5], 0.0, state)
        batches += news.batches
    return batches, state


@pytest.mark.parametrize(
    ("text", "table"),
    [
        (b"x\n1.5,2\n3,4\n", Table()),
        (b"x\n1.5;2\r\n3;4\r\n", Table()),
        (b"x\n1.5 2\n3\t4\n", Table()),
        (b"x\n1,5;2\n3;4\n", Table(decimal=",")),
        (b"x\n1.5|2\n3|4\n", Table(delimiter="|")),
        (b"x\n  1.5,  2\n\n# no\n3,4,99\n", Table()),
    ],
)
def test_lines_in_every_hand(text: bytes, table: Table) -> None:
    """Usual separators, decimal commas, blank and comment lines and spare columns are read alike."""
    device = DeviceFile(
        name="p",
        kind="plate",
        table=table,
        channels=(Channel(name="a"), Channel(name="b")),
        plates=(Plate(kind="vertical", force_z="a"),),
        time=TimeAxis(rate_hz=100.0),
        link=Link(transport="serial", format="lines"),
    )

    batches, state = lines_of(text, device)

    assert np.concatenate([b.raw for b in batches]).tolist() == [[1.5, 2.0], [3.0, 4.0]]
    assert ticks(batches) == [0.0, 1.0]
    assert state.tick_s == 0.01
    assert state.n_bad == 0


def packed(link: Link, *packets: bytes) -> tuple[list[float], Decoder]:
    """Decode notifications of a sensor with two channels."""
    device = DeviceFile(
        name="b",
        kind="plate",
        channels=(Channel(name="a"), Channel(name="b")),
        plates=(Plate(kind="vertical", force_z="a"),),
        time=TimeAxis(rate_hz=100.0),
        link=link,
    )
    state = start_decoder(device, "radio")
    got: list[float] = []
    for i, packet in enumerate(packets):
        news, state = decode(packet, 0.02 * i, state)
        got += [t * state.tick_s for t in ticks(list(news.batches))]
    return got, state


COUNTED = Link(
    transport="ble", format="payload", header="<B", header_fields=("counter",), sample="<2h", sample_fields=("a", "b")
)
"""One byte that counts the packets before two samples of two numbers."""


def test_payload_with_a_packet_counter() -> None:
    """A one-byte packet counter dates samples, wraps, and shows lost packets."""
    body = struct.pack("<4h", 1, 2, 3, 4)

    got, state = packed(COUNTED, *[bytes([n]) + body for n in (254, 255, 0, 3)])

    assert got == pytest.approx([2.54 * 2 + 0.01 * i for i in (0, 1, 2, 3, 4, 5, 10, 11)])
    assert (state.n_lost, state.counts_losses) == (4, True)


@pytest.mark.parametrize(
    ("link", "expected"),
    [
        (Link(transport="serial"), True),
        (Link(transport="serial", format="lines"), False),
        (msgspec.structs.replace(COUNTED, header_fields=("time",)), False),
        (COUNTED, True),
    ],
)
def test_only_a_device_that_counts_shows_losses(link: Link, expected: bool) -> None:
    """Lines of text, and packets without a counter, may be lost without a trace: none lost would be a promise."""
    device = msgspec.structs.replace(plate_device(), link=link)
    assert expected == start_decoder(device, "port").counts_losses


def test_packets_lost_after_number_zero_are_counted() -> None:
    """A packet counter that begins at 0 shows what was lost right after it."""
    body = struct.pack("<4h", 1, 2, 3, 4)

    _, state = packed(COUNTED, bytes([0]) + body, bytes([3]) + body)

    assert state.n_lost == 4


@pytest.mark.parametrize(
    ("header", "sample", "packet", "expected"),
    [
        ("<", "<2f", lambda a: struct.pack("<6f", 1, 2, a, 4, 5, 6), [0.0, 0.02]),
        ("<", "<I2f", lambda a: struct.pack("<IffIffIff", 10, 1, 2, 20, a, 4, 30, 5, 6), [0.01, 0.03]),
        ("<I", "<2f", lambda a: struct.pack("<I6f", 10, 1, 2, a, 4, 5, 6), [0.01, 0.03]),
    ],
    ids=["counted", "stamped", "one stamp a packet"],
)
def test_a_sample_that_is_no_number_is_left_out(
    header: str, sample: str, packet: Callable[[float], bytes], expected: list[float]
) -> None:
    """A radio sensor that sends "not a number" loses that sample; the others keep their times."""
    link = Link(
        transport="ble",
        format="payload",
        header=header,
        header_fields=("time",) if header == "<I" else (),
        sample=sample,
        sample_fields=("time", "a", "b") if "I" in sample else ("a", "b"),
        tick_s=0.001,
    )
    for wrong in (float("nan"), float("inf")):
        got, state = packed(link, packet(wrong))

        assert expected == pytest.approx(got)
        assert (2, 1) == (state.n_samples, state.n_bad)


def test_payload_with_a_time_a_sample() -> None:
    """A clock in each sample dates it."""
    link = Link(transport="ble", format="payload", sample="<I2h", sample_fields=("time", "a", "b"), tick_s=0.001)

    got, _ = packed(link, struct.pack("<IhhIhh", 100, 1, 2, 110, 3, 4), struct.pack("<Ihh", 120, 5, 6))

    assert got == pytest.approx([0.1, 0.11, 0.12])


@pytest.mark.parametrize(
    ("link", "sentence"),
    [
        (Link(transport="ble", format="payload", sample="<z", sample_fields=("a",)), "is no structure code"),
        (Link(transport="ble", format="payload", sample="<h", sample_fields=("a", "b")), "sample holds 1 numbers"),
        (Link(transport="ble", format="payload", sample="<h", sample_fields=("a",)), "does not name b"),
        (Link(transport="ble", format="payload", sample="<2h4s", sample_fields=("a", "b", "_")), "holds text"),
    ],
)
def test_payload_layouts_are_checked(link: Link, sentence: str) -> None:
    """A layout that does not fit its names or the channels is refused with the key."""
    with pytest.raises(InputError, match=sentence):
        packed(link, b"\0\0")


def test_foreign_devices_need_a_rate_or_a_clock() -> None:
    """Lines without a time and without a rate cannot be dated; the message says what to write."""
    device = DeviceFile(
        name="p",
        kind="plate",
        channels=(Channel(name="a"),),
        plates=(Plate(kind="vertical", force_z="a"),),
        link=Link(transport="serial", format="lines"),
    )
    with pytest.raises(InputError, match=r"write rate_hz in its \[time\] section"):
        lines_of(b"x\n1\n2\n", device)


def test_unwrap_small_counter() -> None:
    """A short counter is never taken back to front: 250 after 3 is late, 3 after 250 has wrapped."""
    got, _, keep, state = unwrap([250.0, 3.0, 250.0, 4.0], Unwrapped(), modulus=256.0, tick_s=0.01, host_s=0.0)

    assert got[keep].tolist() == [250.0, 259.0, 260.0]
    assert state.last == 260.0
