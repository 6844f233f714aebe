"""The analysis while a session runs: samples in, events out. No clock, no file, no thread of its own.

::

    plate ──> Windows ──> first look (plate alone) ──> Due ──> measured ──> Measured or Withdrawn
                     └──> settled (with the bar)   ──> Due ──>   "
    bar   ──────────────────^

What is due is measured by a call of its own, `measured`, so that whoever runs the analysis may do it elsewhere while
samples go on coming. Its numbers are those of the same window cut from a file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from forcekit.analysis.findings import CueEntry
from forcekit.analysis.pipeline import LEAST_BAR, Settings, measure_window
from forcekit.analysis.sensor_watch import SensorWatch
from forcekit.analysis.sight import Sight
from forcekit.analysis.tail import Tail
from forcekit.analysis.windows import LEARN, WHOLE_S, Window, Windows
from forcekit.constants import local_gravity
from forcekit.errors import InputError
from forcekit.mechanics.plate_force import vertical_force
from forcekit.model import AttemptCard, BoolArray, ClockThen, DeviceFile, FloatArray, Recording, Stream
from forcekit.results import Lift, PassedOver

__all__ = ["Changed", "Due", "Event", "LiveAnalysis", "Measured", "Passed", "Trouble", "Withdrawn", "measured"]

KEPT_S = WHOLE_S + 15.0
"""Time that is remembered: the longest window and the wait for a late bar (our choice)."""
BAR_PATIENCE_S = 5.0
"""So long a settled lift waits for samples of the bar (our choice)."""
SILENT_S = 1.0
"""A sensor that is this far behind the other one is in trouble (our choice)."""
PIECE = 1024
"""Samples taken in at a time, whatever the packets."""


@dataclass(frozen=True, slots=True)
class Changed:
    """The plate looks otherwise than before: empty, loading, moving, still, ready, dip."""

    sight: Sight


@dataclass(frozen=True, slots=True, eq=False)
class Due:
    """A window closed and waits to be measured; `recording` holds its samples and nothing else.

    `bar_clock` says how the bar's clock was laid on the plate's; None where the bar has no part in it or no own clock.
    """

    window: Window
    recording: Recording
    bar_clock: ClockThen | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """A lift was measured, at a first look or settled."""

    window: Window
    recording: Recording
    lift: Lift
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """What looked like a lift is none on a closer look, or cannot be measured."""

    window: Window
    why: str


@dataclass(frozen=True, slots=True)
class Passed:
    """Something that looked a little like a dip."""

    passed: PassedOver


@dataclass(frozen=True, slots=True)
class Trouble:
    """A sensor is in trouble, or out of it again (`over`)."""

    sensor: Literal["plate", "bar"]
    t_s: float
    words: str
    over: bool = False


Event = Changed | Due | Passed | Trouble


class LiveAnalysis:
    """Finds the lifts of a running session.

    Parameters
    ----------
    plate : DeviceFile
    bar : DeviceFile, optional
    settings : Settings, optional
    source : str
        Name of the session, for messages.

    Notes
    -----
    Memory is bounded by the longest window. Samples that come after later ones are left out, as they are in the file.
    A first look rests on the plate alone, which makes it independent of a late bar; the settled lift waits up to 5 s
    for the bar. The bar's time is mapped to the plate's when a window is cut, with the clocks as known then.
    """

    def __init__(
        self, plate: DeviceFile, bar: DeviceFile | None = None, settings: Settings | None = None, source: str = "live"
    ) -> None:
        self.settings = settings or Settings()
        gravity = local_gravity(plate.site.latitude_deg, plate.site.height_m)
        self._windows = Windows(gravity, self.settings.shortest_stance_s)
        self._devices = {"plate": plate, "bar": bar}
        self._source = source
        self._t = Tail(4 * LEARN)
        self._raw = Tail(4 * LEARN, len(plate.channels))
        self._learned = False
        self._first_s: float | None = None
        self._newest_s = -np.inf
        self._bar_t = Tail(4 * LEARN)
        self._bar_raw = Tail(4 * LEARN, len(bar.channels) if bar else 1)
        self._bar_learned = False
        self._bar_newest = -np.inf
        self._bar_clock: ClockThen | None = None
        self._waiting: list[Window] = []
        self._lifts: list[Window] = []
        self._watch = {"plate": SensorWatch(plate), "bar": SensorWatch(bar) if bar else None}
        self._silent: dict[str, bool] = {"plate": False, "bar": False}
        self._word = ""
        self.n_late = 0
        """Samples left out because later ones had come before."""

    @property
    def sight(self) -> Sight | None:
        """How the plate looks now."""
        return self._windows.sight

    @property
    def zeroed(self) -> tuple[float, float] | None:
        """Force of the empty plate (N) and when it was last seen (s); None before."""
        return self._windows.zeroed

    @property
    def n_remembered(self) -> int:
        """Samples of plate and bar that are held in memory."""
        return self._t.end - self._t.first + self._bar_t.end - self._bar_t.first

    def recent(self, seconds: float) -> Recording | None:
        """The newest samples of the plate; None before there are any."""
        plate = self._devices["plate"]
        n = self._t.end
        if plate is None or n < LEARN or self._windows.step_s is None:
            return None
        first = max(self._t.first, n - int(seconds / self._windows.step_s))
        return Recording(_stream(plate, self._t.part(first, n), self._raw.part(first, n), self._source))

    def set_bar_clock(self, offset_s: float, rate: float, run: int = 0) -> None:
        """Say how the bar's own seconds map to the plate's from now on: t = offset_s + rate · own, in this run."""
        self._bar_clock = ClockThen(0.0, run, float(offset_s), float(rate))

    def set_bar(self, bar: DeviceFile) -> None:
        """Say what the sensor on the bar is, when that becomes known after the plate."""
        self._devices["bar"], self._watch["bar"] = bar, SensorWatch(bar)
        self.forget_bar()

    def forget_bar(self) -> None:
        """Begin anew with the bar: its clock restarted."""
        bar = self._devices["bar"]
        self._bar_t, self._bar_raw = Tail(4 * LEARN), Tail(4 * LEARN, len(bar.channels) if bar else 1)
        self._bar_learned, self._bar_newest = False, -np.inf

    def push_plate(self, t_s: FloatArray, raw: FloatArray) -> list[Event]:
        """Take in samples of the plate.

        Parameters
        ----------
        t_s : array, shape (m,), second
            From the recording's start.
        raw : array, shape (m, k)
            One column a channel, in the order of the device file.
        """
        fresh = _later(t_s, self._newest_s)
        self.n_late += int(t_s.size - np.count_nonzero(fresh))
        t_s, raw = t_s[fresh], raw[fresh]
        out: list[Event] = []
        for a in range(0, t_s.size, PIECE):
            out += self._piece(t_s[a : a + PIECE], raw[a : a + PIECE])
        return out

    def push_bar(self, own_s: FloatArray, raw: FloatArray) -> list[Event]:
        """Take in samples of the bar, with times on its own clock; see `set_bar_clock`."""
        bar = self._devices["bar"]
        if bar is None:
            return []
        fresh = _later(own_s, self._bar_newest)
        self.n_late += int(own_s.size - np.count_nonzero(fresh))
        own_s, raw = own_s[fresh], raw[fresh]
        if own_s.size == 0:
            return []
        self._bar_t.add(own_s)
        self._bar_raw.add(raw)
        self._bar_newest = float(own_s[-1])
        if not self._bar_learned and self._bar_t.end > LEARN:
            first = self._bar_t.part(0, LEARN + 1)
            step_s = float(np.median(np.diff(first)))
            self._bar_t.least = self._bar_raw.least = _rows(max(step_s, 1e-4))
            self._bar_learned = True
        watch = self._watch["bar"]
        assert watch is not None
        out: list[Event] = [Trouble("bar", self._bar_now(), w, over) for w, over in watch.add(own_s, raw)]
        return out + self._heard() + self._release()

    def finish(self) -> list[Event]:
        """Close everything: the stream has ended. A session that is one window in a file is measured as one again."""
        out: list[Event] = []
        for made in self._windows.finish():
            out += self._window_out(made)
        for window in self._waiting:
            out.append(self._due(window))
        self._waiting = []
        n = self._t.end
        if n and self._t.first == 0 and self._first_s is not None and self._newest_s - self._first_s <= WHOLE_S:
            whole = [replace(w, first=0, last=n, why="the recording is one window") for w in self._lifts]
            out += [self._due(w) for w in whole]
        return out

    # ------------------------------------------------------------------------------------------------ inside

    def _piece(self, t_s: FloatArray, raw: FloatArray) -> list[Event]:
        plate = self._devices["plate"]
        assert plate is not None
        if self._first_s is None:
            self._first_s = float(t_s[0])
        force = vertical_force(_stream(plate, t_s, raw, self._source))
        self._t.add(t_s)
        self._raw.add(raw)
        self._newest_s = float(t_s[-1])
        made = self._windows.push(t_s, force)
        if not self._learned and self._windows.step_s is not None:
            self._t.least = self._raw.least = _rows(self._windows.step_s)
            self._learned = True
        watch = self._watch["plate"]
        assert watch is not None
        out: list[Event] = [Trouble("plate", self._newest_s, w, over) for w, over in watch.add(t_s, raw)]
        out += self._heard()
        sight = self._windows.sight
        if sight is not None and sight.state != self._word:
            self._word = sight.state
            out.append(Changed(sight))
        for item in made:
            out += self._window_out(item)
        return out + self._release()

    def _window_out(self, item: Window | PassedOver) -> list[Event]:
        if isinstance(item, PassedOver):
            return [Passed(item)]
        if item.stage == "first look":
            return [self._due(item)]
        if self._newest_s - (self._first_s or 0.0) <= WHOLE_S:
            self._lifts.append(item)
        self._waiting.append(item)
        return []

    def _release(self) -> list[Event]:
        """Give the settled windows for which the bar has come, or has not come for too long."""
        out: list[Event] = []
        while self._waiting:
            end_s = float(self._t.part(self._waiting[0].last - 1, self._waiting[0].last)[0])
            has_bar = self._devices["bar"] is not None and self._bar_t.end > 0
            if has_bar and self._bar_now() < end_s and self._newest_s < end_s + BAR_PATIENCE_S:
                break
            out.append(self._due(self._waiting.pop(0)))
        return out

    def _bar_now(self) -> float:
        """Newest sample of the bar on the plate's clock."""
        clock = self._bar_clock
        return self._bar_newest if clock is None else clock.offset_s + clock.rate * self._bar_newest

    def _due(self, window: Window) -> Due:
        """Cut a window out of what is remembered."""
        plate, bar = self._devices["plate"], self._devices["bar"]
        assert plate is not None
        t_s = self._t.part(window.first, window.last)
        stream = _stream(plate, t_s, self._raw.part(window.first, window.last), self._source)
        beside = then = None
        if bar is not None and window.stage == "settled":
            own = self._bar_t.part(self._bar_t.first, self._bar_t.end)
            clock = self._bar_clock
            on_plate = own if clock is None else clock.offset_s + clock.rate * own
            a, b = int(np.searchsorted(on_plate, t_s[0], "left")), int(np.searchsorted(on_plate, t_s[-1], "right"))
            first = self._bar_t.first
            beside = _stream(bar, on_plate[a:b], self._bar_raw.part(first + a, first + b), self._source)
            if b - a > LEAST_BAR and clock is not None:
                then = replace(clock, t_s=float(t_s[-1]))
        return Due(window, Recording(stream, beside), then)

    def _heard(self) -> list[Event]:
        """Compare the two sensors: one that is far behind is in trouble."""
        if self._devices["bar"] is None or self._bar_t.end == 0 or self._t.end == 0:
            return []
        behind = {"bar": self._newest_s - self._bar_now(), "plate": self._bar_now() - self._newest_s}
        out: list[Event] = []
        names: tuple[Literal["plate", "bar"], ...] = ("plate", "bar")
        for name in names:
            silent = behind[name] > SILENT_S
            if silent != self._silent[name]:
                self._silent[name] = silent
                thing = "sensor on the bar" if name == "bar" else name
                words = f"the {thing} has stopped sending"
                out.append(Trouble(name, max(self._newest_s, self._bar_now()), words, over=not silent))
        return out


def measured(due: Due, card: AttemptCard, settings: Settings, book: Mapping[str, CueEntry]) -> Measured | Withdrawn:
    """Measure what is due, by the same call as for a file.

    Parameters
    ----------
    card : AttemptCard
        Of this lift.
    book : mapping of str to CueEntry
    """
    try:
        lift, notes = measure_window(due.recording, due.window, card, settings, book)
    except InputError as error:
        return Withdrawn(due.window, str(error))
    if isinstance(lift, PassedOver):
        return Withdrawn(due.window, lift.why)
    return Measured(due.window, due.recording, lift, notes)


def _rows(step_s: float) -> int:
    return int(np.ceil(KEPT_S / step_s)) + 2 * PIECE


def _later(t_s: FloatArray, newest_s: float) -> BoolArray:
    """Mark what is later than all before it."""
    before = np.maximum.accumulate(np.concatenate(([newest_s], t_s[:-1])))
    return np.asarray(t_s > before)


def _stream(device: DeviceFile, t_s: FloatArray, raw: FloatArray, source: str) -> Stream:
    columns = {c.name: raw[:, i] for i, c in enumerate(device.channels)}
    return Stream(t_s, columns, device, source, "stamps", common_clock=True)
