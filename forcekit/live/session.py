"""One session on the platform while it runs: recording, analysis, history and the coach's entries.

::

    links (threads) ── journal on disk
          └──> inbox ──> feed (thread): clocks, windows, trace ──> due ──> measuring (thread): numbers, history

The recording goes to disk whatever the analysis or a page does: the links write the journal first.
"""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections.abc import Callable, Sequence
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from forcekit.acquire.arrival import Connection, Sink, host_now
from forcekit.acquire.capture import Capture, Planned, connect
from forcekit.acquire.samples import Batch
from forcekit.analysis.live import Changed, Due, Event, Passed, Trouble
from forcekit.analysis.pipeline import Settings, check_settings
from forcekit.analysis.windows import STUMBLED
from forcekit.errors import InputError
from forcekit.history.store import Store
from forcekit.live.feed import Feed, Item, gathered, joined
from forcekit.live.looks import device_state, ready_state
from forcekit.live.measuring import Measuring
from forcekit.live.platform_check import checked, zeroed_words
from forcekit.live.recorded_cards import RecordedCards
from forcekit.live.reps import Rep, rep_curves, rep_state
from forcekit.live.said import card_words, changed_card, checked_outcome
from forcekit.live.trace import Trace
from forcekit.live.trial import Trial, begin_trial, trial_state
from forcekit.model import AttemptCard, ClockThen, Outcome

__all__ = ["LiveSession"]

TURN_S = 0.25
"""Longest time between two signs of life to whoever listens (our choice)."""


class LiveSession:
    """A session that records, measures every lift as it happens and remembers what the coach says of it.

    Parameters
    ----------
    planned : sequence of Planned
        Devices to record from: one plate, and a sensor on the bar if there is one.
    folder : Path
        Where the recording is written.
    store : Store, optional
        The history; settled lifts of an athlete in it are kept there. It stays open; whoever opened it closes it after
        `close`.
    settings : Settings, optional
        Of the analysis.
    card : AttemptCard, optional
        Holds for the first lifts.
    connector : callable
        Makes a connection, see `forcekit.acquire.capture.Capture`.

    Notes
    -----
    All methods may be called from any thread.
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
        settings = settings or Settings()
        check_settings(settings)
        self._lock = threading.RLock()
        self._inbox: queue.SimpleQueue[Item] = queue.SimpleQueue()
        self._folder = Path(folder)
        name = datetime.now().strftime("session-%Y-%m-%d-%H%M%S")
        self._trace = Trace()
        self._feed = Feed(settings, name, self._trace)
        self._measuring = Measuring(name, time.time, store, settings, self._lock, self._tell, self._withdrawn)
        self._capture = Capture(
            self._folder / name, planned, connector=connector, on_batch=lambda n, b: self._inbox.put((n, b))
        )
        self._recorded = RecordedCards(self._capture)
        self._store = store
        self._card = card or AttemptCard()
        self._cards: list[tuple[float, AttemptCard]] = [(-np.inf, self._card)]
        self._feed.card = self._measuring.full_card(self._card)
        self._kept_clock: ClockThen | None = None
        self._undo: list[tuple[str, Callable[[], None]]] = []
        self._trial: Trial | None = None
        self._trial_told: tuple[tuple[object, ...], dict[str, Any]] | None = None
        self._troubles: dict[tuple[str, str], float] = {}
        self._callbacks: list[Callable[[str], None]] = []
        self._closed = False
        self._path: Path | None = None
        if self._card != AttemptCard():
            self._recorded.say(self._card)
        self._thread = threading.Thread(target=self._work, name="live analysis", daemon=True)

    # ------------------------------------------------------------------------------------------ running

    def start(self) -> None:
        """Open all links; returns at once."""
        self._measuring.start()
        self._measuring.prepare(self._card)
        self._thread.start()
        self._capture.start()

    def close(self) -> Path | None:
        """End the session and make the finished recording; gives its path, None when no sample came."""
        if self._closed:
            return self._path
        self._closed = True
        self._capture.stop()
        self._inbox.put(None)
        if self._thread.is_alive():
            self._thread.join()
        self._measuring.finish()
        self._capture.close()
        if any(s.n_samples for s in self._capture.states()):
            self._path = self._capture.finish()
        self._tell()
        return self._path

    def subscribe(self, callback: Callable[[str], None]) -> Callable[[], None]:
        """Call back with "state" after every change; gives a function that ends it. The callback must not block."""
        with self._lock:
            self._callbacks.append(callback)

        def unsubscribe() -> None:
            with self._lock, contextlib.suppress(ValueError):
                self._callbacks.remove(callback)

        return unsubscribe

    def state(self) -> dict[str, Any]:
        """Everything a page shows but the curves, ready for JSON; numbers in SI."""
        links = self._capture.states()
        with self._lock:
            return {
                "now_s": self._feed.now_s,
                "devices": [device_state(i, s, self._feed, self._troubles) for i, s in enumerate(links)],
                "ready": ready_state(links, self._feed),
                "card": msgspec.to_builtins(self._card),
                "athletes": self._measuring.athletes,
                "cues": sorted({e.cue for e in self._measuring.book.values()}),
                "drills": sorted({e.drill for e in self._measuring.book.values()}),
                "can_undo": self._undo[-1][0] if self._undo else None,
                "reps": [rep_state(r) for r in self._measuring.reps],
                "trial": self._trial_now(),
                "messages": list(self._measuring.messages),
                "recording": {
                    "file": self._capture.path.name,
                    "seconds": host_now() - self._capture.started_s,
                    "failure": self._capture.failure,
                },
            }

    def rep_detail(self, rep: int) -> dict[str, Any]:
        """Curves and instants of a rep for drawing, ready for JSON; an InputError if there is no such rep."""
        with self._lock:
            return rep_curves(self._rep(rep))

    def trace(self, after: int) -> tuple[int, npt.NDArray[np.float32]]:
        """Rows (t_s, force_n, cop_x_of_foot, cop_y_m) of the running trace after a place, and the next place."""
        return self._trace.after(after)

    def look_up_athletes(self) -> None:
        """Notice that the history knows another athlete."""
        self._measuring.look_up_athletes()

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
            made = changed_card(before, fields)
            if made == before:
                return
            self._say(made)
            self._undo.append((card_words(fields), lambda: self._say(before)))
        self._tell()

    def mark(self, rep: int, outcome: str | None) -> None:
        """Say how a rep ended: made, missed forward, missed back, missed otherwise, not tried; None takes it away."""
        with self._lock:
            found = self._rep(rep)
            before = found.outcome
            self._write_mark(found, checked_outcome(outcome))
            what = f"the mark of rep {rep} ({outcome or 'none'})"
            self._undo.append((what, lambda: self._write_mark(found, before)))
        self._tell()

    def note(self, rep: int, text: str) -> None:
        """Write a remark beside a rep."""
        with self._lock:
            found = self._rep(rep)
            before = found.note
            self._write_note(found, text.strip())
            self._undo.append((f"the note on rep {rep}", lambda: self._write_note(found, before)))
        self._tell()

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
        """Begin a trial of a cue or a drill with the lifts to come; three reps of the lifter must have come before.

        Raises
        ------
        InputError
            If that cannot be.
        """
        with self._lock:
            before, trial = self._card, self._trial
            reps = self._measuring.reps
            made = begin_trial(kind, words.strip(), measure, reps, before, self._measuring.book)
            self._trial = made
            self._say(msgspec.structs.replace(before, **{made.kind: made.words}))
            self._undo.append((f'the trial of "{made.words}"', lambda: self._trial_back(before, trial)))
        self._tell()

    def stop_trial(self) -> None:
        """End the trial: the lifts to come are without its cue or drill."""
        with self._lock:
            if self._trial is None:
                return
            trial, before = self._trial, self._card
            self._trial = None
            if getattr(before, trial.kind) == trial.words:
                self._say(msgspec.structs.replace(before, **{trial.kind: None}))
            self._undo.append((f'the end of the trial of "{trial.words}"', lambda: self._trial_back(before, trial)))
        self._tell()

    def zero(self) -> dict[str, Any]:
        """Look at the zero of the empty plate; gives its offset, and a sentence.

        Every lift is zeroed by the empty plate before it, so this changes no number; it shows that the zero was seen.

        Raises
        ------
        InputError
            If the plate is not empty.
        """
        with self._lock:
            return zeroed_words(self._feed.analysis)

    def check(self, mass_kg: float) -> dict[str, Any]:
        """Check the plate with one known mass that stands on it, the plate having been empty within the last minute.

        Raises
        ------
        InputError
            If the empty plate or the mass is not found.
        """
        with self._lock:
            part = None if self._feed.analysis is None else self._feed.analysis.recent(75.0)
        return checked(part, mass_kg, self._folder / "plate_checks.csv")

    # ------------------------------------------------------------------------------------------- inside

    def _rep(self, number: int) -> Rep:
        for rep in self._measuring.reps:
            if rep.number == number:
                return rep
        raise InputError(f"there is no rep {number} in this session.")

    def _trial_now(self) -> dict[str, Any] | None:
        """The trial with its answer, worked out anew only when a rep has changed."""
        if self._trial is None:
            return None
        reps = self._measuring.reps
        key = (self._trial, *((r.number, r.stage, r.attempt, r.outcome) for r in reps))
        if self._trial_told is None or self._trial_told[0] != key:
            self._trial_told = key, trial_state(self._trial, reps, self._store)
        return self._trial_told[1]

    def _say(self, card: AttemptCard) -> None:
        """Take a card for the lifts to come."""
        self._card = card
        self._recorded.say(card)
        self._cards.append((self._feed.now_s, card))
        self._feed.card = self._measuring.full_card(card)
        self._measuring.prepare(card)

    def _trial_back(self, card: AttemptCard, trial: Trial | None) -> None:
        self._trial = trial
        self._say(card)

    def _write_mark(self, rep: Rep, outcome: Outcome | None) -> None:
        """Write an outcome into the recording and the history."""
        self._recorded.mark(rep, outcome, self._feed.host_s(rep.lift.instants.drive_end_s))
        self._measuring.rewrite(rep)

    def _withdrawn(self, rep: Rep) -> None:
        """Take the outcome of a rep that is no lift out of the recording, where it would speak of the lift before."""
        if rep.outcome is not None:
            self._recorded.mark(rep, None, 0.0)

    def _write_note(self, rep: Rep, text: str) -> None:
        rep.note = text
        self._capture.note(f"rep {rep.number}: {text or 'note taken away'}")
        self._measuring.rewrite(rep)

    def _work(self) -> None:
        """Feed the analysis until the session ends; a fault in it must end neither the recording nor the analysis."""
        told_s = 0.0
        while True:
            items = gathered(self._inbox, TURN_S)
            for number, batch in joined(items):
                self._unharmed(partial(self._take, number, batch))
            if None in items:
                if self._feed.analysis is not None:
                    self._unharmed(self._feed.analysis.finish)
                return
            if host_now() - told_s > TURN_S:
                told_s = host_now()
                self._tell()

    def _take(self, number: int, batch: Batch) -> list[Event]:
        device = self._capture.states()[number].device
        if device is None:
            return []
        with self._lock:
            return self._feed.take(number, device, self._capture.tick_s(number), batch)

    def _unharmed(self, step: Callable[[], list[Event]]) -> None:
        """Do one step of the analysis and hear what it says; a fault in it is said."""
        try:
            self._hear(step())
        except Exception as error:
            self._measuring.say(f"the analysis stumbled ({error}); the recording goes on")

    def _hear(self, events: Sequence[Event]) -> None:
        """Hand on what is due; remember troubles; tell the listeners of a change."""
        changed = False
        for event in events:
            if isinstance(event, Due):
                if event.bar_clock is not None and event.bar_clock != self._kept_clock and self._feed.bar is not None:
                    self._capture.clock(self._feed.bar, event.bar_clock)
                    self._kept_clock = event.bar_clock
                self._measuring.measure(event, self._card_at(event.window.stance_s[1]))
            elif isinstance(event, Passed) and event.passed.why.startswith(STUMBLED):
                self._measuring.say(f"at {event.passed.at_s:.1f} s: {event.passed.why}; the recording goes on")
            elif isinstance(event, Trouble):
                with self._lock:
                    key = (event.sensor, event.words)
                    if event.over:
                        self._troubles.pop(key, None)
                    else:
                        self._troubles[key] = event.t_s
            changed = changed or isinstance(event, Changed | Trouble)
        if changed:
            self._tell()

    def _card_at(self, t_s: float) -> AttemptCard:
        with self._lock:
            return [card for at, card in self._cards if at <= t_s][-1]

    def _tell(self) -> None:
        with self._lock:
            callbacks = list(self._callbacks)
        for callback in callbacks:
            callback("state")
