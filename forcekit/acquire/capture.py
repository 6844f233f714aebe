"""A recording in progress: several devices, one journal, and the numbers a person wants to see meanwhile."""

from __future__ import annotations

import datetime
import json
import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from forcekit.acquire.arrival import Arrival, Connection, LinkEvent, Sink, host_now
from forcekit.acquire.decode import decode, link_down, start_decoder, tick_of
from forcekit.acquire.device_file import device_text
from forcekit.acquire.greeting import Greeting
from forcekit.acquire.recorder import CARD_BACK, JOURNAL_SUFFIX, Entry, EntryKind, Journal
from forcekit.acquire.recording_file import finish_journal
from forcekit.acquire.samples import Batch, Decoder
from forcekit.acquire.wire import Command, CommandCode, Status, encode
from forcekit.errors import DeviceError, InputError
from forcekit.model import AttemptCard, ClockThen, DeviceFile

__all__ = ["HELLO", "Capture", "LinkState", "Planned", "connect"]

HELLO = b"\0" + encode(Command(CommandCode.DESCRIBE, 1)) + encode(Command(CommandCode.START, 2))
"""What a device that speaks in frames is greeted with, until it has answered both: what are you, and start."""

RATE_WINDOW_S = 2.0
"""Time over which the sample rate shown to a person is counted (our choice)."""


@dataclass(frozen=True, slots=True)
class Planned:
    """A device to record from.

    `address` is a serial port, or with `ble` a radio address or name; `device` its device file, None for a device
    that describes itself.
    """

    address: str
    device: DeviceFile | None = None
    ble: bool = False


@dataclass(frozen=True, slots=True)
class LinkState:
    """How a device is doing now."""

    source: str
    state: str
    """connected, silent, lost, failed, waiting."""
    device: DeviceFile | None
    rate_hz: float
    n_samples: int
    n_lost: int | None
    """Samples lost on the way; None where the device does not count what it sends."""
    n_bad: int
    status: Status | None
    """The device's own last word on battery, temperature and overruns."""
    newest: tuple[float, ...]
    """Newest raw number of each channel."""
    problem: str = ""


@dataclass(slots=True)
class _Live:
    decoder: Decoder
    state: str = "waiting"
    status: Status | None = None
    newest: tuple[float, ...] = ()
    problem: str = ""
    recent: deque[tuple[float, int]] = field(default_factory=deque)


def connect(planned: Planned, number: int, sink: Sink) -> Connection:
    """Make the connection for a device; the transport's library is loaded here and only here.

    Raises
    ------
    DeviceError
        If that library is not installed.
    InputError
        If the device file leaves out what the transport needs.
    """
    link = planned.device.link if planned.device else None
    framed = link is None or link.format == "frames"
    hello = HELLO if framed else _bytes_of(link.start_hex if link else "", planned.address)
    unanswered = None
    if framed:
        greeting = Greeting(sink, described=planned.device is not None)
        sink, unanswered = greeting.take, greeting.unanswered
    if planned.ble:
        from forcekit.acquire.ble import BleConnection

        return BleConnection(planned.address, number, sink, link=link, hello=hello, unanswered=unanswered)
    from forcekit.acquire.serial_port import SerialConnection

    baud = link.baud if link else 921600
    return SerialConnection(planned.address, number, sink, baud=baud, hello=hello, unanswered=unanswered)


class Capture:
    """Recording of one or more devices into a journal.

    Parameters
    ----------
    path : str or Path
        Name of the recording; the journal gets the suffix ``.forcelog``.
    planned : sequence of Planned
    connector : callable
        Makes a connection; tests and other transports may give their own.
    on_batch : callable, optional
        Gets (device number, Batch) as samples come, from the links' threads: the live analysis listens here.

    Notes
    -----
    Arrivals go to the journal first and are decoded afterwards, so that a fault in decoding cannot lose data.
    """

    def __init__(
        self,
        path: str | Path,
        planned: Sequence[Planned],
        *,
        connector: Callable[[Planned, int, Sink], Connection] = connect,
        on_batch: Callable[[int, Batch], None] | None = None,
    ) -> None:
        if not planned:
            raise InputError("no device was named; name at least one serial port or radio sensor to record from.")
        self.path = Path(path).with_suffix(JOURNAL_SUFFIX)
        if self.path.exists():
            raise InputError(
                f"{self.path}: there is a journal of that name already; give another name, or finish that one."
            )
        for done in (self.path.with_suffix(s) for s in (".parquet", ".npz")):
            if done.exists():
                raise InputError(f"{done}: there is a recording of that name already; give another name.")
        self.failure: str | None = None
        """Why nothing more is written; None while all is well."""
        self._on_batch = on_batch
        self._stopped = threading.Event()
        self._closed = threading.Event()
        self._lock = threading.Lock()
        self._live = [_Live(start_decoder(p.device, p.address)) for p in planned]
        self._links = [connector(p, i, self._take) for i, p in enumerate(planned)]
        self._journal = Journal(self.path)
        self.started_s = host_now()
        now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
        self._write(EntryKind.SESSION, 0, {"started": now})
        for i, p in enumerate(planned):
            text = device_text(p.device) if p.device else None
            self._write(EntryKind.DEVICE, i, {"source": p.address, "device": text})

    def start(self) -> None:
        """Open all links; returns at once."""
        for link in self._links:
            link.start()

    def card(self, card: AttemptCard, at_s: float | None = None) -> None:
        """Keep an attempt card, dated `at_s` seconds of the laptop's clock; left out, it is dated now."""
        self._write_at(EntryKind.CARD, 0, host_now() if at_s is None else at_s, msgspec.json.encode(card))

    def take_card_back(self) -> None:
        """Take the newest attempt card back that was not taken back before."""
        self._write(EntryKind.EVENT, 0, {"what": CARD_BACK})

    def note(self, text: str) -> None:
        """Keep a remark at this moment of the recording."""
        self._write(EntryKind.EVENT, 0, {"what": "note", "text": text})

    def clock(self, number: int, then: ClockThen) -> None:
        """Keep how a device's clock was laid on the plate's for a lift; `run` is the epoch of its batches."""
        self._write(EntryKind.CLOCK, number, then)

    def send(self, number: int, code: CommandCode, token: int = 3) -> bool:
        """Send a command to a device that speaks in frames; False when its link is not open."""
        return self._links[number].send(encode(Command(code, token)))

    def states(self) -> tuple[LinkState, ...]:
        """Tell how each device is doing now."""
        now = host_now()
        with self._lock:
            return tuple(_state_of(live, now) for live in self._live)

    def tick_s(self, number: int) -> float:
        """Seconds per tick of a device's batches."""
        with self._lock:
            return tick_of(self._live[number].decoder)

    def finish(self, *, keep_journal: bool = False) -> Path:
        """Close the links and the journal and make the finished file; gives its path.

        Raises
        ------
        InputError
            If no sample came.
        DeviceError
            If the disk refuses; the journal stays.
        """
        self.close()
        return finish_journal(self.path, keep_journal=keep_journal)

    def stop(self) -> None:
        """Close the links; the journal stays open for what is still to be said of the session."""
        if not self._stopped.is_set():
            for link in self._links:
                link.stop()
            self._stopped.set()

    def close(self) -> None:
        """Close the links and the journal without making the finished file; calling it twice is allowed."""
        if self._closed.is_set():
            return
        self.stop()
        self._closed.set()
        if self.failure is None:
            self._write(EntryKind.END, 0, {})
        self._journal.close()

    def _write(self, kind: EntryKind, device: int, body: object) -> None:
        data = body if isinstance(body, bytes) else msgspec.json.encode(body)
        self._write_at(kind, device, host_now(), data)

    def _write_at(self, kind: EntryKind, device: int, host_s: float, data: bytes) -> None:
        try:
            self._journal.write(Entry(kind, device, host_s, data))
        except DeviceError as error:
            self.failure = self.failure or str(error)

    def _take(self, item: Arrival | LinkEvent) -> None:
        """Sink of all links."""
        if self._stopped.is_set():
            return
        live = self._live[item.device]
        if isinstance(item, LinkEvent):
            body = json.dumps({"what": item.what, "text": item.text}).encode()
            self._write_at(EntryKind.EVENT, item.device, item.host_s, body)
            with self._lock:
                _note_event(live, item)
            return
        self._write_at(EntryKind.DATA, item.device, item.host_s, item.data)
        with self._lock:
            batches = _note_data(live, item)
        if self._on_batch is not None:
            for batch in batches:
                self._on_batch(item.device, batch)


def _note_event(live: _Live, event: LinkEvent) -> None:
    if event.what in ("lost", "failed"):
        live.decoder = link_down(live.decoder)
    if event.what in ("connected", "again", "asleep"):
        live.state, live.problem = "connected", ""
    elif event.what in ("lost", "silent", "failed"):
        live.state, live.problem = event.what, event.text


def _note_data(live: _Live, item: Arrival) -> tuple[Batch, ...]:
    try:
        news, live.decoder = decode(item.data, item.host_s, live.decoder)
    except Exception as error:
        # Whatever it is: the bytes are in the journal, and the thread that brings the next ones must live.
        live.problem = str(error)
        return ()
    live.status = news.status or live.status
    if live.state == "waiting":
        live.state = "connected"
    for batch in news.batches:
        live.recent.append((item.host_s, batch.tick.size))
        live.newest = tuple(batch.raw[-1].tolist())
    while live.recent and live.recent[0][0] < item.host_s - RATE_WINDOW_S:
        live.recent.popleft()
    return news.batches


def _state_of(live: _Live, now_s: float) -> LinkState:
    recent = [(t, n) for t, n in live.recent if t >= now_s - RATE_WINDOW_S]
    # The first arrival of the window only marks its start.
    span = recent[-1][0] - recent[0][0] if len(recent) > 1 else 0.0
    rate = sum(n for _, n in recent[1:]) / span if span > 0.0 else 0.0
    d = live.decoder
    lost = d.n_lost if d.counts_losses else None
    return LinkState(
        d.source, live.state, d.device, rate, d.n_samples, lost, d.n_bad, live.status, live.newest, live.problem
    )


def _bytes_of(digits: str, source: str) -> bytes:
    try:
        return bytes.fromhex(digits)
    except ValueError:
        raise InputError(
            f'{source}, [link]: start_hex is "{digits}"; hex digits in pairs are needed, such as "01 0a".'
        ) from None
