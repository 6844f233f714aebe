"""What is due is measured, judged by the lifter's own history and kept there: in a thread of its own, in order."""

from __future__ import annotations

import queue
import threading
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial

import msgspec

from forcekit.analysis.findings import load_cue_book
from forcekit.analysis.live import Due, Measured, measured
from forcekit.analysis.pipeline import Settings
from forcekit.errors import ForcekitError
from forcekit.history.attempts import change_attempt
from forcekit.history.judge import Limits, judged_lift, limits_for
from forcekit.history.keep import filled_card
from forcekit.history.people import list_athletes
from forcekit.history.questions import usual_limits
from forcekit.history.store import Store
from forcekit.history.usual import UsualRange
from forcekit.live.keeping import Session, keep_lift
from forcekit.live.reps import SHOWN, Rep, numbers_of
from forcekit.model import AttemptCard
from forcekit.results import Lift

__all__ = ["Measuring"]

MESSAGES = 20
WHOLE = "the recording is one window"


class Measuring:
    """Makes reps of what is due.

    Parameters
    ----------
    name : str
        Of the session.
    clock : callable
        Seconds since 1970 (UTC).
    store : Store or None
    settings : Settings
    lock : RLock
        Guards the reps; whoever reads them holds it.
    changed : callable
        Called after every change of a rep.
    withdrawn : callable
        Called with a rep that turned out to be no lift.
    """

    def __init__(
        self,
        name: str,
        clock: Callable[[], float],
        store: Store | None,
        settings: Settings,
        lock: threading.RLock,
        changed: Callable[[], None],
        withdrawn: Callable[[Rep], None] = lambda rep: None,
    ) -> None:
        self._clock, self._store, self._settings = clock, store, settings
        self._session = Session(name, clock(), settings)
        self._lock, self._changed, self._withdrawn = lock, changed, withdrawn
        self.book = load_cue_book(settings.cue_book)
        self.reps: list[Rep] = []
        self.messages: deque[str] = deque(maxlen=MESSAGES)
        self.athletes: list[str] = []
        self._known: dict[tuple[object, ...], tuple[Limits, Mapping[str, UsualRange]]] = {}
        self._unkept: list[tuple[Rep, Measured]] = []
        self._tasks: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._work, name="measuring", daemon=True)
        self.look_up_athletes()

    def start(self) -> None:
        """Begin to work."""
        self._thread.start()

    def finish(self) -> None:
        """Do what is left and end."""
        self._tasks.put(self._keep_again)
        self._tasks.put(None)
        if self._thread.is_alive():
            self._thread.join()

    def say(self, message: str) -> None:
        """Keep a message for the page; what was said last is not said again."""
        with self._lock:
            if self.messages and self.messages[-1] == message:
                return
            self.messages.append(message)
        self._changed()

    def full_card(self, card: AttemptCard) -> AttemptCard:
        """Card with what the store knows of its lifter."""
        if self._store is None or card.athlete is None or card.athlete not in self.athletes:
            return card
        try:
            return filled_card(self._store, card.athlete, card, self._clock())
        except ForcekitError as error:
            self.say(str(error))
            return card

    def prepare(self, card: AttemptCard) -> None:
        """Look up what is usual before the lift comes, so that nothing has to be looked up when it is due."""
        self._tasks.put(partial(self._prepare, card))

    def measure(self, due: Due, card: AttemptCard) -> None:
        """Measure what is due, with the card that held when the lift began."""
        self._tasks.put(partial(self._measure, due, card))

    def rewrite(self, rep: Rep) -> None:
        """Write outcome and note of a rep into the history, once it is there."""
        self._tasks.put(partial(self._write, rep))

    # ------------------------------------------------------------------------------------------- inside

    def _work(self) -> None:
        while (task := self._tasks.get()) is not None:
            try:
                task()
            except Exception as error:  # one lift that cannot be measured must not end the session
                self.say(f"{error}")

    def _measure(self, due: Due, said: AttemptCard) -> None:
        card = self.full_card(said)
        made = measured(due, card, self._settings, self.book)
        with self._lock:
            rep = next((r for r in self.reps if r.window == due.window.number), None)
        if not isinstance(made, Measured):
            with self._lock:
                if rep is not None:
                    self.reps.remove(rep)
                    self._withdrawn(rep)
            self.say(f"at {due.window.lowest_s:.1f} s: {made.why}")
            return
        limits, usual = self._look_up(card)
        lift = judged_lift(made.lift, self.book, limits) if limits else made.lift
        with self._lock:
            if rep is None:
                number = self.reps[-1].number + 1 if self.reps else 1
                rep = Rep(number, due.window.number, lift, said, due.window.stage, usual)
                self.reps.append(rep)
            else:
                rep.change = _change(rep, lift) if due.window.stage == "settled" else None
                rep.lift, rep.stage = lift, due.window.stage
        self._changed()
        if due.window.stage == "settled" and due.window.why != WHOLE:
            self._keep(rep, made)
            if rep.attempt is not None:
                self._keep_again()

    def _prepare(self, card: AttemptCard) -> None:
        self._look_up(card)

    def _look_up(self, card: AttemptCard) -> tuple[Limits, Mapping[str, UsualRange]]:
        """Own limits and usual ranges of a lifter at a load; remembered until the next lift is kept."""
        if self._store is None or card.athlete is None or card.athlete not in self.athletes:
            return {}, {}
        key = (card.athlete, card.load_kg, card.movement)
        if key not in self._known:
            try:
                limits = limits_for(self._store, card.athlete, card)
                usual = usual_limits(self._store, card.athlete, SHOWN, load_kg=card.load_kg, movement=card.movement)
            except ForcekitError as error:
                self.say(str(error))
                return {}, {}
            self._known[key] = (limits, usual)
        return self._known[key]

    def _keep(self, rep: Rep, made: Measured) -> None:
        """Keep a settled lift; one that cannot be kept is tried again after the next that can, and at the end."""
        if self._store is None or rep.card.athlete is None:
            return
        if rep.card.athlete not in self.athletes:
            rep.kept = f"{rep.card.athlete} is not in the history; the lift is in the recording alone"
            return
        try:
            with self._lock:
                outcome = rep.outcome
            card = msgspec.structs.replace(rep.lift.card, outcome=outcome, note=rep.note)
            said = msgspec.structs.replace(rep.card, outcome=outcome, note=rep.note)
            lift = replace(rep.lift, card=card)
            stored = keep_lift(self._store, self._session, made.recording, lift, rep.number, said)
            rep.attempt, rep.kept = stored.attempt_id, f"attempt {stored.attempt_id}"
        except (ForcekitError, OSError) as error:
            rep.kept = f"not kept yet: {error}"
            self._unkept.append((rep, made))
        self._known.clear()
        self._look_up(rep.card)
        self._changed()

    def _keep_again(self) -> None:
        waiting, self._unkept = self._unkept, []
        for rep, made in waiting:
            self._keep(rep, made)

    def _write(self, rep: Rep) -> None:
        if self._store is not None and rep.attempt is not None:
            change_attempt(self._store, rep.attempt, outcome=rep.outcome or "", note=rep.note)
            self._known.clear()
        self._changed()

    def look_up_athletes(self) -> None:
        """Read the names of the athletes anew."""
        if self._store is not None:
            self.athletes = [a.name for a in list_athletes(self._store)]


def _change(rep: Rep, lift: Lift) -> str | None:
    """What the settled result says otherwise than the first look; None when nothing that is shown."""
    old, new = numbers_of(rep.lift, rep.usual), numbers_of(lift, rep.usual)
    said = [
        f"{b['label']} {a['text'] or 'not measured'} → {b['text'] or 'not measured'}"
        for a, b in zip(old, new, strict=True)
        if a["text"] != b["text"]
    ]
    before = rep.lift.findings[0].pattern if rep.lift.findings else None
    after = lift.findings[0].pattern if lift.findings else None
    if before != after:
        said.append(f"finding: {(before or 'none').replace('_', ' ')} → {(after or 'none').replace('_', ' ')}")
    return "; ".join(said) or None
