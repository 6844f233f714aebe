"""Frames between a sensor and the laptop: bytes in, frames out, and back; no port, no clock, no file.

::

    one frame on the wire
    +---------------------------------------------+------+
    |  COBS( kind u8 | body ... | CRC-32 u32 )    | 0x00 |
    +---------------------------------------------+------+

All numbers are little-endian. The zero byte appears nowhere but at the end of a frame, so a receiver that
joins late or lost bytes waits for the next zero and is in step again. `firmware_notes/protocol.md` is the
same text for people who build sensors; `firmware_notes/frame.c` is the same code for them.

References
----------
Cheshire S, Baker M (1999). Consistent overhead byte stuffing. IEEE/ACM Transactions on Networking
7(2):159-172 (not seen; the stuffing itself is done by the package cobs).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from forcekit.errors import DeviceError, InputError

try:
    from cobs import cobs  # type: ignore[import-untyped]
except ImportError:  # only a live device or its journal needs it
    cobs = None

__all__ = [
    "MAX_PAYLOAD",
    "Answer",
    "Command",
    "CommandCode",
    "Description",
    "Frame",
    "Kind",
    "Result",
    "SampleFrames",
    "Status",
    "encode",
    "encode_description",
    "encode_samples",
    "join_description",
    "need_stuffing",
    "unstuff",
]

Int64Array = npt.NDArray[np.int64]

MAX_PAYLOAD = 1024
"""Longest kind + body + checksum in bytes; a receiver may drop what is longer, which bounds its memory."""

DESCRIPTION_PART = 180
"""Bytes of description text in one frame; short enough for a radio packet of common size (our choice)."""

PROTOCOL_VERSION = 1

SAMPLES_HEAD = struct.Struct("<BIIBBBB")
STATUS_HEAD = struct.Struct("<BIIIIHhB")
DESCRIPTION_HEAD = struct.Struct("<BBBBB")
COMMAND_HEAD = struct.Struct("<BBB")
ANSWER_HEAD = struct.Struct("<BBBBI")


class Kind(IntEnum):
    """First byte of a frame."""

    DESCRIPTION = 0x01
    SAMPLES = 0x02
    STATUS = 0x03
    COMMAND = 0x10
    ANSWER = 0x11


class CommandCode(IntEnum):
    """What the laptop may ask of a sensor."""

    DESCRIBE = 1
    START = 2
    STOP = 3
    ZERO = 4
    IDENTIFY = 5
    STATUS = 6


class Result(IntEnum):
    """How a sensor answers a command."""

    DONE = 0
    UNKNOWN = 1
    BUSY = 2
    FAILED = 3


@dataclass(frozen=True, slots=True)
class Description:
    """One part of the sensor's device file, which is TOML text in UTF-8; see `join_description`."""

    revision: int
    """Counts up when the text changes, so that parts of two texts are never joined (0 to 255, wraps)."""
    part: int
    parts: int
    text: bytes
    version: int = PROTOCOL_VERSION


@dataclass(frozen=True, slots=True)
class Status:
    """How the sensor is."""

    device_us: int
    n_sent: int
    """Samples sent since the start command (wraps at 2^32)."""
    n_overruns: int
    """Samples the sensor had to throw away because its buffer was full (wraps at 2^32)."""
    saturated: int = 0
    """Bit i is set when channel i was at its limit since the last status."""
    battery_v: float | None = None
    temperature_c: float | None = None
    streaming: bool = False
    charging: bool = False


@dataclass(frozen=True, slots=True)
class Command:
    """A request of the laptop; the token comes back in the answer."""

    code: int
    token: int


@dataclass(frozen=True, slots=True)
class Answer:
    """What the sensor says to a command, and its clock when it did."""

    code: int
    token: int
    result: int
    device_us: int


@dataclass(frozen=True, slots=True, eq=False)
class SampleFrames:
    """A run of sample frames of one shape.

    Attributes
    ----------
    index : array of int64, shape (m,)
        Number of the first sample of each frame, counted by the sensor from its start command, modulo 2^32.
    device_us : array of int64, shape (m,)
        The sensor's clock at the first sample of each frame, microseconds, modulo 2^32.
    flags : array of uint8, shape (m,)
        Bit 0: a value is at the converter's limit. Bit 1: samples were thrown away just before this frame.
    raw : array of int32, shape (m * n, k)
        Samples in order, one column a channel; `n` samples a frame.
    """

    index: Int64Array
    device_us: Int64Array
    flags: npt.NDArray[np.uint8]
    raw: npt.NDArray[np.int32]

    @property
    def n_per_frame(self) -> int:
        """Samples in each frame."""
        return int(self.raw.shape[0] // self.index.size)


Frame = Description | Status | Command | Answer | SampleFrames


# -------------------------------------------------------------------------------------------------- encoding


def encode(frame: Description | Status | Command | Answer) -> bytes:
    """Bytes of one frame, ready to send, with the closing zero.

    Parameters
    ----------
    frame : Description, Status, Command or Answer
        Sample frames have their own function, `encode_samples`.

    Examples
    --------
    >>> encode(Command(CommandCode.START, 7)).hex(" ")
    '08 10 02 07 43 8d 35 4f 00'
    """
    if isinstance(frame, Description):
        head = DESCRIPTION_HEAD.pack(Kind.DESCRIPTION, frame.version, frame.revision & 0xFF, frame.part, frame.parts)
        return _seal(head + frame.text)
    if isinstance(frame, Status):
        return _seal(_pack_status(frame))
    if isinstance(frame, Command):
        return _seal(COMMAND_HEAD.pack(Kind.COMMAND, frame.code, frame.token))
    return _seal(ANSWER_HEAD.pack(Kind.ANSWER, frame.code, frame.token, frame.result, _u32(frame.device_us)))


def encode_samples(
    raw: npt.NDArray[np.integer], *, index: int, device_us: int, width: int = 4, flags: int = 0
) -> bytes:
    """Bytes of one sample frame.

    Parameters
    ----------
    raw : array of int, shape (n, k)
        n samples of k channels, n and k from 1 to 255.
    index : int
        Number of the first sample since the start command; sent modulo 2^32.
    device_us : int, microsecond
        The sensor's clock at the first sample; sent modulo 2^32.
    width : 2, 3 or 4
        Bytes a number.
    flags : int
        See `SampleFrames`.

    Raises
    ------
    InputError
        When the samples do not fit one frame or a number does not fit its width.
    """
    values = np.asarray(raw)
    n, k = values.shape
    limit = 1 << (8 * width - 1)
    size = SAMPLES_HEAD.size + n * k * width + 4
    if width not in (2, 3, 4) or not (1 <= n <= 255 and 1 <= k <= 255) or size > MAX_PAYLOAD:
        raise InputError(
            f"a sample frame of {n} samples, {k} channels and {width} bytes a number has {size} bytes; "
            f"at most {MAX_PAYLOAD} bytes, 255 samples, 255 channels and 2, 3 or 4 bytes are allowed; "
            "send fewer samples."
        )
    if values.min() < -limit or values.max() >= limit:
        raise InputError(f"a sample of {int(np.abs(values).max())} does not fit {width} bytes; use a greater width.")
    data = values.astype("<i4").reshape(-1, 1).view(np.uint8).reshape(-1, 4)[:, :width].tobytes()
    head = SAMPLES_HEAD.pack(Kind.SAMPLES, _u32(index), _u32(device_us), width, k, n, flags)
    return _seal(head + data)


def encode_description(text: str, *, revision: int = 0) -> list[bytes]:
    """Frames that carry a whole device file, in parts that fit a radio packet."""
    data = text.encode()
    cuts = [data[i : i + DESCRIPTION_PART] for i in range(0, max(len(data), 1), DESCRIPTION_PART)]
    if len(cuts) > 255:
        raise InputError(f"the description has {len(data)} bytes; at most {255 * DESCRIPTION_PART} fit; shorten it.")
    return [encode(Description(revision, i, len(cuts), cut)) for i, cut in enumerate(cuts)]


def join_description(parts: Sequence[Description]) -> str | None:
    """Text of the newest description all of whose parts arrived, in any order; None while one is missing."""
    if not parts:
        return None
    newest = parts[-1]
    found = {p.part: p.text for p in parts if p.revision == newest.revision and p.parts == newest.parts}
    if len(found) < newest.parts:
        return None
    try:
        return b"".join(found[i] for i in range(newest.parts)).decode()
    except (KeyError, UnicodeDecodeError):
        return None


def need_stuffing() -> None:
    """Say in words that the package for byte stuffing is missing."""
    if cobs is None:
        raise DeviceError('frames of a sensor need the package cobs; install it with pip install "forcekit[serial]".')


def unstuff(piece: bytes) -> bytes | None:
    """Payload of a stuffed piece; None when it is none. Call `need_stuffing` once before."""
    try:
        return bytes(cobs.decode(piece))
    except cobs.DecodeError:
        return None


def _u32(number: int) -> int:
    return int(number) & 0xFFFFFFFF


def _seal(payload: bytes) -> bytes:
    if len(payload) + 4 > MAX_PAYLOAD:
        raise InputError(f"a frame of {len(payload) + 4} bytes is too long; at most {MAX_PAYLOAD} are allowed.")
    need_stuffing()
    return bytes(cobs.encode(payload + struct.pack("<I", zlib.crc32(payload)))) + b"\0"


def _pack_status(s: Status) -> bytes:
    battery = 0xFFFF if s.battery_v is None else min(round(s.battery_v * 1000.0), 0xFFFE)
    temperature = 0x7FFF if s.temperature_c is None else round(s.temperature_c * 100.0)
    return STATUS_HEAD.pack(
        Kind.STATUS,
        _u32(s.device_us),
        _u32(s.n_sent),
        _u32(s.n_overruns),
        _u32(s.saturated),
        battery,
        temperature,
        int(s.streaming) | int(s.charging) << 1,
    )
