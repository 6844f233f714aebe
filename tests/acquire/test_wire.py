"""The frames between sensor and laptop: exact, self-checking, and back in step after damage."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forcekit.acquire import wire
from forcekit.acquire.receive import Receiver, receive
from forcekit.errors import InputError
from tests.acquire.frames import random_small_frame, receive_all, same, textbook_crc32, textbook_unstuff

NOTES = Path(__file__).parents[2] / "firmware_notes"
GOLDEN = tomllib.loads((NOTES / "golden" / "frames.toml").read_text())["frame"]


def encode_golden(f: dict[str, Any]) -> bytes:
    """Encode the fields of a golden frame."""
    match f["kind"]:
        case 1:
            return wire.encode(wire.Description(f["revision"], f["part"], f["parts"], f["text"].encode(), f["version"]))
        case 2:
            raw = np.array(f["values"]).reshape(f["samples"], f["channels"])
            return wire.encode_samples(
                raw, index=f["index"], device_us=f["device_us"], width=f["width"], flags=f["flags"]
            )
        case 3:
            battery = None if f["battery_mv"] == 0xFFFF else f["battery_mv"] / 1000.0
            warmth = None if f["centi_c"] == 0x7FFF else f["centi_c"] / 100.0
            counts = (f["device_us"], f["n_sent"], f["n_overruns"], f["saturated"])
            return wire.encode(wire.Status(*counts, battery, warmth, bool(f["bits"] & 1), bool(f["bits"] & 2)))
        case 16:
            return wire.encode(wire.Command(f["code"], f["token"]))
    return wire.encode(wire.Answer(f["code"], f["token"], f["result"], f["device_us"]))


def stream(n_frames: int, seed: int) -> bytes:
    """Make sample frames of a plate with four cells, one sample each, numbered from 0."""
    rng = np.random.default_rng(seed)
    return b"".join(
        wire.encode_samples(rng.integers(-(2**15), 2**15, (1, 4)), index=i, device_us=250 * i, width=2)
        for i in range(n_frames)
    )


@pytest.mark.parametrize("golden", GOLDEN, ids=lambda f: f["name"])
def test_golden_frames(golden: dict[str, Any]) -> None:
    """Fields give the bytes in the file, and a receiver written from the text alone agrees with them."""
    sent = bytes.fromhex(golden["wire"])
    payload = textbook_unstuff(sent[:-1])

    assert sent == encode_golden(golden)
    assert bytes.fromhex(golden["payload"]) == payload
    assert int.from_bytes(payload[-4:], "little") == textbook_crc32(payload[:-4])
    assert 0 not in sent[:-1]


def test_examples_in_the_text() -> None:
    """Every example in protocol.md is the golden frame it names."""
    text = (NOTES / "protocol.md").read_text()
    golden = {f["name"]: f for f in GOLDEN}
    examples = re.findall(r"```(wire|payload) ([^\n]+)\n(.+?)\n```", text)

    assert len(examples) == 5
    for part, name, digits in examples:
        assert golden[name][part] == digits


def test_checksum_is_the_common_one() -> None:
    """The check value of this CRC over the nine digits is the one its catalogues print (from memory)."""
    assert textbook_crc32(b"123456789") == 0xCBF43926


@given(
    width=st.sampled_from([2, 3, 4]),
    shape=st.tuples(st.integers(1, 12), st.integers(1, 16)),
    seed=st.integers(0, 2**32 - 1),
)
@settings(max_examples=60, deadline=None)
def test_samples_come_back(width: int, shape: tuple[int, int], seed: int) -> None:
    """Any numbers of any width come back with their index, clock and flags."""
    rng = np.random.default_rng(seed)
    limit = 2 ** (8 * width - 1)
    raw = rng.integers(-limit, limit, shape)
    index, device_us, flags = (int(v) for v in rng.integers(0, [2**32, 2**32, 256]))

    (got,), state = receive_all(wire.encode_samples(raw, index=index, device_us=device_us, width=width, flags=flags))

    assert isinstance(got, wire.SampleFrames)
    assert [index, device_us, flags] == [got.index[0], got.device_us[0], got.flags[0]]
    assert np.array_equal(raw, got.raw)
    assert (state.n_good, state.n_bad) == (1, 0)


def test_small_frames_come_back() -> None:
    """Descriptions, status, commands and answers come back as they were."""
    rng = np.random.default_rng(4)
    sent = [random_small_frame(rng) for _ in range(2000)]

    got, state = receive_all(b"".join(wire.encode(f) for f in sent), [1, 7, 64, 997])

    assert sent == got
    assert state.n_bad == 0


@pytest.mark.parametrize("size", [1, 7, 64, 997])
def test_cuts_do_not_matter(size: int) -> None:
    """However the stream is cut into chunks, the same samples come out."""
    data = stream(400, 1)
    whole, _ = receive_all(data)

    parts, state = receive_all(data, [size])

    raws = [f.raw for f in parts if isinstance(f, wire.SampleFrames)]
    assert isinstance(whole[0], wire.SampleFrames)
    assert np.array_equal(whole[0].raw, np.concatenate(raws))
    assert (state.n_good, state.n_bad) == (400, 0)


def test_every_bit_flip_is_noticed() -> None:
    """Flip each bit of a stream in turn: no wrong sample passes, at most the frame and one neighbour go."""
    data = stream(5, 2)
    (true,), _ = receive_all(data)
    assert isinstance(true, wire.SampleFrames)
    rows = {int(i): true.raw[i].tolist() for i in range(5)}
    for i_bit in range(8 * len(data)):
        damaged = bytearray(data)
        damaged[i_bit // 8] ^= 1 << i_bit % 8

        frames, _ = receive_all(bytes(damaged))

        got = {
            int(i): row.tolist()
            for f in frames
            if isinstance(f, wire.SampleFrames)
            for i, row in zip(f.index, f.raw, strict=True)
        }
        assert got.items() <= rows.items()
        assert len(rows) - len(got) in (1, 2), i_bit


def test_every_cut_is_noticed() -> None:
    """Lose every possible run of bytes: what is left is true, and the index shows the loss."""
    data = stream(6, 3)
    (true,), _ = receive_all(data)
    assert isinstance(true, wire.SampleFrames)
    for start in range(0, len(data) - 1):
        for length in (1, 2, 3, 5, 8, 13, 21, 34, 55):
            frames, _ = receive_all(data[:start] + data[start + length :])

            for f in frames:
                assert isinstance(f, wire.SampleFrames)
                assert np.array_equal(true.raw[f.index], f.raw)


def test_joining_late_is_no_error() -> None:
    """Half a frame at the start of listening is passed over and not counted as damage."""
    data = stream(10, 5)

    frames, state = receive_all(data[5:])

    assert isinstance(frames[0], wire.SampleFrames)
    assert list(range(1, 10)) == frames[0].index.tolist()
    assert (state.n_good, state.n_bad) == (9, 0)


def test_a_line_without_zeros_stays_bounded() -> None:
    """Noise without a zero is dropped, and the next frame after a zero is read."""
    _, state = receive(b"\0", Receiver())
    for _ in range(100):
        frames, state = receive(b"\x55" * 500, state)
        assert not frames
        assert len(state.tail) < 2 * wire.MAX_PAYLOAD

    frames, state = receive(b"\0" + wire.encode(wire.Command(2, 9)), state)

    assert [wire.Command(2, 9)] == frames
    assert state.n_bad == 1


def test_unknown_kind_is_passed_over() -> None:
    """A sound frame of a later version is counted apart and does not disturb."""
    later = wire._seal(b"\x7e\x01\x02")

    frames, state = receive_all(later + wire.encode(wire.Command(2, 9)))

    assert [wire.Command(2, 9)] == frames
    assert (state.n_good, state.n_bad, state.n_unknown) == (1, 0, 1)


def test_description_in_parts() -> None:
    """A long description comes back whole from parts in any order, and never from two revisions."""
    text = 'name = "Heberplatte ö"\n' * 40
    old = [wire.Description(1, i, 6, b"old") for i in range(3)]
    frames, _ = receive_all(b"".join(wire.encode_description(text, revision=2)))
    parts = [f for f in frames if isinstance(f, wire.Description)]

    assert wire.join_description(old + parts[:-1]) is None
    assert text == wire.join_description(old + parts[::-1])


def test_too_much_is_refused() -> None:
    """A frame that is too long, a number too great for its width and an odd width are refused in words."""
    with pytest.raises(InputError, match="send fewer samples"):
        wire.encode_samples(np.zeros((100, 8), int), index=0, device_us=0)
    with pytest.raises(InputError, match="does not fit 2 bytes; use a greater width"):
        wire.encode_samples(np.array([[40000]]), index=0, device_us=0, width=2)
    with pytest.raises(InputError, match="2, 3 or 4 bytes"):
        wire.encode_samples(np.array([[1]]), index=0, device_us=0, width=5)
    with pytest.raises(InputError, match="shorten it"):
        wire.encode_description("x" * 50_000)


def test_same_helper_sees_differences() -> None:
    """The comparison the tests rely on tells frames apart."""
    (a,), _ = receive_all(stream(3, 7))
    (b,), _ = receive_all(stream(3, 8))

    assert same(a, a)
    assert not same(a, b)
