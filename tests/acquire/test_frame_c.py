"""The C reference code makes and reads the same bytes as the Python codec."""

from __future__ import annotations

import ctypes
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from forcekit.acquire import wire
from tests.acquire.frames import random_small_frame, textbook_unstuff

NOTES = Path(__file__).parents[2] / "firmware_notes"
STRICT = ["-std=c99", "-pedantic", "-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Werror"]


class CStatus(ctypes.Structure):
    _fields_ = (
        ("device_us", ctypes.c_uint32),
        ("n_sent", ctypes.c_uint32),
        ("n_overruns", ctypes.c_uint32),
        ("saturated", ctypes.c_uint32),
        ("battery_mv", ctypes.c_uint16),
        ("centi_c", ctypes.c_int16),
        ("bits", ctypes.c_uint8),
    )


class CReceiver(ctypes.Structure):
    _fields_ = (
        ("length", ctypes.c_size_t),
        ("code", ctypes.c_uint8),
        ("left", ctypes.c_uint8),
        ("started", ctypes.c_uint8),
        ("broken", ctypes.c_uint8),
        ("joined", ctypes.c_uint8),
        ("n_good", ctypes.c_uint32),
        ("n_bad", ctypes.c_uint32),
        ("payload", ctypes.c_uint8 * wire.MAX_PAYLOAD),
    )


def build(folder: Path, *flags: str) -> ctypes.CDLL:
    """Compile frame.c with the system's compiler and load it."""
    cc = shutil.which("cc")
    assert cc, "the system has no C compiler named cc; install one (Debian: gcc)"
    library = folder / "frame.so"
    subprocess.run(
        [cc, *STRICT, *flags, "-O2", "-shared", "-fPIC", "-o", str(library), str(NOTES / "frame.c")],
        check=True,
    )
    c = ctypes.CDLL(str(library))
    for name in ("samples", "description", "status", "command", "answer", "receive"):
        getattr(c, f"frame_{name}").restype = ctypes.c_size_t
    return c


@pytest.fixture(scope="module")
def c(tmp_path_factory: pytest.TempPathFactory) -> ctypes.CDLL:
    """Load the C code as a library."""
    return build(tmp_path_factory.mktemp("c"))


def c_small(c: ctypes.CDLL, f: object, room: int = 2000) -> bytes:
    """Encode in C a frame that holds no samples."""
    out = ctypes.create_string_buffer(room)
    if isinstance(f, wire.Description):
        n = c.frame_description(
            out, ctypes.c_size_t(room), f.revision, f.part, f.parts, f.text, ctypes.c_size_t(len(f.text))
        )
    elif isinstance(f, wire.Status):
        battery = 0xFFFF if f.battery_v is None else round(f.battery_v * 1000)
        warmth = 0x7FFF if f.temperature_c is None else round(f.temperature_c * 100)
        bits = f.streaming | f.charging << 1
        status = CStatus(f.device_us, f.n_sent, f.n_overruns, f.saturated, battery, warmth, bits)
        n = c.frame_status(out, ctypes.c_size_t(room), ctypes.byref(status))
    elif isinstance(f, wire.Command):
        n = c.frame_command(out, ctypes.c_size_t(room), f.code, f.token)
    else:
        assert isinstance(f, wire.Answer)
        n = c.frame_answer(out, ctypes.c_size_t(room), f.code, f.token, f.result, ctypes.c_uint32(f.device_us))
    return out.raw[:n]


def c_samples(c: ctypes.CDLL, raw: np.ndarray, index: int, us: int, width: int, flags: int) -> bytes:
    """Encode samples in C."""
    room = 2000
    out = ctypes.create_string_buffer(room)
    values = np.ascontiguousarray(raw, np.int32)
    pointer = values.ctypes.data_as(ctypes.POINTER(ctypes.c_int32))
    sizes = (*raw.shape, width, flags)
    n = c.frame_samples(out, ctypes.c_size_t(room), ctypes.c_uint32(index), ctypes.c_uint32(us), pointer, *sizes)
    return out.raw[:n]


def random_samples(rng: np.random.Generator) -> tuple[np.ndarray, int, int, int, int]:
    """Make samples, index, clock, width and flags, with zeros often enough to try the stuffing."""
    width = int(rng.integers(2, 5))
    limit = 2 ** (8 * width - 1)
    raw = rng.integers(-limit, limit, (int(rng.integers(1, 9)), int(rng.integers(1, 9))))
    raw[rng.random(raw.shape) < rng.choice([0.0, 0.5, 1.0])] = 0
    index, us, flags = (int(v) for v in rng.integers(0, [2**32, 2**32, 256]))
    return raw, index, us, width, flags


def test_bytes_are_equal(c: ctypes.CDLL) -> None:
    """Random frames of every kind have the same bytes from both encoders."""
    rng = np.random.default_rng(11)
    for _ in range(2000):
        raw, index, us, width, flags = random_samples(rng)
        small = random_small_frame(rng)

        expected = wire.encode_samples(raw, index=index, device_us=us, width=width, flags=flags)
        assert expected == c_samples(c, raw, index, us, width, flags)
        assert wire.encode(small) == c_small(c, small)


def c_receive(c: ctypes.CDLL, data: bytes) -> tuple[list[bytes], CReceiver]:
    """Find kind and body of every frame with the C receiver."""
    receiver = CReceiver()
    found = []
    for byte in data:
        n = c.frame_receive(ctypes.byref(receiver), ctypes.c_uint8(byte))
        if n:
            found.append(bytes(receiver.payload[:n]))
    return found, receiver


def test_c_reads_what_python_writes(c: ctypes.CDLL) -> None:
    """The C receiver finds every frame of a stream, and after damage only sound ones."""
    rng = np.random.default_rng(12)
    frames = [wire.encode(random_small_frame(rng)) for _ in range(150)]
    frames += [
        wire.encode_samples(raw, index=i, device_us=us, width=width, flags=flags)
        for raw, i, us, width, flags in (random_samples(rng) for _ in range(150))
    ]
    bodies = [textbook_unstuff(f[:-1])[:-4] for f in frames]

    found, receiver = c_receive(c, b"".join(frames))
    assert bodies == found
    assert (receiver.n_good, receiver.n_bad) == (300, 0)

    damaged = bytearray(b"".join(frames))
    for at in rng.integers(0, len(damaged), 40):
        damaged[at] ^= int(rng.integers(1, 256))
    found, receiver = c_receive(c, bytes(damaged))
    assert set(found) <= set(bodies)
    assert len(found) >= 300 - 2 * 40
    assert receiver.n_bad > 0


def test_c_reads_numbers_of_every_width(c: ctypes.CDLL) -> None:
    """Signed numbers of two, three and four bytes keep their sign."""
    c.frame_number.restype = ctypes.c_int32
    for width in (2, 3, 4):
        limit = 2 ** (8 * width - 1)
        for number in (-limit, -1, 0, 1, limit - 1):
            data = number.to_bytes(width, "little", signed=True)
            assert number == c.frame_number(data, width)


def test_c_refuses(c: ctypes.CDLL) -> None:
    """Too little room, a number that does not fit, an odd width and a frame too long give no bytes."""
    start = wire.Command(2, 7)
    whole = len(wire.encode(start))
    assert c_small(c, start, room=whole - 1) == b""
    assert whole == len(c_small(c, start, room=whole))
    assert c_samples(c, np.array([[40000]]), 0, 0, 2, 0) == b""
    assert c_samples(c, np.array([[1]]), 0, 0, 5, 0) == b""
    assert c_samples(c, np.zeros((100, 8), int), 0, 0, 4, 0) == b""


def test_c_needs_nothing(tmp_path: Path) -> None:
    """The object file asks for no function of any library, so there is no heap."""
    cc, nm = shutil.which("cc"), shutil.which("nm")
    assert cc
    assert nm
    object_file = tmp_path / "frame.o"
    source = str(NOTES / "frame.c")
    subprocess.run([cc, *STRICT, "-Os", "-ffreestanding", "-c", source, "-o", str(object_file)], check=True)

    undefined = subprocess.run([nm, "-u", str(object_file)], check=True, capture_output=True, text=True)

    assert undefined.stdout.strip() == ""
