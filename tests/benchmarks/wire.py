"""Frames under every single-bit flip and every cut, C against Python, and the speed of the receiver.

Run as ``python -m tests.benchmarks.wire``; prints a table, fails with an AssertionError. About two minutes.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from forcekit.acquire import wire
from forcekit.acquire.receive import Receiver, receive
from tests.acquire.frames import random_small_frame
from tests.acquire.test_frame_c import build, c_samples, c_small, random_samples


def c_against_python(n: int) -> None:
    """Hold n random frames byte for byte."""
    rng = np.random.default_rng(21)
    with tempfile.TemporaryDirectory() as folder:
        c = build(Path(folder))
        for i in range(n):
            if i % 2:
                small = random_small_frame(rng)
                assert wire.encode(small) == c_small(c, small)
            else:
                raw, index, us, width, flags = random_samples(rng)
                sent = wire.encode_samples(raw, index=index, device_us=us, width=width, flags=flags)
                assert sent == c_samples(c, raw, index, us, width, flags)
    print(f"C and Python byte-equal         {n} random frames of all kinds")


def plate_frames(n: int) -> list[bytes]:
    """Make frames of one sample of four cells, small numbers included, so that zeros are frequent."""
    rng = np.random.default_rng(22)
    raw = rng.integers(-(2**15), 2**15, (n, 4))
    raw[rng.random(raw.shape) < 0.2] = 0
    return [wire.encode_samples(raw[i : i + 1], index=i, device_us=250 * i, width=2) for i in range(n)]


def rows_of(data: bytes) -> tuple[dict[int, bytes], int]:
    """Give samples by index, and how many pieces were refused."""
    frames, state = receive(data, Receiver(joined=True))
    got = {}
    for f in frames:
        assert isinstance(f, wire.SampleFrames)
        for i, row in zip(f.index.tolist(), f.raw, strict=True):
            got[i] = row.tobytes()
    return got, state.n_bad


def bit_flips(frames: list[bytes]) -> None:
    """Flip each bit of each frame between its two neighbours."""
    n_flips = n_one = n_two = n_silent = 0
    true, _ = rows_of(b"".join(frames))
    for i in range(1, len(frames) - 1):
        before, frame, after = frames[i - 1 : i + 2]
        wanted = {j: true[j] for j in (i - 1, i, i + 1)}
        for at in range(len(frame)):
            for bit in range(8):
                damaged = bytearray(frame)
                damaged[at] ^= 1 << bit
                got, n_bad = rows_of(before + bytes(damaged) + after)
                n_flips += 1
                assert got.items() <= wanted.items(), (i, at, bit)
                assert i not in got, (i, at, bit)
                assert i - 1 in got, (i, at, bit)
                n_silent += n_bad == 0
                n_one += len(got) == 2
                n_two += len(got) == 1
    assert n_one + n_two == n_flips
    print(f"single-bit flips                {n_flips}, passed as data 0, not counted as damage {n_silent}")
    print(f"  lost by a flip                one frame {n_one}, the next one too {n_two} (its closing zero was hit)")


def cuts(frames: list[bytes]) -> None:
    """Cut the stream at each byte: join there, and end there."""
    true, _ = rows_of(b"".join(frames))
    n = 0
    for i in range(len(frames) - 1):
        both = frames[i] + frames[i + 1]
        for at in range(1, len(frames[i])):
            got, _ = rows_of(both[at:])
            assert got == {i + 1: true[i + 1]}, (i, at)
            ended, _ = rows_of(both[:at])
            assert ended == {}, (i, at)
            n += 2
    print(f"cuts                            {n}, in step again with the very next frame each time")


def speed() -> None:
    """Time the receiver on eight channels, against what 4000 samples a second need."""
    rng = np.random.default_rng(23)
    for per_frame, width, chunk, what in (
        (1, 3, 1640, "one sample a frame, 10 ms chunks"),
        (8, 3, 8080, "8 samples a frame, 40 ms chunks"),
    ):
        n = 40_000
        data = b"".join(
            wire.encode_samples(rng.integers(-(2**22), 2**22, (per_frame, 8)), index=i, device_us=250 * i, width=width)
            for i in range(0, n, per_frame)
        )
        best = np.inf
        for _ in range(5):
            state, got, begin = Receiver(), 0, time.process_time()
            for at in range(0, len(data), chunk):
                frames, state = receive(data[at : at + chunk], state)
                got += sum(f.raw.shape[0] for f in frames if isinstance(f, wire.SampleFrames))
            best = min(best, time.process_time() - begin)
            assert got == n
        print(f"receiver, {what:34s} {n / 4000.0 / best:6.0f} times the speed of 4 kHz, 8 channels")


if __name__ == "__main__":
    some = plate_frames(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
    speed()
    c_against_python(10 * len(some))
    cuts(some)
    bit_flips(some)
