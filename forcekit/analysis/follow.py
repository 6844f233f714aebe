"""The coarse watch over a stream, block by block: standing still, and what may become a dip and drive after it.

It is generous: what it lets through is judged by `segment.find_lifts` and by nobody else. What it does not let through
is never looked at, so its limits lie well below those of the search.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from forcekit.analysis.segment import LONGEST_LIFT_S, LONGEST_WAIT_S, UNLOADED_FRAC, UNLOADED_LASTS_S
from forcekit.mechanics.stance import SHORTEST_LOADED_N, STILL_SD_FRAC, STILL_WINDOW_S
from forcekit.mechanics.zero import STANDING_EMPTY_S

__all__ = ["SAME_EMPTY_N", "EmptyPlate", "Ended", "Follower", "Quiet"]

SAME_EMPTY_N = 25.0
"""An empty plate moves by less than this between two lifts; more is something that lies on it (our choice)."""

LOOSE = 1.5
"""The watch takes for still what varies this much more than the search allows (our choice)."""
DOWN_MPS = 0.15
UP_MPS = 0.50
"""A dip is followed from this downward speed on; a drive is this much faster upward than the fastest downward (the
search: 0.25 and 0.65 m/s in all)."""
GUARD_S = 0.16
"""Left out at the end of a still stretch; the movement has begun there already."""
LOOK_S, LAST_LOOK_S = 0.18, 0.52
"""After the fastest upward speed the search is asked at these times; it looks 0.15 and 0.30 s ahead."""
AIRBORNE_FRAC = 0.05
AIRBORNE_N = 30.0
AIRBORNE_LOOKS = 4
"""Blocks without load in which the search is asked whether this is take-off; 20 ms without load make one."""


class EmptyPlate:
    """Where the plate was last empty, and its level then.

    Attributes
    ----------
    level_n : float or None
        Force of the empty plate as it was last seen; None before.
    seen : (int, int) or None
        First and last+1 block of the last stretch of at least 0.9 s, a block left out at both ends.
    """

    def __init__(self, block_s: float) -> None:
        self._block_s = block_s
        self._mean, self._n = 0.0, 0
        self.level_n: float | None = None
        self.seen: tuple[int, int] | None = None

    @property
    def empty_s(self) -> float:
        """How long it has been empty; 0 when it is not."""
        return self._n * self._block_s

    def add(self, mean_n: float, n_blocks: int) -> None:
        """Take in the mean of the block that is the `n_blocks`-th."""
        if not (abs(mean_n) < SHORTEST_LOADED_N and (self.level_n is None or mean_n < self.level_n + SAME_EMPTY_N)):
            self._n, self._mean = 0, 0.0
            return
        if self._n and abs(mean_n - self._mean) >= SAME_EMPTY_N:
            self._n, self._mean = 0, 0.0
        self._mean += (mean_n - self._mean) / min(self._n + 1, 50)
        self._n += 1
        if self.empty_s >= STANDING_EMPTY_S + 2.0 * self._block_s:
            self.level_n = self._mean
            self.seen = (n_blocks - self._n + 1, n_blocks - 1)


@dataclass(frozen=True, slots=True)
class Ended:
    """A still stretch that has ended: its weight, its length in blocks, and the blocks left out at its end."""

    weight_n: float
    n_blocks: int
    n_guard: int


class Quiet:
    """Whether the force has been quiet for the last 0.4 s, judged at the end of each block."""

    def __init__(self, block_s: float) -> None:
        self._block_s = block_s
        self._window = max(4, round(STILL_WINDOW_S / block_s))
        self._recent: deque[float] = deque(maxlen=self._window)
        self._squares: deque[float] = deque(maxlen=self._window)
        self._stretch: deque[float] = deque(maxlen=max(8, round(3.0 / block_s)))
        self._n = 0

    @property
    def still_s(self) -> float:
        """How long it has been quiet; 0 when it is not."""
        return self._n * self._block_s

    def add(self, mean_n: float, slack_n: float) -> Ended | None:
        """Take in the mean of a block; gives the still stretch that ended with it."""
        self._recent.append(mean_n)
        self._squares.append(mean_n * mean_n)
        if len(self._recent) == self._window and self._is_quiet(slack_n):
            if self._n == 0:
                self._stretch.extend(self._recent)
                self._n = self._window
            else:
                self._stretch.append(mean_n)
                self._n += 1
            return None
        if self._n == 0:
            return None
        guard = min(max(1, round(GUARD_S / self._block_s)), len(self._stretch) // 2)
        weighed = list(self._stretch)[-guard - 50 : -guard]
        ended = Ended(math.fsum(weighed) / len(weighed), self._n, guard)
        self._n = 0
        self._stretch.clear()
        return ended

    def _is_quiet(self, slack_n: float) -> bool:
        # Some thousand newtons squared are rounded to 1e-9 N², far below what counts as still.
        middle = sum(self._recent) / self._window
        variance = sum(self._squares) / self._window - middle * middle
        limit = LOOSE * STILL_SD_FRAC * abs(middle) + slack_n
        return variance < limit * limit


class Follower:
    """Integrates the motion after a still stretch from the means of the blocks and says when it is worth a search.

    Attributes
    ----------
    age : int
        Blocks since the still stretch ended.
    dipped, driven : bool
        A dip, and a drive after it, may be under way.
    """

    def __init__(self, ended: Ended, means: Iterable[float], gravity_mps2: float, block_s: float) -> None:
        self._weight, self._gravity, self._block_s = ended.weight_n, gravity_mps2, block_s
        self.quiet_blocks = ended.n_blocks
        self.age = 0
        self._speed = self._slowest = self._fastest = 0.0
        self._n_light = self._since = 0
        self.dipped = self.driven = False
        # The block that ended the stillness is followed by the caller.
        for mean in list(means)[-ended.n_guard - 1 : -1]:
            self._move(mean)

    def _move(self, mean_n: float) -> None:
        self._speed += self._gravity * (mean_n / self._weight - 1.0) * self._block_s
        self._slowest = min(self._slowest, self._speed)

    def add(self, mean_n: float) -> Literal["go on", "airborne", "look", "over"]:
        """Go on by one block."""
        self.age += 1
        self._move(mean_n)
        self._n_light = self._n_light + 1 if mean_n < UNLOADED_FRAC * self._weight else 0
        self.dipped = self.dipped or self._slowest < -DOWN_MPS
        if not self.driven:
            return self._before_the_drive()
        if self._speed > self._fastest:
            self._fastest, self._since = self._speed, 0
        else:
            self._since += 1
        if self._since == round(LAST_LOOK_S / self._block_s):
            # The first part of a double dip may be too slow for a drive; the second comes from the same stance.
            self.driven, self._slowest = False, self._speed
            return "look"
        if self._since == round(LOOK_S / self._block_s):
            return "look"
        light = mean_n < max(AIRBORNE_FRAC * self._weight, AIRBORNE_N)
        return "airborne" if light and self._n_light <= AIRBORNE_LOOKS else "go on"

    def _before_the_drive(self) -> Literal["go on", "over"]:
        if self.dipped and self._speed - self._slowest > UP_MPS:
            self.driven, self._fastest = True, self._speed
            return "go on"
        too_late = not self.dipped and self.age * self._block_s > LONGEST_WAIT_S + 0.2
        upward = not self.dipped and self._speed > UP_MPS
        gone = self._n_light * self._block_s > UNLOADED_LASTS_S + 0.1
        if too_late or upward or gone or self.age * self._block_s > LONGEST_LIFT_S + 0.3:
            return "over"
        return "go on"
