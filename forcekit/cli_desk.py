"""A recording while it runs: keystrokes become cards, notes and commands; the state becomes what is shown."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from forcekit.acquire.arrival import Arrival, Connection, LinkEvent, Sink, host_now
from forcekit.acquire.attempt_log import Cards, with_load, with_outcome, write_changes
from forcekit.acquire.capture import Capture, Planned, connect
from forcekit.acquire.meter import Meter
from forcekit.acquire.wire import CommandCode
from forcekit.cli_keys import Typed
from forcekit.cli_status import DeviceNow, Now
from forcekit.constants import local_gravity
from forcekit.errors import InputError
from forcekit.model import AttemptCard, Outcome

__all__ = ["FIRST_SAMPLE_S", "Desk", "look", "open_desk", "press", "watch"]

FIRST_SAMPLE_S = 20.0
"""Longest wait for a first sample before a recording of a set length begins to count (our choice)."""

ZERO_EMPTY_N = 150.0
"""With more than this on the plate the zero key asks again: somebody stands on it (our choice)."""

OUTCOMES: dict[str, Outcome] = {
    "m": "made",
    "f": "missed forward",
    "b": "missed back",
    "o": "missed otherwise",
    "n": "not tried",
}

ENTER, ESCAPE, DELETE = "\r\n", "\x1b", "\x7f\x08"


@dataclass(slots=True)
class Desk:
    """Recording in progress with its listener, its cards and the line that is being typed."""

    capture: Capture
    planned: Sequence[Planned]
    meter: Meter
    n_connected: Counter[int]
    heard: Counter[int]
    """Arrivals of each device."""
    cards: Cards = ()
    earlier: list[Cards] = field(default_factory=list)
    question: str | None = None
    typed: str = ""
    message: str = ""
    zero_asked: bool = False
    stopping: bool = False


def open_desk(path: Path, planned: Sequence[Planned], card: AttemptCard) -> Desk:
    """Open journal and links for a recording and keep the first card.

    Raises
    ------
    InputError, DeviceError
        As `forcekit.acquire.capture.Capture`.
    """
    n_connected: Counter[int] = Counter()
    heard: Counter[int] = Counter()
    meter = Meter()

    def counted(plan: Planned, number: int, sink: Sink) -> Connection:
        def tap(item: Arrival | LinkEvent) -> None:
            if isinstance(item, Arrival):
                heard[item.device] += 1
            elif item.what == "connected":
                n_connected[item.device] += 1
            sink(item)

        return connect(plan, number, tap)

    capture = Capture(path, planned, connector=counted, on_batch=meter.take)
    desk = Desk(capture, tuple(planned), meter, n_connected, heard)
    if card != AttemptCard():
        _keep(desk, (card,))
        desk.earlier.clear()
    capture.start()
    return desk


def look(desk: Desk) -> Now:
    """What is to be shown now."""
    now_s = host_now()
    devices = []
    for i, link in enumerate(desk.capture.states()):
        site = link.device.site if link.device else None
        gravity = local_gravity(site.latitude_deg, site.height_m) if site else local_gravity(None)
        sight = desk.meter.sight(i, link.device, link.rate_hz, now_s)
        devices.append(DeviceNow(link, sight, max(desk.n_connected[i] - 1, 0), gravity))
    path = desk.capture.path
    size = path.stat().st_size if path.exists() else 0
    typing = None if desk.question is None else f"{desk.question}{desk.typed}_   (Enter keeps it, Esc does not)"
    elapsed = now_s - desk.capture.started_s
    return Now(path.name, elapsed, size, tuple(devices), desk.cards, typing, desk.message)


def watch(desk: Desk, typed: Typed, stop: threading.Event, *, seconds: float | None, turn_s: float) -> Iterator[Now]:
    """Give what is to be shown, turn after turn, until a key, a signal, the time or the disk ends the recording.

    Parameters
    ----------
    desk : Desk
    typed : callable
        From `forcekit.cli_keys.keystrokes`.
    stop : Event
        Set by a signal.
    seconds : float, optional
        Length from the first sample.
    turn_s : float, second
        Longest time between two looks.
    """
    first_s: float | None = None
    while not (desk.stopping or stop.is_set() or desk.capture.failure):
        yield look(desk)
        for key in typed(turn_s):
            press(desk, key)
        if seconds is None:
            continue
        now = host_now()
        if first_s is None and any(s.n_samples for s in desk.capture.states()):
            first_s = now
        start = desk.capture.started_s + FIRST_SAMPLE_S if first_s is None else first_s
        if now - start >= seconds:
            return


def press(desk: Desk, key: str) -> None:
    """Do what a key asks for."""
    if desk.question is not None:
        _type(desk, key)
        return
    asked_before, desk.zero_asked = desk.zero_asked, False
    if key in OUTCOMES:
        _keep(desk, with_outcome(desk.cards, OUTCOMES[key]))
        desk.message = f"kept: {OUTCOMES[key]}"
    elif key == "l":
        desk.question, desk.typed = "load in kg: ", ""
    elif key == "t":
        desk.question, desk.typed = "note: ", ""
    elif key == "u":
        _undo(desk)
    elif key == "z":
        _zero(desk, asked_before)
    elif key == "i":
        _send(desk, CommandCode.IDENTIFY, "asked to show itself")
    elif key == "q":
        desk.stopping = True
    elif key.isprintable():
        desk.message = f'"{key}" is no key here'


def _keep(desk: Desk, cards: Cards) -> None:
    """Write what changed among the cards into the journal."""
    write_changes(desk.capture, desk.cards, cards)
    desk.earlier.append(desk.cards)
    desk.cards = cards


def _undo(desk: Desk) -> None:
    if not desk.earlier:
        desk.message = "there is nothing to undo"
        return
    before = desk.earlier.pop()
    _keep(desk, before)
    desk.earlier.pop()
    desk.message = "the last entry was taken back"


def _type(desk: Desk, key: str) -> None:
    if key in ENTER:
        question, text = desk.question, desk.typed.strip()
        desk.question, desk.typed = None, ""
        if not text:
            desk.message = "nothing was typed"
        elif question == "note: ":
            desk.capture.note(text)
            desk.message = "note kept"
        else:
            _load(desk, text)
    elif key == ESCAPE:
        desk.question, desk.typed, desk.message = None, "", "not kept"
    elif key in DELETE:
        desk.typed = desk.typed[:-1]
    elif key.isprintable():
        desk.typed += key


def _load(desk: Desk, text: str) -> None:
    try:
        load = float(text.lower().removesuffix("kg").strip().replace(",", "."))
        _keep(desk, with_load(desk.cards, load))
    except InputError as error:
        desk.message = f"not kept: {error}"
    except ValueError:
        desk.message = f'not kept: "{text}" is no number; press l and type one such as 82.5'
    else:
        desk.message = f"kept: {load:g} kg"


def _zero(desk: Desk, asked_before: bool) -> None:
    loaded = [d.sight.force_n for d in look(desk).devices if d.sight and (d.sight.force_n or 0.0) > ZERO_EMPTY_N]
    if loaded and not asked_before:
        desk.zero_asked = True
        desk.message = f"the plate bears {loaded[0]:.0f} N; step off, or press z again if it is empty"
        return
    _send(desk, CommandCode.ZERO, "asked to take its zero; one that keeps none goes on as before")


def _send(desk: Desk, code: CommandCode, what: str) -> None:
    """Send a command to every device that takes one; the journal keeps that it was sent."""
    able = [i for i, p in enumerate(desk.planned) if p.device is None or _frames(p)]
    sent = [desk.planned[i].address for i in able if desk.capture.send(i, code)]
    if sent:
        desk.capture.note(f"{code.name.lower()} command sent to {', '.join(sent)}")
        desk.message = f"{', '.join(sent)}: {what}"
    else:
        desk.message = "no device is connected that takes commands"


def _frames(planned: Planned) -> bool:
    return planned.device is not None and (planned.device.link is None or planned.device.link.format == "frames")
