"""Bytes of a device to samples: one function for live, replay and recorded data, state in and state out.

The three formats of a live device (`forcekit.model.Link`): frames (here), lines and payload (`foreign`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from forcekit.acquire.device_text import device_from_text
from forcekit.acquire.foreign import decode_line_bytes, decode_payload
from forcekit.acquire.receive import receive
from forcekit.acquire.samples import Batch, Decoder, batches_of
from forcekit.acquire.unwrap import unwrap
from forcekit.acquire.wire import Answer, Description, SampleFrames, Status, join_description
from forcekit.errors import InputError
from forcekit.model import DeviceFile

__all__ = ["News", "decode", "link_down", "start_decoder", "tick_of"]

_WRAP = 2.0**32


@dataclass(frozen=True, slots=True, eq=False)
class News:
    """What an arrival brought besides samples."""

    batches: tuple[Batch, ...] = ()
    status: Status | None = None
    answers: tuple[Answer, ...] = ()
    described: DeviceFile | None = None
    """The device file that the sensor carries, when its last part came with this arrival."""


def start_decoder(device: DeviceFile | None, source: str) -> Decoder:
    """State before the first byte.

    Parameters
    ----------
    device : DeviceFile or None
        None for a device that describes itself. With a device file of one's own the description is read but
        not used: the calibration at hand is taken over the one in the sensor.
    source : str
        Port or address, for messages.
    """
    link = device.link if device else None
    form = link.format if link else "frames"
    return Decoder(device=device, source=source, form=form, own_file=device is not None)


def tick_of(decoder: Decoder) -> float:
    """Seconds per tick of the batches of this device."""
    if decoder.form == "frames":
        return 1e-6
    return decoder.tick_s


def decode(data: bytes, host_s: float, state: Decoder) -> tuple[News, Decoder]:
    """Read samples and messages out of the bytes of one arrival.

    Parameters
    ----------
    data : bytes
    host_s : float, second
        Laptop's clock at the arrival.
    state : Decoder
        From `start_decoder` or the last call.

    Raises
    ------
    InputError
        If the description of the sensor cannot be used, or if it leaves out what the samples need.
    """
    if state.form == "lines":
        batches, state = decode_line_bytes(data, host_s, state)
        return News(batches), state
    if state.form == "payload":
        batches, state = decode_payload(data, host_s, state)
        return News(batches), state
    return _decode_frames(data, host_s, state)


def link_down(state: Decoder) -> Decoder:
    """State after the link was lost: half a frame is dropped, and wraps of a counter may have been missed."""
    return replace(
        state,
        receiver=replace(state.receiver, tail=b"", joined=False, dropping=False),
        tail=b"",
        joined=False,
        parts=(),
        clock=replace(state.clock, was_down=True),
    )


def _decode_frames(data: bytes, host_s: float, state: Decoder) -> tuple[News, Decoder]:
    frames, receiver = receive(data, state.receiver)
    state = replace(state, receiver=receiver)
    batches: list[Batch] = []
    status: Status | None = None
    answers: list[Answer] = []
    described: DeviceFile | None = None
    for frame in frames:
        if isinstance(frame, SampleFrames):
            more, state = _samples(frame, host_s, state)
            batches += more
        elif isinstance(frame, Status):
            status = frame
        elif isinstance(frame, Answer):
            answers.append(frame)
        elif isinstance(frame, Description):
            described, state = _describe(frame, state)
    return News(tuple(batches), status, tuple(answers), described), state


def _describe(part: Description, state: Decoder) -> tuple[DeviceFile | None, Decoder]:
    state = replace(state, parts=(*state.parts[-255:], part))
    text = join_description(state.parts)
    if text is None:
        return None, state
    device = device_from_text(text, state.source)
    return device, replace(state, parts=(), device=state.device if state.own_file else device)


def _samples(frames: SampleFrames, host_s: float, state: Decoder) -> tuple[list[Batch], Decoder]:
    """Batches of a run of sample frames; the count of lost samples comes from their index."""
    if state.device is not None and len(state.device.channels) != frames.raw.shape[1]:
        raise InputError(
            f"{state.source}: the sensor sends {frames.raw.shape[1]} channels, but its device file names "
            f"{len(state.device.channels)}; correct the file's list of channels."
        )
    n = frames.n_per_frame
    ticks, epochs, keep, clock = unwrap(frames.device_us, state.clock, modulus=_WRAP, tick_s=1e-6, host_s=host_s)
    restarted = clock.epoch != state.clock.epoch
    lost = _lost(frames.index, n, None if restarted else state.next_index)
    next_index = int(frames.index[-1] + n) % 2**32
    raw = frames.raw
    if n > 1:
        inside = np.arange(n) * _step_us(frames, n, state)
        ticks = np.rint(ticks[:, None] + inside).ravel()
        epochs, keep = np.repeat(epochs, n), np.repeat(keep, n)
    n_kept = int(np.count_nonzero(keep))
    if n_kept < keep.size:
        ticks, epochs, raw = ticks[keep], epochs[keep], raw[keep]
    batches = batches_of(ticks, epochs, raw, host_s)
    state = replace(
        state,
        clock=clock,
        next_index=next_index,
        n_lost=state.n_lost + lost,
        n_repeated=state.n_repeated + keep.size - n_kept,
        n_samples=state.n_samples + n_kept,
    )
    return batches, state


def _lost(index: npt.NDArray[np.int64], n: int, expected: int | None) -> int:
    """Count samples missing before and between these frames."""
    first = int(index[0]) if expected is None else expected
    if int(index[0]) == first and bool(np.all(index[1:] - index[:-1] == n)):
        return 0
    before = np.concatenate(([first], index[:-1] + n))
    step = np.mod(index - before, 2**32)
    # More than half the range ahead is a step back: a repeat or a new start, no loss.
    return int(step[step < 2**31].sum())


def _step_us(frames: SampleFrames, n: int, state: Decoder) -> float:
    if n == 1:
        return 0.0
    rate = state.device.time.rate_hz if state.device else None
    if rate:
        return 1e6 / rate
    if frames.device_us.size > 1:
        return float(np.median(np.mod(np.diff(frames.device_us), 2**32))) / n
    raise InputError(
        f"{state.source}: the sensor puts {n} samples in a frame, so its device file must give the rate; "
        "write rate_hz in its [time] section."
    )
