"""Receiver of frames: bytes cut anywhere go in, whole and sound frames come out, the state is handed on."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from forcekit.acquire.wire import (
    ANSWER_HEAD,
    COMMAND_HEAD,
    DESCRIPTION_HEAD,
    MAX_PAYLOAD,
    SAMPLES_HEAD,
    STATUS_HEAD,
    Answer,
    Command,
    Description,
    Frame,
    Kind,
    SampleFrames,
    Status,
    need_stuffing,
    unstuff,
)

__all__ = ["Receiver", "receive"]

_CRC_RESIDUE = 0x2144DF1C
"""CRC-32 of any text followed by its own CRC-32, low byte first."""

_LONGEST_STUFFED = MAX_PAYLOAD + MAX_PAYLOAD // 254 + 1


@dataclass(frozen=True, slots=True)
class Receiver:
    """What a receiver carries from one chunk of bytes to the next."""

    tail: bytes = b""
    """Bytes after the last zero."""
    joined: bool = False
    """False until the first zero was seen: what came before it may be half a frame and is no error."""
    dropping: bool = False
    """Inside a piece that is too long to be a frame."""
    n_good: int = 0
    n_bad: int = 0
    """Pieces between zeros that were no frame: damaged, cut or foreign."""
    n_unknown: int = 0
    """Sound frames of a kind this version does not know; they are passed over."""


def receive(chunk: bytes, state: Receiver) -> tuple[list[Frame], Receiver]:
    """Frames that a chunk of bytes completes, in order, and the state for the next chunk.

    Parameters
    ----------
    chunk : bytes
        Any number of bytes, cut anywhere.
    state : Receiver
        ``Receiver()`` at the start and after the port was opened again.

    Notes
    -----
    A piece between two zeros counts as bad when it cannot be unstuffed, its CRC-32 does not fit, or its
    length contradicts its own header; nothing of it is used. One damaged zero joins two frames, so at most
    the damaged frame and its neighbour are lost. Neighbouring sample frames of one shape come out as one
    `SampleFrames`; the result does not depend on how the stream was cut except for where these runs end.
    """
    need_stuffing()
    *pieces, tail = (state.tail + chunk).split(b"\0")
    good: list[bytes] = []
    n_bad = 0
    joined, dropping = state.joined, state.dropping
    for piece in pieces:
        if dropping:
            dropping = False
        elif piece:
            payload = _unseal(piece)
            if payload is not None:
                good.append(payload)
            elif joined:
                n_bad += 1
        joined = True
    if dropping:
        tail = b""
    elif len(tail) > _LONGEST_STUFFED:
        tail, dropping = b"", True
        n_bad += int(joined)
    frames = _parse(good)
    n_known = sum(f.index.size if isinstance(f, SampleFrames) else 1 for f in frames)
    after = replace(
        state,
        tail=tail,
        joined=joined,
        dropping=dropping,
        n_good=state.n_good + n_known,
        n_bad=state.n_bad + n_bad,
        n_unknown=state.n_unknown + len(good) - n_known,
    )
    return frames, after


def _unseal(piece: bytes) -> bytes | None:
    """Kind, body and checksum of a sound piece, else None."""
    if len(piece) > _LONGEST_STUFFED:
        return None
    payload = unstuff(piece)
    if payload is None or len(payload) < 5 or zlib.crc32(payload) != _CRC_RESIDUE:
        return None
    if payload[0] == Kind.SAMPLES and not _samples_fit(payload):
        return None
    return payload


def _samples_fit(payload: bytes) -> bool:
    if len(payload) < SAMPLES_HEAD.size + 4:
        return False
    width, k, n = payload[9], payload[10], payload[11]
    return width in (2, 3, 4) and k > 0 and n > 0 and len(payload) == SAMPLES_HEAD.size + n * k * width + 4


def _parse(payloads: list[bytes]) -> list[Frame]:
    frames: list[Frame] = []
    run: list[bytes] = []
    shape = b""
    for payload in payloads:
        if payload[0] == Kind.SAMPLES:
            if payload[9:12] != shape and run:
                frames.append(_samples(run))
                run = []
            shape = payload[9:12]
            run.append(payload)
            continue
        if run:
            frames.append(_samples(run))
            run = []
        frame = _single(payload)
        if frame is not None:
            frames.append(frame)
    if run:
        frames.append(_samples(run))
    return frames


@lru_cache(maxsize=32)
def _table(width: int, k: int, n: int) -> np.dtype[np.void]:
    return np.dtype(
        [
            ("kind", "u1"),
            ("index", "<u4"),
            ("us", "<u4"),
            ("shape", "u1", (3,)),
            ("flags", "u1"),
            ("data", "u1", (n * k * width,)),
            ("crc", "<u4"),
        ]
    )


def _samples(run: list[bytes]) -> SampleFrames:
    width, k, n = run[0][9:12]
    table = np.frombuffer(b"".join(run), _table(width, k, n))
    # The number goes to the top bytes and is shifted down again, which extends its sign for any width.
    wide = np.zeros((len(run) * n * k, 4), np.uint8)
    wide[:, 4 - width :] = table["data"].reshape(-1, width)
    raw = (wide.view("<i4")[:, 0] >> (8 * (4 - width))).astype(np.int32).reshape(-1, k)
    index, device_us = table["index"].astype(np.int64), table["us"].astype(np.int64)
    return SampleFrames(index, device_us, table["flags"].copy(), raw)


def _single(payload: bytes) -> Frame | None:
    """Frame of a sound payload; None when its kind or its length is not known here."""
    kind, body = payload[0], payload[:-4]
    if kind == Kind.DESCRIPTION and len(body) >= DESCRIPTION_HEAD.size:
        _, version, revision, part, parts = DESCRIPTION_HEAD.unpack_from(body)
        return Description(revision, part, parts, body[DESCRIPTION_HEAD.size :], version)
    if kind == Kind.STATUS and len(body) >= STATUS_HEAD.size:
        _, us, sent, over, saturated, battery, temperature, bits = STATUS_HEAD.unpack_from(body)
        return Status(
            us,
            sent,
            over,
            saturated,
            None if battery == 0xFFFF else battery / 1000.0,
            None if temperature == 0x7FFF else temperature / 100.0,
            bool(bits & 1),
            bool(bits & 2),
        )
    if kind == Kind.COMMAND and len(body) == COMMAND_HEAD.size:
        return Command(body[1], body[2])
    if kind == Kind.ANSWER and len(body) >= ANSWER_HEAD.size:
        return Answer(*ANSWER_HEAD.unpack_from(body)[1:])
    return None
