"""A journal to a take: what every device sent, on one clock, with its losses named.

::

    bar clock  --fit-->  laptop's clock  <--fit--  plate clock
                                                     |
    t_s of the plate = its own clock, from its first sample (a restart of it is placed by the laptop's clock)
    t_s of the bar   = its clock, moved and stretched on to the plate's; negative before the plate's first sample

The plate's time is neither stretched nor moved, so that its numbers are the same live, from the journal and from the
file.

Where lifts were measured while the session ran, the bar's clock as it was laid then is kept beside its samples, so that
the file gives the numbers the coach saw.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import msgspec
import numpy as np
import numpy.typing as npt

from forcekit.acquire.decode import decode, link_down, start_decoder, tick_of
from forcekit.acquire.device_text import device_from_text
from forcekit.acquire.host_clock import ClockFit, fit_clock, host_time
from forcekit.acquire.recorder import CARD_BACK, Entry, EntryKind
from forcekit.acquire.samples import Batch, Decoder
from forcekit.acquire.watch import SILENT_S
from forcekit.errors import InputError
from forcekit.model import AttemptCard, ClockThen, DeviceFile, FloatArray, OwnClock, Recording, Stream, TimedCard
from forcekit.numbers import decimal

__all__ = ["DeviceTake", "Span", "Take", "assemble", "common_card", "recording_of"]

N_ALONE = 6000
"""Arrivals of a device, about a minute, that are decoded one by one, so that each dates the clock."""

TOGETHER = 8
"""Later arrivals are decoded this many at a time: a long session has more than enough dates for its clock."""

REPLAY_DRIFT = 0.05
"""No oscillator is this far off: 5 % (our choice)."""

COUNTED_DRIFT = 0.01
"""Samples that are counted make 2 % of a depth of 1 % of their rate: this much is told (our choice)."""


@dataclass(frozen=True, slots=True)
class Span:
    """One run of a device's clock: t_s = start_s + (tick - first_tick) * tick_s * rate."""

    start_s: float
    first_tick: float
    rate: float
    clock: ClockFit


@dataclass(frozen=True, slots=True, eq=False)
class DeviceTake:
    """What one device sent in a take.

    Attributes
    ----------
    device : DeviceFile
    source : str
        Port or address.
    tick_s : float, second
        Seconds per tick of its clock.
    tick, epoch : array, shape (n,)
        Its clock, and the run of it (see `Span`), of each sample.
    raw : dict of str to array, shape (n,)
        The numbers as sent, by channel.
    spans : tuple of Span
        One for each epoch, in order.
    counted : bool
        The device has no clock; its samples were counted.
    notes : tuple of str
        Losses, gaps, repeats, restarts, one sentence each.
    then : tuple of ClockThen
        Its clock as it was laid on the plate's for the lifts of the running session; `run` counts as `epoch`.
    """

    device: DeviceFile
    source: str
    tick_s: float
    tick: FloatArray
    epoch: npt.NDArray[np.int64]
    raw: dict[str, FloatArray]
    spans: tuple[Span, ...]
    counted: bool
    notes: tuple[str, ...] = ()
    then: tuple[ClockThen, ...] = ()

    @property
    def own(self) -> OwnClock | None:
        """Its own clock and how it was laid on the plate's then; None if it was not."""
        if not self.then:
            return None
        first = np.array([s.first_tick for s in self.spans])[self.epoch]
        return OwnClock((self.tick - first) * self.tick_s, self.epoch, self.then)

    @property
    def t_s(self) -> FloatArray:
        """Time of each sample in seconds from the recording's start, strictly increasing."""
        start = np.array([s.start_s for s in self.spans])[self.epoch]
        first = np.array([s.first_tick for s in self.spans])[self.epoch]
        rate = np.array([s.rate for s in self.spans])[self.epoch]
        t_s: FloatArray = start + (self.tick - first) * self.tick_s * rate
        return t_s


@dataclass(frozen=True, slots=True, eq=False)
class Take:
    """A recorded session."""

    streams: tuple[DeviceTake, ...]
    cards: tuple[TimedCard, ...] = ()
    started: str = ""
    """Date and time of the start, UTC, as text."""
    notes: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    """What does not fit its device file and is in the journal alone, one sentence a device."""


@dataclass(slots=True)
class _Gathered:
    """What was read so far of one device."""

    decoder: Decoder
    batches: list[Batch] = field(default_factory=list)
    waiting: list[bytes] = field(default_factory=list)
    waiting_host_s: float = 0.0
    n_arrivals: int = 0
    events: list[tuple[float, str, str]] = field(default_factory=list)
    then: list[ClockThen] = field(default_factory=list)
    bad_file: str = ""
    """Why the device file in the journal cannot be used."""
    unfit: str = ""
    """Why the first piece that could not be read could not."""


def assemble(entries: Iterable[Entry], source: str) -> Take:
    """Make a take of the entries of a journal.

    Parameters
    ----------
    entries : iterable of Entry
        From `forcekit.acquire.recorder.read_journal`.
    source : str
        Name of the journal, for messages.

    Raises
    ------
    InputError
        If no device in it sent a single sample that could be read.

    Notes
    -----
    What a device sent that does not fit its device file is left out and said; the other devices are not touched by it.
    """
    devices: dict[int, _Gathered] = {}
    cards: list[tuple[float, AttemptCard]] = []
    started = ""
    for entry in entries:
        if entry.kind == EntryKind.SESSION:
            started = started or str(json.loads(entry.body).get("started", ""))
        elif entry.kind == EntryKind.DEVICE:
            devices[entry.device] = _opened(entry.body)
        elif entry.kind == EntryKind.CARD:
            cards.append((entry.host_s, msgspec.json.decode(entry.body, type=AttemptCard)))
        elif entry.kind == EntryKind.EVENT and json.loads(entry.body)["what"] == CARD_BACK:
            cards = cards[:-1]
        elif entry.device in devices:
            _take_in(entry, devices[entry.device])
    for gathered in devices.values():
        _decode_waiting(gathered)
    full = [g for g in devices.values() if g.batches and g.decoder.device is not None]
    left_out = tuple(_left_out(g) for g in devices.values() if g.unfit or (g.bad_file and g not in full))
    if not full and left_out:
        raise InputError(f"{source}: no sample can be read. {' '.join(left_out)}")
    if not full:
        raise InputError(
            f"{source}: no device in this recording sent a sample that could be read; "
            "check the cable and the device file, and record again."
        )
    lead = next((g for g in full if _device(g).kind == "plate"), full[0])
    zero_host, lead_rate = _zero(lead)
    streams = [_stream(g, zero_host, lead_rate, own_time=g is lead) for g in full]
    timed = tuple(TimedCard((h - zero_host) / lead_rate, c) for h, c in cards)
    silent = [g for g in devices.values() if g not in full and not (g.unfit or g.bad_file)]
    notes = tuple(f"{g.decoder.source} sent no sample that could be read" for g in silent)
    return Take(tuple(streams), timed, started, notes, left_out)


def recording_of(take: Take, source: str) -> Recording:
    """Make the recording that the analysis reads: the first plate and the first bar sensor of a take."""
    streams: dict[str, Stream] = {}
    for s in take.streams:
        if s.device.kind in streams:
            continue
        others = [o.source for o in take.streams if o.device.kind == s.device.kind and o is not s]
        more = tuple(f"{o} was recorded too and is not used" for o in others)
        streams[s.device.kind] = Stream(
            t_s=s.t_s,
            raw=s.raw,
            device=s.device,
            source=f"{source} ({s.source})",
            clock="rate" if s.counted else "stamps",
            notes=(*s.notes, *more, *take.notes, *take.left_out),
            common_clock=True,
            own=s.own,
        )
    common = common_card([c.card for c in take.cards])
    began_s = min((float(s.t_s[0]) for s in streams.values() if s.t_s.size), default=0.0)
    if any(c.t_s > began_s for c in take.cards if c.card.outcome is not None):
        # Keyed in during the session it speaks of the lift before it, even where it is the only one.
        common = msgspec.structs.replace(common, outcome=None)
    return Recording(streams.get("plate"), streams.get("bar"), common, take.cards)


def common_card(cards: Iterable[AttemptCard]) -> AttemptCard:
    """Keep what all cards of a session agree on; a load that changed between attempts is left open."""
    all_cards = list(cards)
    if not all_cards:
        return AttemptCard()
    first = all_cards[0]
    agreed = {
        name: value
        for name, value in msgspec.structs.asdict(first).items()
        if all(getattr(c, name) == value for c in all_cards)
    }
    return AttemptCard(**agreed)


# --------------------------------------------------------------------------------------------------- in parts


def _opened(body: bytes) -> _Gathered:
    """Begin with a device; one whose file cannot be used is left to describe itself, if it can."""
    table = json.loads(body)
    source = str(table["source"])
    text = table.get("device")
    try:
        return _Gathered(start_decoder(device_from_text(text, source) if text else None, source))
    except InputError as error:
        return _Gathered(start_decoder(None, source), bad_file=str(error))


def _left_out(g: _Gathered) -> str:
    source = g.decoder.source
    what = "part of what it sent" if g.batches else "what it sent"
    why = (g.unfit or g.bad_file).removeprefix(f"{source}: ").rstrip(".")
    return f"{source}: {what} does not fit its device file and is in the journal alone ({why})."


def _device(g: _Gathered) -> DeviceFile:
    assert g.decoder.device is not None
    return g.decoder.device


def _take_in(entry: Entry, g: _Gathered) -> None:
    if entry.kind == EntryKind.DATA:
        g.waiting.append(entry.body)
        g.waiting_host_s = entry.host_s
        g.n_arrivals += 1
        alone = g.n_arrivals <= N_ALONE or g.decoder.form == "payload"
        if alone or len(g.waiting) >= TOGETHER:
            _decode_waiting(g)
    elif entry.kind == EntryKind.CLOCK:
        g.then.append(msgspec.json.decode(entry.body, type=ClockThen))
    elif entry.kind == EntryKind.EVENT:
        _decode_waiting(g)
        table = json.loads(entry.body)
        g.events.append((entry.host_s, str(table["what"]), str(table.get("text", ""))))
        if table["what"] in ("lost", "failed"):
            g.decoder = link_down(g.decoder)


def _decode_waiting(g: _Gathered) -> None:
    if g.waiting:
        data, g.waiting = b"".join(g.waiting), []
        try:
            news, g.decoder = decode(data, g.waiting_host_s, g.decoder)
        except InputError as error:
            g.unfit = g.unfit or str(error)
        else:
            g.batches += news.batches


def _fits(g: _Gathered) -> list[tuple[float, ClockFit]]:
    """First tick and clock fit of each epoch."""
    tick_s = tick_of(g.decoder)
    found = []
    for epoch in sorted({b.epoch for b in g.batches}):
        own = [b for b in g.batches if b.epoch == epoch]
        newest = np.array([b.tick[-1] for b in own]) * tick_s
        found.append((float(own[0].tick[0]), fit_clock(newest, [b.host_s for b in own])))
    return found


def _zero(lead: _Gathered) -> tuple[float, float]:
    """Laptop's clock at the leading device's first sample, and laptop seconds per second of that device."""
    first_tick, fit = _fits(lead)[0]
    return float(host_time(fit, first_tick * tick_of(lead.decoder))), 1.0 + fit.drift


def _stream(g: _Gathered, zero_host: float, lead_rate: float, *, own_time: bool) -> DeviceTake:
    tick_s = tick_of(g.decoder)
    epochs = np.concatenate([np.full(b.tick.size, b.epoch, np.int64) for b in g.batches])
    names = np.unique(epochs)
    raw = np.concatenate([b.raw for b in g.batches])
    spans: list[Span] = []
    end_s = -np.inf
    tick = np.concatenate([b.tick for b in g.batches])
    for number, (first_tick, fit) in zip(names, _fits(g), strict=True):
        start_s = (float(host_time(fit, first_tick * tick_s)) - zero_host) / lead_rate
        rate = 1.0 if own_time else (1.0 + fit.drift) / lead_rate
        if own_time and not spans:
            start_s = 0.0
        own = tick[epochs == number]
        step_s = tick_s * rate * (float(np.median(np.diff(own))) if own.size > 1 else 1.0)
        # Two fits may overlap by their uncertainty; time must not run back.
        start_s = max(start_s, end_s + step_s)
        spans.append(Span(start_s, first_tick, rate, fit))
        end_s = start_s + float(own[-1] - first_tick) * tick_s * rate
    device = _device(g)
    made = DeviceTake(
        device=device,
        source=g.decoder.source,
        tick_s=tick_s,
        tick=tick,
        epoch=np.searchsorted(names, epochs),
        raw={c.name: raw[:, i].copy() for i, c in enumerate(device.channels)},
        spans=tuple(spans),
        counted=g.decoder.n_lines > 0,
        then=tuple(replace(c, run=int(np.searchsorted(names, c.run))) for c in g.then if c.run in names),
    )
    return replace(made, notes=_notes(g, made, zero_host, lead_rate))


def _notes(g: _Gathered, made: DeviceTake, zero_host: float, lead_rate: float) -> tuple[str, ...]:
    d = g.decoder
    notes = []
    if g.bad_file:
        why = g.bad_file.removeprefix(f"{d.source}: ").partition(";")[0].rstrip(".")
        notes.append(f"read by the sensor's own description, for {why}")
    if d.n_lost:
        share = d.n_lost / (d.n_lost + d.n_samples)
        notes.append(f"{d.n_lost} samples were lost on the way ({100.0 * share:.2g} %)")
    if d.n_repeated:
        notes.append(f"{d.n_repeated} samples came twice or late and were left out")
    if d.n_bad:
        notes.append(f"{d.n_bad} damaged pieces of the stream were left out")
    t_s = made.t_s
    if t_s.size > 1:
        steps = np.diff(t_s)
        for i in np.flatnonzero(steps > max(0.25, 1.5 * float(np.median(steps))))[:20]:
            notes.append(f"{steps[i]:.2f} s without samples after {t_s[i]:.2f} s")
    words = {"lost": "the link was lost", "asleep": "the laptop slept", "note": "note"}
    for host_s, what, text in g.events:
        at = decimal((host_s - zero_host) / lead_rate, 1)
        if what in words:
            notes.append(f"{words[what]} at {at} s" + (f" ({text})" if text else ""))
        elif what == "again" and made.counted and host_s - zero_host > SILENT_S:  # else it was the wait for the first
            notes.append(f"nothing came for {SILENT_S:g} s and more before {at} s; counted times do not show it")
    fit = made.spans[0].clock
    if len(made.spans) > 1:
        notes.append(f"the device's clock restarted {len(made.spans) - 1} times")
    notes.append(_clock_note(fit, _device(g).time.rate_hz if made.counted else None))
    return tuple(notes)


def _clock_note(fit: ClockFit, counted_hz: float | None) -> str:
    if counted_hz is not None and abs(fit.drift) > max(COUNTED_DRIFT, 3.0 * fit.drift_u):
        return (
            f"{counted_hz / (1.0 + fit.drift):.4g} samples came in a second, the device file says {counted_hz:g}, and "
            "only their number tells the time: correct rate_hz, or see why samples are lost; times and depths are wrong"
        )
    if abs(fit.drift) > REPLAY_DRIFT:
        return (
            f"the device's clock ran {1.0 / (1.0 + fit.drift):.3g} times as fast as the laptop's: this is a replay at "
            "another speed, or the unit of its time is wrong"
        )
    drift = "0 ppm (too short to be seen; " if fit.drift_assumed else f"{decimal(1e6 * fit.drift, 1)} ppm ("
    u_ppm = 1e6 * min(fit.drift_u, 1.0)
    return (
        f"clock against the laptop's: drift {drift}u {decimal(u_ppm, 0 if u_ppm > 10.0 else 1)} ppm), "
        f"offset u {1e3 * fit.host_ref_u_s:.2g} ms, median lateness {1e3 * fit.late_s:.2g} ms"
    )
