"""From the packets of the devices to the running analysis: clocks, the trace, what is heard of each sensor.

The plate's time is its own clock from its first sample, as in the finished file. The bar's clock is laid on it by what
has arrived so far; the fit is made again every two seconds, and the recording keeps those that lifts were measured
with.
"""

from __future__ import annotations

import contextlib
import queue
import time
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from forcekit.acquire.host_clock import fit_clock, host_time
from forcekit.acquire.samples import Batch
from forcekit.analysis.live import Event, LiveAnalysis
from forcekit.analysis.pipeline import Settings
from forcekit.live.trace import Trace
from forcekit.mechanics.foot import foot_frame
from forcekit.mechanics.plate_force import resultant_as_it_comes, vertical_force
from forcekit.mechanics.plate_matrix import PRESSURE_FLOOR_N, pressure
from forcekit.mechanics.zero import STANDING_EMPTY_S
from forcekit.model import AttemptCard, DeviceFile, FloatArray, Stream

__all__ = ["Feed", "Item", "gathered", "joined"]

Item = tuple[int, Batch] | None
"""Number of a device and what it sent; None ends the session."""
GATHER_S = 0.012
"""Packets are gathered for so long before they are worked on: one look at many costs little more than at one."""

FIT_EVERY_S = 2.0
EARLY_S = 10.0
"""So much of the bar is kept for a plate that has not sent anything yet (our choice)."""
ARRIVALS_S = 1.0
"""Of each second the earliest arrival is kept for the fit of the clocks (our choice)."""
MOST_ARRIVALS = 3600
"""An hour of them (our choice)."""


@dataclass(slots=True)
class _Clock:
    """Earliest arrival of each second of one run of a device's clock: its own seconds, and the laptop's."""

    own: list[float] = field(default_factory=list)
    host: list[float] = field(default_factory=list)

    def add(self, own_s: float, host_s: float) -> None:
        if self.own and own_s - self.own[-1] < ARRIVALS_S and len(self.own) > 5:
            if host_s - own_s < self.host[-1] - self.own[-1]:
                self.own[-1], self.host[-1] = own_s, host_s
            return
        self.own.append(own_s)
        self.host.append(host_s)
        del self.own[:-MOST_ARRIVALS], self.host[:-MOST_ARRIVALS]


@dataclass(slots=True)
class _Device:
    """One device that feeds the analysis."""

    number: int
    device: DeviceFile
    tick_s: float
    epoch: int
    first_tick: float
    start_s: float = 0.0
    clock: _Clock = field(default_factory=_Clock)


class Feed:
    """Takes batches of all devices and gives the events of the analysis; called from one thread.

    Parameters
    ----------
    settings : Settings
    source : str
    trace : Trace
    """

    def __init__(self, settings: Settings, source: str, trace: Trace) -> None:
        self._settings, self._source, self._trace = settings, source, trace
        self._plate: _Device | None = None
        self._bar: _Device | None = None
        self._fitted_s = -np.inf
        self._early: list[tuple[FloatArray, FloatArray]] = []
        """What the bar sent before the plate sent anything; the file has it, too."""
        self._empty: FloatArray | None = None
        self._empty_s = -np.inf
        self.card = AttemptCard()
        """Whose foot the trace is drawn on."""
        self.analysis: LiveAnalysis | None = None
        self.now_s = 0.0

    @property
    def plate(self) -> int | None:
        """Number of the device that is the plate."""
        return None if self._plate is None else self._plate.number

    @property
    def bar(self) -> int | None:
        """Number of the device that is the sensor on the bar."""
        return None if self._bar is None else self._bar.number

    def host_s(self, t_s: float) -> float:
        """When the plate's sample of a time arrived, on the laptop's clock; there must have been one."""
        assert self._plate is not None
        own, host = self._plate.clock.own, self._plate.clock.host
        # Before a restart of the plate's clock no arrival is remembered.
        return float(np.interp(t_s, own, host)) + min(0.0, t_s - own[0])

    def take(self, number: int, device: DeviceFile, tick_s: float, batch: Batch) -> list[Event]:
        """Take in what a device sent.

        Parameters
        ----------
        number : int
            Of the device among those of the session; the first plate and the first bar count.
        tick_s : float, second
            Seconds per tick of its clock.
        """
        if device.kind == "plate":
            if self._plate is None:
                self._plate = _Device(number, device, tick_s, batch.epoch, float(batch.tick[0]))
                bar = None if self._bar is None else self._bar.device
                self.analysis = LiveAnalysis(device, bar, self._settings, self._source)
            if number != self._plate.number:
                return []
            events = self._of_plate(self._plate, batch)
            assert self.analysis is not None
            early, self._early = self._early, []
            for own_s, raw in early:
                events += self.analysis.push_bar(own_s, raw)
            return events
        if self._bar is None:
            self._bar = _Device(number, device, tick_s, batch.epoch, float(batch.tick[0]))
            if self.analysis is not None:
                self.analysis.set_bar(device)
        return self._of_bar(self._bar, batch) if number == self._bar.number else []

    def _of_plate(self, d: _Device, batch: Batch) -> list[Event]:
        assert self.analysis is not None
        if batch.epoch != d.epoch:
            # The clock restarted: the laptop's clock says how much later that is.
            late_s = batch.host_s - d.clock.host[-1] if d.clock.host else 0.0
            d.start_s, d.epoch, d.first_tick = self.now_s + max(late_s, 1e-3), batch.epoch, float(batch.tick[0])
            d.clock = _Clock()
        t_s = d.start_s + (batch.tick - d.first_tick) * d.tick_s * 1.0
        d.clock.add(float(t_s[-1]), batch.host_s)
        self._fit()
        self.now_s = float(t_s[-1])
        events = self.analysis.push_plate(t_s, batch.raw)
        self._draw(d.device, t_s, batch.raw)
        return events

    def _of_bar(self, d: _Device, batch: Batch) -> list[Event]:
        if batch.epoch != d.epoch:
            d.epoch, d.first_tick, d.clock = batch.epoch, float(batch.tick[0]), _Clock()
            self._fitted_s, self._early = -np.inf, []
            if self.analysis is not None:
                self.analysis.forget_bar()
        own_s = (batch.tick - d.first_tick) * d.tick_s
        d.clock.add(float(own_s[-1]), batch.host_s)
        if self.analysis is None:
            self._early = [e for e in self._early if e[0][-1] > own_s[-1] - EARLY_S] + [(own_s, batch.raw)]
            return []
        self._fit()
        return self.analysis.push_bar(own_s, batch.raw)

    def _fit(self) -> None:
        """Lay the bar's clock on the plate's by the arrivals so far."""
        plate, bar = self._plate, self._bar
        if plate is None or bar is None or self.analysis is None or not plate.clock.own or not bar.clock.own:
            return
        if abs(self.now_s - self._fitted_s) < FIT_EVERY_S:
            return
        self._fitted_s = self.now_s
        to_host_plate, to_host_bar = (
            fit_clock(plate.clock.own, plate.clock.host),
            fit_clock(bar.clock.own, bar.clock.host),
        )
        begin = float(plate.clock.own[0])
        zero_host, lead = float(host_time(to_host_plate, begin)), 1.0 + to_host_plate.drift
        rate = (1.0 + to_host_bar.drift) / lead
        offset_s = begin + (float(host_time(to_host_bar, 0.0)) - zero_host) / lead
        self.analysis.set_bar_clock(offset_s, rate, bar.epoch)

    def _draw(self, device: DeviceFile, t_s: FloatArray, raw: FloatArray) -> None:
        """Add force and pressure to the running trace, the empty plate taken off."""
        assert self.analysis is not None
        stream = Stream(t_s, {c.name: raw[:, i] for i, c in enumerate(device.channels)}, device, self._source, "stamps")
        force = vertical_force(stream)
        zeroed = self.analysis.zeroed
        nothing: FloatArray = np.full(t_s.size, np.nan)
        x_of_foot, y = nothing, nothing
        rows = resultant_as_it_comes(stream)
        if rows is not None:
            self._see_empty()
            foot = foot_frame(self.card, device)
            if foot.heel_m is not None and foot.length_m is not None:
                net = rows if self._empty is None else rows - self._empty
                x, y = pressure(net, PRESSURE_FLOOR_N)
                x_of_foot = (x - foot.heel_m) / foot.length_m
        self._trace.add(t_s, force - (zeroed[0] if zeroed is not None else 0.0), x_of_foot, y)

    def _see_empty(self) -> None:
        """Take force and moments of the empty plate from where the analysis saw it empty last, if that is news."""
        assert self.analysis is not None
        zeroed = self.analysis.zeroed
        if zeroed is None or zeroed[1] < self._empty_s + STANDING_EMPTY_S:
            return
        part = self.analysis.recent(self.now_s - zeroed[1] + 2.0 * STANDING_EMPTY_S)
        assert part is not None
        assert part.plate is not None
        rows = resultant_as_it_comes(part.plate)
        inside = (part.plate.t_s > zeroed[1] - STANDING_EMPTY_S) & (part.plate.t_s <= zeroed[1])
        if rows is not None and inside.any():
            self._empty, self._empty_s = rows[inside].mean(axis=0), zeroed[1]


def gathered(inbox: queue.SimpleQueue[Item], longest_s: float) -> list[Item]:
    """Wait at most `longest_s` for packets, and then for those that come right after."""
    try:
        items = [inbox.get(timeout=longest_s)]
    except queue.Empty:
        return []
    if items[0] is not None:
        time.sleep(GATHER_S)
    with contextlib.suppress(queue.Empty):
        while True:
            items.append(inbox.get_nowait())
    return items


def joined(items: Sequence[Item]) -> list[tuple[int, Batch]]:
    """Join the packets of each device that lie on one run of its clock."""
    out: list[tuple[int, Batch]] = []
    last: dict[int, int] = {}
    for item in items:
        if item is None:
            continue
        number, batch = item
        at = last.get(number)
        if at is not None and out[at][1].epoch == batch.epoch:
            old = out[at][1]
            tick, raw = np.concatenate([old.tick, batch.tick]), np.concatenate([old.raw, batch.raw])
            out[at] = (number, Batch(batch.epoch, tick, raw, batch.host_s))
            continue
        last[number] = len(out)
        out.append(item)
    return out
