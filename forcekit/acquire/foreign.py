"""Devices that do not speak in frames: text lines from a port, packed structures from a radio.

Their device file says what the numbers mean; nothing here knows any device.
"""

from __future__ import annotations

import struct
from dataclasses import replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from forcekit.acquire.samples import Batch, Decoder, batches_of
from forcekit.acquire.unwrap import unwrap
from forcekit.constants import UNITS
from forcekit.errors import InputError
from forcekit.model import BoolArray, DeviceFile, FloatArray, Link

__all__ = ["check_layout", "decode_line_bytes", "decode_payload"]

LONGEST_LINE = 4096
"""Bytes without a line end after which the line is dropped; this bounds the memory."""

_BITS = {"b": 8, "B": 8, "h": 16, "H": 16, "i": 32, "I": 32, "l": 32, "L": 32, "q": 64, "Q": 64}


# ----------------------------------------------------------------------------------------------------- lines


def decode_line_bytes(data: bytes, host_s: float, state: Decoder) -> tuple[tuple[Batch, ...], Decoder]:
    """Read samples out of the whole lines that an arrival completes.

    Notes
    -----
    The first piece after opening the port may be half a line and is dropped. A line with another number of
    numbers, or with text, is counted and passed over; an empty line or one that starts with ``#`` is nothing.
    Columns are the device file's column numbers; left out, the channels stand in order, after the time.
    """
    device = _need(state)
    *lines, tail = (state.tail + data).replace(b"\r", b"\n").split(b"\n")
    if not state.joined and lines:
        lines = lines[1:]
    joined = state.joined or b"\n" in data or b"\r" in data
    if len(tail) > LONGEST_LINE:
        tail, joined = b"", False
    time_column, columns = _columns(device)
    wanted = max([*columns, time_column or 0])
    rows: list[list[float]] = []
    n_foreign = 0
    for line in lines:
        text = line.strip()
        if not text or text.startswith(b"#"):
            continue
        row = _numbers(text, device)
        if row is None or len(row) < wanted:
            n_foreign += 1
        else:
            rows.append(row[:wanted])
    state = replace(state, tail=tail, joined=joined, n_foreign=state.n_foreign + n_foreign)
    if not rows:
        return (), state
    table = np.array(rows)
    raw = table[:, [c - 1 for c in columns]]
    if time_column is None:
        return _counted(raw, host_s, state)
    tick_s = UNITS[device.time.unit][1]
    return _stamped(table[:, time_column - 1], raw, host_s, replace(state, tick_s=tick_s), None)


def _columns(device: DeviceFile) -> tuple[int | None, list[int]]:
    """Column numbers, from 1, of the time and of the channels."""
    time = device.time.column
    if isinstance(time, str):
        time = 1
    numbers = [c.column for c in device.channels]
    if all(isinstance(n, int) for n in numbers):
        return time, [int(n) for n in numbers if n is not None]
    free = [i for i in range(1, len(numbers) + 2) if i != time]
    return time, free[: len(numbers)]


def _numbers(text: bytes, device: DeviceFile) -> list[float] | None:
    mark = (device.table.delimiter or "").encode()
    if device.table.decimal == ",":
        text = text.replace(b",", b".")
    elif not mark.strip():
        text = text.replace(b",", b" ")
    parts = text.split(mark) if mark.strip() else text.replace(b";", b" ").split()
    try:
        row = [float(p) for p in parts]
    except ValueError:
        return None
    return row if all(np.isfinite(row)) else None


# --------------------------------------------------------------------------------------------------- payload


@lru_cache(maxsize=32)
def check_layout(link: Link, names: tuple[str, ...], source: str) -> tuple[struct.Struct, struct.Struct]:
    """Structures of a radio payload, checked against its field names and the channels.

    Parameters
    ----------
    link : Link
    names : tuple of str
        Names of the channels.
    source : str
        For the message.

    Raises
    ------
    InputError
        If a structure code is not one, or fields and numbers do not match.
    """
    made = []
    for key, code, fields in (
        ("header", link.header, link.header_fields),
        ("sample", link.sample, link.sample_fields),
    ):
        try:
            layout = struct.Struct(code if code[:1] in ("<", ">", "=", "!") else "<" + code)
            values = layout.unpack(bytes(layout.size))
        except struct.error as error:
            raise InputError(
                f'{source}, [link]: {key} is "{code}", which is no structure code ({error}); '
                'write for example "<HI" or "<6h".'
            ) from None
        n = len(values)
        if any(isinstance(v, bytes) for v in values):
            raise InputError(
                f'{source}, [link]: {key} is "{code}", which holds text (c, s or p); write x for bytes to be left out.'
            )
        if n != len(fields):
            raise InputError(
                f"{source}, [link]: {key} holds {n} numbers, but {key}_fields names {len(fields)}; "
                'name each number, with "_" for one to be ignored.'
            )
        made.append(layout)
    missing = [n for n in names if n not in link.sample_fields]
    if missing or made[1].size == 0:
        raise InputError(
            f"{source}, [link]: sample_fields does not name {', '.join(missing) or 'anything'}; "
            "each channel must be one of the repeated fields."
        )
    return made[0], made[1]


def decode_payload(data: bytes, host_s: float, state: Decoder) -> tuple[tuple[Batch, ...], Decoder]:
    """Read samples out of one radio notification, laid out as the device file's [link] says.

    Notes
    -----
    A notification whose length does not fit is counted and passed over; one with a sample that is no finite number is
    counted and loses that sample. A field ``time`` in the header is the
    clock of the first sample, in the repeated part of each; otherwise a ``counter`` in the header counts
    notifications and one in the repeated part samples; without either, samples are counted as they come.
    """
    device = _need(state)
    link = device.link
    assert link is not None
    names = tuple(c.name for c in device.channels)
    head, part = check_layout(link, names, state.source)
    n, rest = divmod(len(data) - head.size, part.size)
    if n < 1 or rest:
        return (), replace(state, n_foreign=state.n_foreign + 1)
    header = dict(zip(link.header_fields, head.unpack_from(data), strict=True))
    table = np.array(list(part.iter_unpack(data[head.size :])), np.float64)
    fields = link.sample_fields
    used = [i for i, name in enumerate(fields) if name != "_"]
    sound: BoolArray = np.asarray(np.isfinite(table[:, used]).all(axis=1))
    if not sound.any() or not all(np.isfinite(v) for name, v in header.items() if name != "_"):
        return (), replace(state, n_foreign=state.n_foreign + 1)
    batches, state = _dated(header, table, sound, host_s, state)
    if sound.all():
        return batches, state
    return batches, replace(state, n_foreign=state.n_foreign + 1)


def _dated(
    header: dict[str, float], table: FloatArray, sound: BoolArray, host_s: float, state: Decoder
) -> tuple[tuple[Batch, ...], Decoder]:
    """Date the sound samples of a notification."""
    device = _need(state)
    link = device.link
    assert link is not None
    fields, n = link.sample_fields, table.shape[0]
    raw = table[:, [fields.index(c.name) for c in device.channels]]
    spacing = _period(device, state.source) if n > 1 or "counter" in (*fields, *header) else 0.0
    if "time" in fields or "time" in header:
        state = replace(state, tick_s=link.tick_s)
        if "time" in fields:
            stamps = table[sound, fields.index("time")]
            return _stamped(stamps, raw[sound], host_s, state, _wrap(link, "time"))
        wrap = _wrap(link, "time")
        return _sound(_framed(float(header["time"]), spacing / link.tick_s, raw, host_s, state, wrap), sound)
    if "counter" in fields:
        state = replace(state, tick_s=spacing)
        return _stamped(table[sound, fields.index("counter")], raw[sound], host_s, state, _wrap(link, "counter"))
    if "counter" in header:
        # One tick is one notification; its samples lie evenly in it.
        state = replace(state, tick_s=spacing * n)
        wrap = _wrap(link, "counter")
        return _sound(_framed(float(header["counter"]), 1.0 / n, raw, host_s, state, wrap), sound)
    return _sound(_counted(raw, host_s, state), sound)


def _sound(dated: tuple[tuple[Batch, ...], Decoder], sound: BoolArray) -> tuple[tuple[Batch, ...], Decoder]:
    """Leave out samples that hold no finite number; the others keep their times."""
    batches, state = dated
    if not batches or sound.all():
        return dated
    b = batches[0]
    left = replace(b, tick=b.tick[sound], raw=b.raw[sound])
    return (left,), replace(state, n_samples=state.n_samples - int(np.count_nonzero(~sound)))


def _wrap(link: Link, name: str) -> float | None:
    """Where an unsigned whole number of this field wraps to zero."""
    for code, fields in ((link.header, link.header_fields), (link.sample, link.sample_fields)):
        if name in fields:
            letters = _letters(code)
            bits = _BITS.get(letters[fields.index(name)])
            return 2.0**bits if bits else None
    return None


def _letters(code: str) -> str:
    """Give one letter a number: ``<2hI`` becomes ``hhI``."""
    out, count = "", ""
    for c in code.lstrip("<>=!@ "):
        if c.isdigit():
            count += c
        elif c != " ":
            out += c * (1 if c in "sx" else int(count or 1))
            count = ""
    return out.replace("x", "")


# -------------------------------------------------------------------------------------------------- in common


def _need(state: Decoder) -> DeviceFile:
    if state.device is None:
        raise InputError(
            f"{state.source}: a device that does not send frames needs a device file; give one with a [link] section."
        )
    return state.device


def _period(device: DeviceFile, source: str) -> float:
    if not device.time.rate_hz:
        raise InputError(
            f"{source}: the device brings no clock for each sample, so its device file must give the rate; "
            "write rate_hz in its [time] section."
        )
    return 1.0 / device.time.rate_hz


def _counted(raw: FloatArray, host_s: float, state: Decoder) -> tuple[tuple[Batch, ...], Decoder]:
    """Count samples as they come; a link that was down starts a new epoch, for what was lost is not known."""
    state = replace(state, tick_s=_period(_need(state), state.source))
    clock, first = state.clock, state.n_lines
    if clock.was_down and clock.last is not None:
        clock, first = replace(clock, epoch=clock.epoch + 1), 0
    n = raw.shape[0]
    tick = first + np.arange(n, dtype=np.float64)
    clock = replace(clock, last=float(tick[-1]), host_s=host_s, was_down=False)
    state = replace(state, clock=clock, n_lines=first + n, n_samples=state.n_samples + n)
    return (Batch(clock.epoch, tick, raw, host_s),), state


def _stamped(
    stamps: npt.ArrayLike, raw: FloatArray, host_s: float, state: Decoder, modulus: float | None
) -> tuple[tuple[Batch, ...], Decoder]:
    """Date each sample by its own stamp."""
    tick, epoch, keep, clock = unwrap(stamps, state.clock, modulus=modulus, tick_s=state.tick_s, host_s=host_s)
    n_kept = int(keep.sum())
    state = replace(
        state,
        clock=clock,
        n_samples=state.n_samples + n_kept,
        n_repeated=state.n_repeated + keep.size - n_kept,
    )
    return tuple(batches_of(tick[keep], epoch[keep], raw[keep], host_s)), state


def _framed(
    stamp: float, step: float, raw: FloatArray, host_s: float, state: Decoder, modulus: float | None
) -> tuple[tuple[Batch, ...], Decoder]:
    """Date the samples of a notification from one stamp; `step` in ticks lies between them."""
    tick, epoch, keep, clock = unwrap([stamp], state.clock, modulus=modulus, tick_s=state.tick_s, host_s=host_s)
    n = raw.shape[0]
    if not keep[0]:
        return (), replace(state, n_repeated=state.n_repeated + n)
    lost = 0
    if state.counts_losses and state.clock.last is not None:
        lost = max(int(tick[0] - state.clock.last) - 1, 0) * n if clock.epoch == state.clock.epoch else 0
    batch = Batch(int(epoch[0]), tick[0] + step * np.arange(n), raw, host_s)
    state = replace(state, clock=clock, n_samples=state.n_samples + n, n_lost=state.n_lost + lost)
    return (batch,), state
