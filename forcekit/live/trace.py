"""The running trace: force and pressure as they come, thinned for drawing without losing a peak."""

from __future__ import annotations

import threading

import numpy as np
import numpy.typing as npt

from forcekit.model import FloatArray

__all__ = ["POINTS_PER_S", "Trace"]

POINTS_PER_S = 250.0
"""At most so many points a second; more than a screen can show (our choice)."""
KEPT_S = 60.0
"""Time the trace goes back (our choice)."""


class Trace:
    """Keeps the lowest and the highest force of each bin of equal length, in the order they came.

    Rows are time (s), force (N), pressure along the foot (fraction of its length) and across (m); the latter two are
    NaN where they are not known.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._rows: list[npt.NDArray[np.float32]] = []
        self._n_rows = 0
        self._first = 0
        self._open: FloatArray = np.zeros((0, 4))
        self._bin_s = 2.0 / POINTS_PER_S

    def add(self, t_s: FloatArray, force_n: FloatArray, x_of_foot: FloatArray, y_m: FloatArray) -> None:
        """Take in samples in their order of time; all arrays have shape (m,)."""
        fresh = np.column_stack([t_s, force_n, x_of_foot, y_m])
        with self._lock:
            rows = np.concatenate([self._open, fresh]) if self._open.size else fresh
            number = np.floor(rows[:, 0] / self._bin_s)
            done = number < number[-1]
            self._open = rows[~done]
            if done.any():
                self._keep(_extremes(rows[done], number[done]))

    def after(self, place: int) -> tuple[int, npt.NDArray[np.float32]]:
        """Rows after a place, shape (m, 4), and the place to ask from next; 0 gives all there is."""
        with self._lock:
            start = max(place, self._first)
            end = self._first + self._n_rows
            if start >= end:
                return end, np.zeros((0, 4), np.float32)
            every = np.concatenate(self._rows)
            self._rows = [every]
            return end, every[start - self._first :].copy()

    def _keep(self, rows: FloatArray) -> None:
        self._rows.append(rows.astype(np.float32))
        self._n_rows += rows.shape[0]
        most = int(KEPT_S * POINTS_PER_S)
        if self._n_rows > 2 * most:
            every = np.concatenate(self._rows)
            self._first += self._n_rows - most
            self._rows, self._n_rows = [every[-most:].copy()], most


def _extremes(rows: FloatArray, number: FloatArray) -> FloatArray:
    """Row of the lowest and of the highest force of each bin, in the order of time."""
    starts = np.flatnonzero(np.diff(number, prepend=number[0] - 1.0))
    chosen: list[int] = []
    for a, b in zip(starts, [*starts[1:], rows.shape[0]], strict=True):
        force = rows[a:b, 1]
        chosen += sorted({int(a) + int(np.argmin(force)), int(a) + int(np.argmax(force))})
    return np.asarray(rows[chosen])
