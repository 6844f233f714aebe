r"""Which slice of a stream a lift is measured from, decided as the samples come and by nothing but the samples.

::

    force      ______                                   .-.  catch
    empty            |__walk out__|____stance____     /   \  |   |__still again__
                                                 \_/       |_|
               |<- window ---------------------------------->| first look: take-off is certain
               |<- window ----------------------------------------------->|    settled

Everything is decided at the ends of blocks of 20 ms, counted from the first sample. So the same samples give the same
windows whatever the packets they came in, live or from a file. A dip and drive is looked for in a coarse way first,
then with the very search of `segment.find_lifts` on the seconds around it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from forcekit.analysis.even_clock import EvenClock
from forcekit.analysis.follow import Follower
from forcekit.analysis.segment import SHORTEST_STANCE_S, Candidate, find_lifts, takeoff_threshold
from forcekit.analysis.sight import NOISE_EVERY, PlateWatch, Sight
from forcekit.analysis.tail import Tail
from forcekit.mechanics.stance import SHORTEST_LOADED_N
from forcekit.mechanics.timebase import usual_step
from forcekit.mechanics.zero import ZeroReport
from forcekit.model import FloatArray
from forcekit.results import PassedOver

__all__ = ["LEARN", "WHOLE_S", "Window", "Windows", "cut"]

WHOLE_S = 75.0
"""A recording up to this long is one window, and no window is longer (our choice)."""
BLOCK_S = 0.02
LEARN = 500
"""Samples from which the rate is learned before anything else (our choice)."""
GAP_S = 2.0
"""After more than this without samples everything begins anew (our choice)."""
EMPTY_S = 3.0
"""So much of the empty plate before the lifter stepped on belongs to a window (our choice)."""
BACK_S = 60.0
"""A window begins at most this long before the end of the stance (our choice)."""
BEFORE_S = 5.0
"""Where the plate was not seen empty a window begins this long before the weighing (our choice)."""
SETTLED_S = 1.0
"""After the lift, standing still or an empty plate of this length closes the window (our choice)."""
LATEST_S = 10.0
"""This long after the drive a window closes whatever happens (our choice)."""
SEARCH_S = 15.0
"""The search for a lift looks back this far at most (our choice)."""
TURN = 4096
"""Samples that are laid on the even clock at a time; so much more than is needed is remembered."""

STUMBLED = "the search stumbled over a movement"
"""How what was passed over because of a fault begins; it is no judgement of the movement."""


@dataclass(frozen=True, slots=True)
class Window:
    """Slice of the stream from which one lift is to be measured.

    Attributes
    ----------
    number : int
        Of the lift in this stream, from 1 on.
    stage : "first look" or "settled"
    first, last : int
        First and last+1 sample, counted as they came from the first sample of the stream.
    stance_s : (float, float), second
    lowest_s, end_s : float, second
        On the stream's clock, roughly: stance, lowest point, end of the drive.
    why : str
        What closed it.
    """

    number: int
    stage: Literal["first look", "settled"]
    first: int
    last: int
    stance_s: tuple[float, float]
    lowest_s: float
    end_s: float
    why: str


@dataclass(frozen=True, slots=True)
class _Open:
    """A lift that is not settled yet: block numbers of its instants, its window's beginning, what closes it."""

    number: int
    first: int
    stance_s: tuple[float, float]
    lowest_s: float
    end_s: float
    latest_s: float
    since: int


class Windows:
    """Cuts a stream of vertical force into the windows of its lifts, as the samples come.

    Parameters
    ----------
    gravity_mps2 : float
    shortest_stance_s : float, second
        As for `segment.find_lifts`.

    Notes
    -----
    A window begins with the last 3 s of the empty plate before the lifter stepped on, if that is within 60 s of the
    stance, else 5 s before the weighing; as long as the take-off comes within the first 75 s of the stream, at its
    first sample. The first look closes when take-off is certain or, where the feet stay, 0.18 s after the fastest
    upward speed. It is settled when the lifter stood still again for 1 s, the plate was empty for 1 s, the next lift
    came (then at the end of its stance), or 10 s passed.
    """

    def __init__(self, gravity_mps2: float, shortest_stance_s: float = SHORTEST_STANCE_S) -> None:
        self._gravity, self._shortest = gravity_mps2, shortest_stance_s
        self._learning: list[tuple[FloatArray, FloatArray]] = []
        self._n_learning = 0
        self.step_s: float | None = None
        """Time from one sample to the next, once it is learned."""
        self._n_given = 0
        self._t0_s = self._last_t_s = 0.0
        self._n_lifts = 0
        self.sight: Sight | None = None

    # ------------------------------------------------------------------------------------------ samples in

    @property
    def n_given(self) -> int:
        """Samples taken in so far."""
        return self._n_given

    @property
    def zeroed(self) -> tuple[float, float] | None:
        """Force of the empty plate (N) and when it was last seen (s on the stream's clock); None before."""
        if self.step_s is None or self._watch.empty.level_n is None or self._watch.empty.seen is None:
            return None
        return self._watch.empty.level_n, self._clock.start_s + self._watch.empty.seen[1] * self._block_s

    def push(self, t_s: FloatArray, force_n: FloatArray) -> list[Window | PassedOver]:
        """Take in samples and give the windows that closed with them.

        Parameters
        ----------
        t_s : array, shape (m,), second
            Later than all before.
        force_n : array, shape (m,), newton
            From `mechanics.plate_force.vertical_force`.
        """
        if self.step_s is None:
            self._learning.append((t_s, force_n))
            self._n_learning += t_s.size
            if self._n_learning <= LEARN:
                return []
            t_s, force_n = (np.concatenate(parts) for parts in zip(*self._learning, strict=True))
            self._learning = []
            self._start(usual_step(np.diff(t_s[: LEARN + 1])), float(t_s[0]))
        out: list[Window | PassedOver] = []
        for a in range(0, t_s.size, TURN):
            out += self._lay(t_s[a : a + TURN], force_n[a : a + TURN])
        return out

    def finish(self) -> list[Window | PassedOver]:
        """Close what is open: the stream has ended."""
        if self.step_s is None:
            return []
        return self._end_run("the recording ends")

    def _start(self, step_s: float, t_s: float) -> None:
        """Begin with a stream whose samples are `step_s` apart."""
        self.step_s = step_s
        self._size = max(1, round(BLOCK_S / step_s))
        self._block_s = self._size * step_s
        self._t0_s = t_s
        n = round(1.5 * BACK_S / step_s) + TURN
        self._times = Tail(n)
        self._begin_run(t_s)

    def _begin_run(self, t_s: float) -> None:
        """Begin a run of samples without a long gap; the even clock of it starts here."""
        assert self.step_s is not None
        n_force, n_places = round((SEARCH_S + 5.0) / self.step_s) + TURN, round(1.5 * BACK_S / self.step_s) + TURN
        self._clock = EvenClock(self.step_s, t_s, self._n_given, n_force, n_places)
        self._n_blocks = 0
        self._watch = PlateWatch(self._block_s, self._size)
        self._followers: list[Follower] = []
        self._open: _Open | None = None
        self._done = 0
        self._told_s: deque[float] = deque(maxlen=50)

    def _lay(self, t_s: FloatArray, force_n: FloatArray) -> list[Window | PassedOver]:
        """Lay samples on the even clock of the run, fill short gaps, and go through the blocks that are full."""
        before = self._last_t_s if self._n_given > self._clock.first else float(t_s[0])
        gaps = np.flatnonzero(np.diff(t_s, prepend=before) > GAP_S)
        out: list[Window | PassedOver] = []
        start = 0
        for gap in [*gaps.tolist(), t_s.size]:
            out += self._lay_run(t_s[start:gap], force_n[start:gap])
            if gap < t_s.size:
                out += self._end_run("samples are missing")
                self._begin_run(float(t_s[gap]))
            start = gap
        return out

    def _lay_run(self, t_s: FloatArray, force_n: FloatArray) -> list[Window | PassedOver]:
        if t_s.size == 0:
            return []
        self._clock.add(t_s, force_n)
        self._times.add(t_s)
        self._n_given += t_s.size
        self._last_t_s = float(t_s[-1])
        out: list[Window | PassedOver] = []
        first, last = self._n_blocks, (self._clock.force.end - 1) // self._size
        if last <= first:
            return []
        blocks = self._clock.force.part(first * self._size, last * self._size).reshape(-1, self._size)
        # Sample by sample of all blocks at once: the order of the sum does not depend on how many blocks came.
        total = np.zeros(last - first)
        for column in blocks.T:
            total += column
        for mean in (total / self._size).tolist():
            out += self._block(mean)
        now_s = self._clock.start_s + self._n_blocks * self._block_s
        self.sight = self._watch.sight(now_s, any(f.dipped for f in self._followers))
        return out

    # -------------------------------------------------------------------------------------------- one block

    def _block(self, mean: float) -> list[Window | PassedOver]:
        """Go on by one block: the empty plate, stillness, dips under way, the open lift."""
        self._n_blocks += 1
        if self._n_blocks % NOISE_EVERY == 0:
            end = self._n_blocks * self._size
            self._watch.judge_noise(self._clock.force.part(end - NOISE_EVERY * self._size, end))
        ended = self._watch.add(mean, self._n_blocks)
        net = self._watch.means[-1]
        if ended is not None and ended.weight_n > SHORTEST_LOADED_N:
            self._followers.append(Follower(ended, self._watch.means, self._gravity, self._block_s))
        out: list[Window | PassedOver] = []
        for follower in list(self._followers):
            if follower in self._followers:
                out += self._unharmed(follower, lambda f: self._follow(f, net))
        if self._open is not None:
            out += self._settle()
        return out

    def _unharmed(
        self, follower: Follower, step: Callable[[Follower], list[Window | PassedOver]]
    ) -> list[Window | PassedOver]:
        """Do a step with a movement; one that the search stumbles over is named and left, the stream goes on."""
        try:
            return step(follower)
        except Exception as error:
            if follower in self._followers:
                self._followers.remove(follower)
            at_s = self._clock.time((self._n_blocks - follower.age) * self._size)
            return [PassedOver(at_s, f"{STUMBLED} ({error})")]

    def _follow(self, follower: Follower, net: float) -> list[Window | PassedOver]:
        """Follow a movement after standing still; ask the search when it may be a dip and drive."""
        step = follower.add(net)
        if step == "go on":
            return []
        if step == "over":
            self._followers.remove(follower)
            return self._name(self._search(follower)[1]) if follower.dipped else []
        found, passed = self._search(follower)
        certain = found is not None and (step != "airborne" or found.takeoff is not None)
        if not certain:
            return []
        assert found is not None
        self._followers.clear()
        return self._name(passed) + self._first_look(found)

    def _search(self, follower: Follower) -> tuple[Candidate | None, list[PassedOver]]:
        """Search the seconds around a movement; places of the candidate are on the run's even clock."""
        assert self.step_s is not None
        end = self._n_blocks * self._size
        began = (self._n_blocks - follower.age - follower.quiet_blocks) * self._size
        first = max(began - round(1.0 / self.step_s), end - round(SEARCH_S / self.step_s), self._done, 0)
        force = self._clock.force.part(first, end) - self._watch.zero_n
        first = max(first, self._clock.force.first)
        noise_n = self._watch.noise_n
        threshold = takeoff_threshold(ZeroReport(), noise_n)
        found, passed, _ = find_lifts(
            force, 1.0 / self.step_s, noise_n, threshold, self._gravity, shortest_stance_s=self._shortest
        )
        named = [PassedOver(self._clock.time(first) + p.at_s, p.why) for p in passed]
        if not found:
            return None, named
        return found[-1].moved(first), [p for p in named if "drive is cut off" not in p.why]

    def _name(self, passed: list[PassedOver]) -> list[Window | PassedOver]:
        """Name what was passed over once, though several searches saw it."""
        new = [p for p in passed if all(abs(p.at_s - told) > 0.5 for told in self._told_s)]
        self._told_s.extend(p.at_s for p in new)
        return list(new)

    # ------------------------------------------------------------------------------------------- windows out

    def _first_look(self, c: Candidate) -> list[Window | PassedOver]:
        """Open a lift: close the one before, give the window of the first look."""
        out = self._close(self._clock.sample(c.still_last), "the next lift comes") if self._open else []
        last = self._clock.sample(self._n_blocks * self._size)
        now_s = self._time_of(last - 1)
        early = now_s - self._t0_s <= WHOLE_S
        first = 0 if early else self._beginning(c)
        end_s = self._clock.time(c.drive_end)
        self._n_lifts += 1
        self._done = max(c.drive_end, c.takeoff or 0)
        latest_s = min(end_s + LATEST_S, self._t0_s + WHOLE_S) if early else end_s + LATEST_S
        stood_s, still_s, lowest_s = (self._clock.time(i) for i in (c.still_first, c.still_last, c.lowest))
        self._open = _Open(self._n_lifts, first, (stood_s, still_s), lowest_s, end_s, latest_s, self._n_blocks)
        return [*out, self._window("first look", last, "take-off" if c.takeoff is not None else "the drive is over")]

    def _beginning(self, c: Candidate) -> int:
        """First sample of a window that does not begin with the stream."""
        assert self.step_s is not None
        longest = c.still_last - round(BACK_S / self.step_s)
        if self._watch.empty.seen is not None:
            a, b = self._watch.empty.seen[0] * self._size, self._watch.empty.seen[1] * self._size
            a = max(a, b - round(EMPTY_S / self.step_s))
            if a >= longest and b <= c.still_last:
                return self._clock.sample(a)
        weighed = max(c.still_first, c.still_last - round(2.0 * BEFORE_S / self.step_s))
        return max(self._clock.first, self._clock.sample(max(0, weighed - round(BEFORE_S / self.step_s))))

    def _settle(self) -> list[Window | PassedOver]:
        """Close the open lift when nothing more of it is to come."""
        o = self._open
        if o is None:
            return []
        last = self._clock.sample(self._n_blocks * self._size)
        lasting = (self._n_blocks - o.since) * self._block_s >= SETTLED_S
        if lasting and self._watch.quiet.still_s >= SETTLED_S and self._watch.means[-1] > SHORTEST_LOADED_N:
            return self._close(last, "the lifter stands still again")
        if lasting and self._watch.empty.empty_s >= SETTLED_S:
            return self._close(last, "the plate is empty")
        if self._clock.start_s + (self._n_blocks + 1) * self._block_s > o.latest_s:
            return self._close(last, "enough time has passed")
        return []

    def _close(self, last: int, why: str) -> list[Window | PassedOver]:
        made = self._window("settled", last, why)
        self._open = None
        return [made]

    def _window(self, stage: Literal["first look", "settled"], last: int, why: str) -> Window:
        o = self._open
        assert o is not None
        return Window(o.number, stage, o.first, last, o.stance_s, o.lowest_s, o.end_s, why)

    def _end_run(self, why: str) -> list[Window | PassedOver]:
        out: list[Window | PassedOver] = []
        for follower in list(self._followers):
            if self._open is None and follower.driven:
                out += self._unharmed(follower, self._last_look)
        self._followers = []
        return out + (self._close(self._n_given, why) if self._open else [])

    def _last_look(self, follower: Follower) -> list[Window | PassedOver]:
        found, passed = self._search(follower)
        return self._name(passed) + (self._first_look(found) if found is not None else [])

    def _time_of(self, sample: int) -> float:
        return float(self._times.part(sample, sample + 1)[0])


def cut(
    t_s: FloatArray, force_n: FloatArray, gravity_mps2: float, shortest_stance_s: float = SHORTEST_STANCE_S
) -> tuple[list[Window], list[PassedOver]]:
    """Settled windows of all lifts of a recording, and what was passed over.

    Parameters
    ----------
    t_s, force_n : array, shape (n,)
        Stamps and vertical force, see `Windows.push`.
    """
    windows = Windows(gravity_mps2, shortest_stance_s)
    out = windows.push(t_s, force_n) + windows.finish()
    settled = [w for w in out if isinstance(w, Window) and w.stage == "settled"]
    return settled, [p for p in out if isinstance(p, PassedOver)]
