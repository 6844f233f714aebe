"""Makers of random frames and a textbook receiver, shared by the tests of the wire."""

from __future__ import annotations

import numpy as np

from forcekit.acquire.receive import Receiver, receive
from forcekit.acquire.wire import Answer, Command, Description, Frame, SampleFrames, Status


def random_small_frame(rng: np.random.Generator) -> Description | Status | Command | Answer:
    """Make a frame that is not a sample frame, with fields anywhere in their range."""
    u8 = [int(v) for v in rng.integers(0, 256, 4)]
    u32 = [int(v) for v in rng.integers(0, 2**32, 4)]
    match int(rng.integers(4)):
        case 0:
            return Description(u8[0], u8[1], u8[2], rng.bytes(int(rng.integers(0, 181))))
        case 1:
            battery = None if u8[0] < 50 else int(rng.integers(0, 0xFFFF)) / 1000.0
            warmth = None if u8[1] < 50 else int(rng.integers(-0x8000, 0x7FFF)) / 100.0
            return Status(*u32, battery, warmth, bool(u8[2] & 1), bool(u8[2] & 2))
        case 2:
            return Command(u8[0], u8[1])
        case _:
            return Answer(u8[0], u8[1], u8[2], u32[0])


def same(a: Frame, b: Frame) -> bool:
    """Tell whether two frames hold the same."""
    if isinstance(a, SampleFrames) and isinstance(b, SampleFrames):
        pairs = ((a.index, b.index), (a.device_us, b.device_us), (a.flags, b.flags), (a.raw, b.raw))
        return all(np.array_equal(x, y) for x, y in pairs)
    return a == b


def receive_all(data: bytes, sizes: list[int] | None = None) -> tuple[list[Frame], Receiver]:
    """Receive all frames of a stream that is cut into chunks of these sizes, over and over."""
    state = Receiver()
    frames: list[Frame] = []
    at, i = 0, 0
    while at < len(data):
        size = sizes[i % len(sizes)] if sizes else len(data)
        more, state = receive(data[at : at + size], state)
        frames += more
        at, i = at + size, i + 1
    return frames, state


def textbook_crc32(data: bytes) -> int:
    """Compute CRC-32 one bit at a time, as the polynomial's definition says."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xEDB88320 if crc & 1 else 0)
    return crc ^ 0xFFFFFFFF


def textbook_unstuff(piece: bytes) -> bytes:
    """Unstuff a piece, written from the definition in firmware_notes/protocol.md."""
    out = bytearray()
    at = 0
    while at < len(piece):
        code = piece[at]
        out += piece[at + 1 : at + code]
        at += code
        if code < 0xFF and at < len(piece):
            out.append(0)
    return bytes(out)
