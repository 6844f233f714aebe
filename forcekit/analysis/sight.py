"""What the plate shows at the end of each block: noise, the empty plate, standing still, and a word for it."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Literal

from forcekit.analysis.follow import SAME_EMPTY_N, EmptyPlate, Ended, Quiet
from forcekit.mechanics.plate import channel_noise
from forcekit.model import FloatArray

__all__ = ["NOISE_EVERY", "PlateWatch", "Sight"]

LIFTER_N = 300.0
"""A lifter weighs at least this much (our choice)."""
READY_S = 1.0
"""Standing still for this long is enough to be weighed (Owen et al. 2014: mean of 1 s before the onset)."""
SEEN_EMPTY_S = 0.2
"""The plate is called empty after this long (our choice)."""
NOISE_EVERY = 50
"""Blocks after which the noise is judged anew."""

Word = Literal["empty", "off", "loading", "moving", "still", "ready", "dip"]


@dataclass(frozen=True, slots=True)
class Sight:
    """What the plate shows at the end of a block: state, force (zero removed), how long it has been still."""

    t_s: float
    state: Word
    force_n: float
    still_s: float


class PlateWatch:
    """Watches the plate through one run of blocks.

    Parameters
    ----------
    block_s : float, second
    size : int
        Samples in a block.

    Attributes
    ----------
    noise_n : float
        Noise of a sample as it was last judged; 0 before.
    means : deque of float
        Means of the newest blocks, zero removed.
    empty : EmptyPlate
    quiet : Quiet
    """

    def __init__(self, block_s: float, size: int) -> None:
        self._size = size
        self.noise_n = self._slack_n = 0.0
        self.means: deque[float] = deque(maxlen=100)
        self.empty = EmptyPlate(block_s)
        self.quiet = Quiet(block_s)

    @property
    def zero_n(self) -> float:
        """Force of the empty plate; 0 before it was seen."""
        return self.empty.level_n or 0.0

    def judge_noise(self, force_n: FloatArray) -> None:
        """Take the noise from the samples of the last `NOISE_EVERY` blocks."""
        self.noise_n = float(channel_noise(force_n[:, None])[0])
        self._slack_n = 3.0 * self.noise_n / math.sqrt(self._size)

    def add(self, mean_n: float, n_blocks: int) -> Ended | None:
        """Take in the mean of the block that is the `n_blocks`-th; gives the still stretch that ended with it."""
        self.empty.add(mean_n, n_blocks)
        self.means.append(mean_n - self.zero_n)
        return self.quiet.add(self.means[-1], self._slack_n)

    def sight(self, t_s: float, dipping: bool) -> Sight:
        """Say how the plate looks at the end of the newest block; `dipping`: a dip may be under way."""
        net, still_s = self.means[-1], self.quiet.still_s
        state: Word = "moving"
        if self.empty.empty_s >= SEEN_EMPTY_S and abs(net) < 2.0 * SAME_EMPTY_N:
            state = "empty"
        elif still_s < READY_S and dipping:
            state = "dip"
        elif net < LIFTER_N:  # nothing on it for less than SEEN_EMPTY_S may be a flight
            state = "off" if abs(net) < 2.0 * SAME_EMPTY_N else "loading"
        elif still_s > 0.0:
            state = "ready" if still_s >= READY_S else "still"
        return Sight(t_s, state, net, still_s if state in ("still", "ready") else 0.0)
