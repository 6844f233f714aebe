"""Whether what a sensor sends can be true: a channel that stands still while others move, or stays at its limit."""

from __future__ import annotations

import numpy as np

from forcekit.mechanics.plate_force import vertical_force
from forcekit.mechanics.plate_matrix import calibrated
from forcekit.model import DeviceFile, FloatArray, Stream

__all__ = ["SensorWatch"]

LOOK_S = 1.0
"""Time over which a channel is judged (our choice)."""
MOVED_N = 20.0
"""Other load cells have moved when one varies by more than this; noise on an empty plate is less (our choice)."""
LOADED_N = 300.0
"""With more than this on it the force of a plate never stands still (our choice)."""
AGAIN = 2
"""Looks in a row that must agree before a trouble is told or called over (our choice)."""


class SensorWatch:
    """Looks at the channels of one sensor once a second of its own time.

    Parameters
    ----------
    device : DeviceFile
    """

    def __init__(self, device: DeviceFile) -> None:
        self._device = device
        self._low: FloatArray = np.full(len(device.channels), np.inf)
        self._high: FloatArray = np.full(len(device.channels), -np.inf)
        self._began_s: float | None = None
        self._n_seen: dict[str, int] = {}
        self._told: set[str] = set()

    def add(self, t_s: FloatArray, raw: FloatArray) -> list[tuple[str, bool]]:
        """Take in samples; gives what is wrong, or right again (True), in words."""
        if t_s.size == 0:
            return []
        if self._began_s is None or t_s[0] < self._began_s:  # a clock that restarted begins a second anew
            self._began_s = float(t_s[0])
        self._low, self._high = np.minimum(self._low, raw.min(axis=0)), np.maximum(self._high, raw.max(axis=0))
        if t_s[-1] - self._began_s < LOOK_S:
            return []
        wrong = self._wrong()
        self._began_s = None
        self._low, self._high = np.full(raw.shape[1], np.inf), np.full(raw.shape[1], -np.inf)
        return self._tell(wrong)

    def _wrong(self) -> list[str]:
        """What is wrong in this second."""
        said = []
        spread = self._high - self._low
        for i, channel in enumerate(self._device.channels):
            at_top = channel.highest is not None and self._low[i] >= channel.highest
            at_bottom = channel.lowest is not None and self._high[i] <= channel.lowest
            if at_top or at_bottom:
                said.append(f'channel "{channel.name}" stays at its limit')
        dead = spread == 0.0
        if dead.all():
            stuck = self._device.kind == "bar" or self._force(self._low) > LOADED_N
            return [*said, "all channels stand still"] if stuck else said
        return said + [f'channel "{name}" no longer changes' for name in self._dead_cells(spread)]

    def _stream(self, row: FloatArray) -> Stream:
        columns = {c.name: row[i : i + 1] for i, c in enumerate(self._device.channels)}
        return Stream(np.zeros(1), columns, self._device, self._device.name, "stamps")

    def _force(self, row: FloatArray) -> float:
        """Vertical force of one sample."""
        return float(vertical_force(self._stream(row))[0])

    def _dead_cells(self, spread: FloatArray) -> list[str]:
        """Load cells that stand still while the others of their plate move; other channels may well be constant."""
        place = {c.name: i for i, c in enumerate(self._device.channels)}
        high, low = self._stream(self._high), self._stream(self._low)
        out = []
        for plate in self._device.plates:
            own = [place[cell.channel] for cell in plate.cells]
            names = [cell.channel for cell in plate.cells]
            moved = [abs(float((calibrated(high, n, "force") - calibrated(low, n, "force"))[0])) for n in names]
            if moved and max(moved) > MOVED_N:
                out += [self._device.channels[i].name for i in own if spread[i] == 0.0]
        return out

    def _tell(self, wrong: list[str]) -> list[tuple[str, bool]]:
        out: list[tuple[str, bool]] = []
        for words in {*wrong, *self._n_seen}:
            there = words in wrong
            before = self._n_seen.get(words, 0)
            count = max(before, 0) + 1 if there else min(before, 0) - 1
            self._n_seen[words] = count
            if count >= AGAIN and words not in self._told:
                self._told.add(words)
                out.append((words, False))
            elif count <= -AGAIN:
                del self._n_seen[words]
                if words in self._told:
                    self._told.discard(words)
                    out.append((words, True))
        return sorted(out)
