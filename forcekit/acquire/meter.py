"""What a person wants to see while a device records: force on the plate, still or moving, samples at the limit."""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from forcekit.acquire.samples import Batch
from forcekit.mechanics.plate import channel_noise
from forcekit.mechanics.plate_force import vertical_force
from forcekit.mechanics.plate_matrix import calibrated
from forcekit.mechanics.stance import SHORTEST_LOADED_N, still_stretches
from forcekit.model import DeviceFile, FloatArray, Stream

__all__ = ["READY_S", "Meter", "Sight"]

READY_S = 1.0
"""Standing still for this long is enough to be weighed (Owen et al. 2014: mean of 1 s before the onset)."""

KEPT_S = 2.0
"""Time over which stillness is judged (our choice)."""

STALE_S = 1.0
"""Older than this a number is not shown any more (our choice)."""

BAR_STILL_MPS2 = 0.2
"""Spread of the acceleration of a bar at rest, as in `forcekit.mechanics.bar_stillness`."""

Stillness = Literal["empty", "moving", "still", "ready"]


@dataclass(frozen=True, slots=True)
class Sight:
    """How one device looks now.

    Attributes
    ----------
    force_n : float or None
        Force on the plate, mean of the last 0.1 s; None for a bar.
    accel_mps2 : float or None
        Size of the bar's force per mass, mean of the last 0.1 s; None for a plate.
    stillness : "empty", "moving", "still" or "ready"
        A plate with less than 150 N is empty; ready means still for `READY_S`.
    n_saturated : int
        Samples so far with a channel at its limit.
    """

    force_n: float | None
    accel_mps2: float | None
    stillness: Stillness
    n_saturated: int


@dataclass(slots=True)
class _Kept:
    batches: deque[Batch] = field(default_factory=deque)
    fresh: list[Batch] = field(default_factory=list)
    n_saturated: int = 0


class Meter:
    """Listener of a `forcekit.acquire.capture.Capture` (its `on_batch`): keeps the last two seconds of each device."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: dict[int, _Kept] = {}

    def take(self, number: int, batch: Batch) -> None:
        """Take in what a device sent; called from the links' threads."""
        with self._lock:
            kept = self._kept.setdefault(number, _Kept())
            if kept.batches and kept.batches[-1].epoch != batch.epoch:
                kept.batches.clear()
            kept.batches.append(batch)
            kept.fresh.append(batch)
            while kept.batches[0].host_s < batch.host_s - KEPT_S:
                kept.batches.popleft()

    def sight(self, number: int, device: DeviceFile | None, rate_hz: float, now_s: float) -> Sight | None:
        """How a device looks now; None when it said nothing within the last second.

        Parameters
        ----------
        number : int
        device : DeviceFile or None
        rate_hz : float
            Its rate as counted; stillness is judged with it.
        now_s : float, second
            Laptop's clock.
        """
        if device is None:
            return None
        with self._lock:
            kept = self._kept.get(number)
            if kept is None or not kept.batches:
                return None
            fresh, kept.fresh = kept.fresh, []
            kept.n_saturated += sum(_at_limit(b.raw, device) for b in fresh)
            n_saturated, newest_s = kept.n_saturated, kept.batches[-1].host_s
            raw = np.concatenate([b.raw for b in kept.batches])
        if now_s - newest_s > STALE_S or rate_hz <= 0.0:
            return None
        names = [c.name for c in device.channels]
        stream = Stream(np.arange(raw.shape[0]) / rate_hz, dict(zip(names, raw.T, strict=True)), device, "live", "rate")
        last = max(1, round(0.1 * rate_hz))
        if device.bar is not None:
            size, state = _bar(stream, rate_hz)
            return Sight(None, float(size[-last:].mean()), state, n_saturated)
        force = vertical_force(stream)
        return Sight(float(force[-last:].mean()), None, _plate_state(force, rate_hz), n_saturated)


def _plate_state(force_n: FloatArray, rate_hz: float) -> Stillness:
    recent = force_n[-max(1, round(0.1 * rate_hz)) :]
    if float(recent.mean()) < SHORTEST_LOADED_N:
        return "empty"
    if force_n.size < 8:
        return "moving"
    noise = float(channel_noise(force_n[:, None])[0])
    stretches = still_stretches(force_n, rate_hz, noise)
    if not stretches or stretches[-1][1] < force_n.size:
        return "moving"
    first, last = stretches[-1]
    return "ready" if last - first >= READY_S * rate_hz else "still"


def _bar(stream: Stream, rate_hz: float) -> tuple[FloatArray, Stillness]:
    assert stream.device.bar is not None
    accel = np.column_stack([calibrated(stream, name, "acceleration") for name in stream.device.bar.accel])
    size = np.linalg.norm(accel, axis=1)

    def spread(seconds: float) -> float:
        part = accel[-max(2, round(seconds * rate_hz)) :]
        return float(np.sqrt(part.var(axis=0).sum()))

    if spread(0.4) > BAR_STILL_MPS2:
        return size, "moving"
    long_enough = accel.shape[0] >= READY_S * rate_hz
    return size, "ready" if long_enough and spread(READY_S) <= BAR_STILL_MPS2 else "still"


def _at_limit(raw: FloatArray, device: DeviceFile) -> int:
    """Count the samples of a batch in which a channel stands at its declared limit."""
    flags = np.zeros(raw.shape[0], dtype=bool)
    for i, c in enumerate(device.channels):
        if c.highest is not None:
            flags |= raw[:, i] >= c.highest
        if c.lowest is not None:
            flags |= raw[:, i] <= c.lowest
    return int(np.count_nonzero(flags))
