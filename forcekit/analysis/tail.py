"""The newest part of a stream that never ends: rows are asked for by their number since the start."""

from __future__ import annotations

import numpy as np

from forcekit.model import FloatArray

__all__ = ["Tail"]


class Tail:
    """Rows of numbers of which the oldest are forgotten; the memory it takes does not grow with the stream.

    Parameters
    ----------
    least : int
        So many of the newest rows are always there.
    width : int
        Numbers in a row; 0 for single numbers.
    """

    def __init__(self, least: int, width: int = 0) -> None:
        self.least = max(1, least)
        """So many of the newest rows are kept; may be changed at any time."""
        shape = (2 * self.least, width) if width else (2 * self.least,)
        self._rows: FloatArray = np.empty(shape)
        self._used = 0
        self.first = 0
        """Number of the oldest row that is still there."""

    @property
    def end(self) -> int:
        """Number that the next row will have."""
        return self.first + self._used

    def add(self, rows: FloatArray) -> None:
        """Add rows at the end."""
        n = rows.shape[0]
        if self._used + n > self._rows.shape[0]:
            keep = min(self._used, self.least)
            size = max(2 * self.least, keep + n)
            fresh = np.empty((size, *self._rows.shape[1:]))
            fresh[:keep] = self._rows[self._used - keep : self._used]
            self.first += self._used - keep
            self._rows, self._used = fresh, keep
        self._rows[self._used : self._used + n] = rows
        self._used += n

    def part(self, first: int, last: int) -> FloatArray:
        """Copy of the rows first..last-1; what is forgotten or not there yet is left out."""
        a, b = max(first, self.first) - self.first, min(last, self.end) - self.first
        return self._rows[max(a, 0) : max(b, 0)].copy()
