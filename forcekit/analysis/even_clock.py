"""An even clock under samples that come one after the other: short gaps are filled, long ones begin a new clock."""

from __future__ import annotations

import numpy as np

from forcekit.analysis.tail import Tail
from forcekit.model import FloatArray

__all__ = ["EvenClock"]


class EvenClock:
    """Lays the samples of one run (without a long gap) on an even clock, the same whatever packets they come in.

    Parameters
    ----------
    step_s : float, second
    start_s : float, second
        Stamp of the run's first sample.
    first : int
        Its number in the stream.
    n_force, n_places : int
        So many of the newest forces, and of their places in the stream, are remembered.

    Notes
    -----
    A sample goes to the nearest place that is after the one before it. Places left empty are filled linearly.
    """

    def __init__(self, step_s: float, start_s: float, first: int, n_force: int, n_places: int) -> None:
        self.step_s, self.start_s, self.first = step_s, start_s, first
        self.force = Tail(n_force)
        self._places = Tail(n_places)
        self._last = -1
        self._next = first

    def add(self, t_s: FloatArray, force_n: FloatArray) -> None:
        """Lay samples on the clock; arrays of shape (m,)."""
        count = np.arange(t_s.size)
        index = np.rint((t_s - self.start_s) / self.step_s)
        index = np.maximum.accumulate(np.maximum(index - count, self._last + 1)) + count
        grid = np.arange(self._last + 1, int(index[-1]) + 1, dtype=np.float64)
        if grid.size == t_s.size:
            self.force.add(force_n)
            self._places.add((self._next + count).astype(np.float64))
        else:
            known = self.force.part(self.force.end - 1, self.force.end)
            at = np.concatenate(([float(self._last)], index)) if known.size else index
            self.force.add(np.interp(grid, at, np.concatenate([known, force_n])))
            self._places.add(self._next + np.searchsorted(index, grid).astype(np.float64))
        self._last = int(index[-1])
        self._next += t_s.size

    def time(self, place: int) -> float:
        """Time of a place of the clock in seconds, on the stream's clock."""
        return self.start_s + place * self.step_s

    def sample(self, place: int) -> int:
        """Number of the stream's sample at or after a place of the clock."""
        if place >= self._places.end:
            return self._next
        return int(self._places.part(max(place, self._places.first), max(place, self._places.first) + 1)[0])
