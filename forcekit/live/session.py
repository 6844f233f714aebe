"""One session on the platform while it runs: recording, analysis, history and the coach's entries.

The recording goes to disk whatever the analysis or a page does: the links write the journal first, and a thread of its
own does the rest.
"""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from forcekit.acquire.arrival import Connection, Sink, host_now
from forcekit.acquire.capture import Capture, LinkState, Planned, connect
from forcekit.acquire.meter import Meter, vertical_force
from forcekit.acquire.samples import Batch
from forcekit.analysis.findings import load_cue_book
from forcekit.analysis.pipeline import Settings
from forcekit.errors import ForcekitError, InputError
from forcekit.history.people import list_athletes
from forcekit.history.store import Store
from forcekit.live.trace import Trace
from forcekit.model import AttemptCard, FloatArray, Stream

__all__ = ["LiveSession"]

TURN_S = 0.25
"""Longest time between two looks at the devices (our choice)."""


class LiveSession:
    """A session that records, measures every lift as it happens and remembers what the coach says of it.

    Parameters
    ----------
    planned : sequence of Planned
        Devices to record from: one plate, and a sensor on the bar if there is one.
    folder : Path
        Where the recording is written.
    store : Store, optional
        The history; lifts of an athlete in it are kept there.
    settings : Settings, optional
        Of the analysis.
    card : AttemptCard, optional
        Holds for the first lifts.
    connector : callable
        Makes a connection, see `forcekit.acquire.capture.Capture`.
    """

    def __init__(
        self,
        planned: Sequence[Planned],
        *,
        folder: Path,
        store: Store | None = None,
        settings: Settings | None = None,
        card: AttemptCard | None = None,
        connector: Callable[[Planned, int, Sink], Connection] = connect,
    ) -> None:
        self._inbox: queue.SimpleQueue[tuple[int, Batch] | None] = queue.SimpleQueue()
        self._meter = Meter()
        name = datetime.now().strftime("session-%Y-%m-%d-%H%M%S")
        self._capture = Capture(
            Path(folder) / name, planned, connector=connector, on_batch=lambda n, b: self._inbox.put((n, b))
        )
        self._store, self._settings = store, settings or Settings()
        self._book = load_cue_book(self._settings.cue_book)
        self._lock = threading.RLock()
        self._card = card or AttemptCard()
        self._undo: list[tuple[str, Callable[[], None]]] = []
        self._trace = Trace()
        self._callbacks: list[Callable[[str], None]] = []
        self._first_tick: float | None = None
        self._now_s = 0.0
        self._closed = False
        if self._card != AttemptCard():
            self._capture.card(self._card)
        self._thread = threading.Thread(target=self._work, name="live analysis", daemon=True)

    # ------------------------------------------------------------------------------------------ running

    def start(self) -> None:
        """Open all links; returns at once."""
        self._thread.start()
        self._capture.start()

    def close(self) -> Path | None:
        """End the session and make the finished recording; gives its path, None when no sample came."""
        if self._closed:
            return None
        self._closed = True
        self._capture.close()
        self._inbox.put(None)
        if self._thread.is_alive():
            self._thread.join()
        if not any(s.n_samples for s in self._capture.states()):
            return None
        return self._capture.finish()

    def subscribe(self, callback: Callable[[str], None]) -> Callable[[], None]:
        """Call back with "state" after every change; gives a function that ends it. The callback must not block."""
        with self._lock:
            self._callbacks.append(callback)

        def unsubscribe() -> None:
            with self._lock, contextlib.suppress(ValueError):
                self._callbacks.remove(callback)

        return unsubscribe

    def state(self) -> dict[str, Any]:
        """Everything a page shows but the curves, ready for JSON."""
        links = self._capture.states()
        with self._lock:
            return {
                "now_s": self._now_s,
                "devices": [_device_dict(s) for s in links],
                "ready": self._ready(links),
                "card": msgspec.to_builtins(self._card),
                "athletes": [a.name for a in list_athletes(self._store)] if self._store is not None else [],
                "cues": sorted({e.cue for e in self._book.values()}),
                "drills": sorted({e.drill for e in self._book.values()}),
                "can_undo": self._undo[-1][0] if self._undo else None,
                "reps": [],
                "trial": None,
                "recording": {
                    "file": self._capture.path.name,
                    "seconds": host_now() - self._capture.started_s,
                    "failure": self._capture.failure,
                },
            }

    def rep_detail(self, rep: int) -> dict[str, Any]:
        """Curves and instants of a rep, ready for JSON."""
        raise InputError(f"there is no rep {rep} in this session.")

    def trace(self, after: int) -> tuple[int, npt.NDArray[np.float32]]:
        """Rows (t_s, force_n, cop_x_of_foot, cop_y_m) of the running trace after a place, and the next place."""
        return self._trace.after(after)

    # --------------------------------------------------------------------------------- what the coach says

    def set_card(self, **fields: object) -> None:
        """Say athlete, movement, load_kg, drill or cue of the lifts to come; None takes a field away.

        Raises
        ------
        InputError
            If there is no such field or its value cannot be.
        """
        with self._lock:
            before = self._card
            self._card = _changed_card(before, fields)
            self._capture.card(self._card)
            self._undo.append((f"the card ({', '.join(fields)})", lambda: self._card_back(before)))
        self._tell()

    def mark(self, rep: int, outcome: str | None) -> None:
        """Say how a rep ended: made, missed forward, missed back, missed otherwise, not tried; None takes it away."""
        raise InputError(f"there is no rep {rep} in this session.")

    def note(self, rep: int, text: str) -> None:
        """Write a remark beside a rep."""
        raise InputError(f"there is no rep {rep} in this session.")

    def undo(self) -> str | None:
        """Take the last entry back and say what it was; None when there is none."""
        with self._lock:
            if not self._undo:
                return None
            what, back = self._undo.pop()
            back()
        self._tell()
        return what

    def start_trial(self, kind: str, words: str, measure: str | None = None) -> None:
        """Begin a trial of a cue or a drill with the lifts to come."""
        raise InputError("there is no rep in this session yet; a trial compares reps before with reps after.")

    def stop_trial(self) -> None:
        """End the trial."""

    def zero(self) -> str:
        """Take the zero of the empty plate for the display; gives a sentence."""
        raise InputError("the plate says nothing yet; wait for its first second.")

    def check(self, mass_kg: float) -> dict[str, Any]:
        """Check the plate with one known mass that stands on it; gives the result of the daily check."""
        raise InputError("the plate says nothing yet; wait for its first second.")

    # ------------------------------------------------------------------------------------------- inside

    def _card_back(self, before: AttemptCard) -> None:
        self._card = before
        self._capture.take_card_back()

    def _work(self) -> None:
        while True:
            try:
                item = self._inbox.get(timeout=TURN_S)
            except queue.Empty:
                self._tell()
                continue
            if item is None:
                return
            number, batch = item
            self._meter.take(number, batch)
            self._take(number, batch)
            self._tell()

    def _take(self, number: int, batch: Batch) -> None:
        device = self._capture.states()[number].device
        if device is None or device.kind != "plate":
            return
        if self._first_tick is None:
            self._first_tick = float(batch.tick[0])
        t_s = (batch.tick - self._first_tick) * 1e-6
        raw = {c.name: batch.raw[:, i] for i, c in enumerate(device.channels)}
        force = vertical_force(Stream(t_s, raw, device, "live", "stamps"))
        nothing: FloatArray = np.full(t_s.size, np.nan)
        self._trace.add(t_s, force, nothing, nothing)
        self._now_s = float(t_s[-1])

    def _ready(self, links: Sequence[LinkState]) -> dict[str, Any]:
        now_s = host_now()
        for i, link in enumerate(links):
            if link.device is not None and link.device.kind == "plate":
                sight = self._meter.sight(i, link.device, link.rate_hz, now_s)
                if sight is not None:
                    words = {"empty": "The plate is empty.", "moving": "Stand still.", "still": "Hold still.",
                             "ready": "Ready to lift."}  # fmt: skip
                    return {"state": sight.stillness, "words": words[sight.stillness], "weight_n": sight.force_n,
                            "still_s": 0.0}  # fmt: skip
        return {"state": "trouble", "words": "The plate says nothing.", "weight_n": None, "still_s": 0.0}

    def _tell(self) -> None:
        with self._lock:
            callbacks = list(self._callbacks)
        for callback in callbacks:
            callback("state")


def _changed_card(card: AttemptCard, fields: dict[str, object]) -> AttemptCard:
    allowed = ("athlete", "movement", "load_kg", "drill", "cue")
    wrong = [name for name in fields if name not in allowed]
    if wrong:
        raise InputError(f'the card has no "{wrong[0]}"; {", ".join(allowed)} can be said here.')
    try:
        made = msgspec.convert({**msgspec.to_builtins(card), **fields}, AttemptCard)
    except (msgspec.ValidationError, ForcekitError) as error:
        raise InputError(f"the card was not changed: {error}.") from None
    return made


def _device_dict(link: LinkState) -> dict[str, Any]:
    return {
        "name": link.device.name if link.device else link.source,
        "kind": link.device.kind if link.device else None,
        "state": link.state,
        "rate_hz": link.rate_hz,
        "lost": link.n_lost,
        "battery": link.status.battery_v if link.status else None,
        "problem": link.problem,
        "zeroed": None,
    }
