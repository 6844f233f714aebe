"""Time stamps as written in a file to seconds that rise strictly from 0.

::

    stamps   0 1 2 2 4 5        equal stamps, other data     spread evenly   0 1 2 3 4 5
    stamps   0 1 2 2 3 4        the same row twice           one left out    0 1 2 3 4
    stamps   0 0 0 10 10 10 20  a coarse clock               evened out      0 3.3 6.7 10 ...
    stamps   0 1 2 9 10         a gap                        stays, noted
    stamps   0 1 2 0 1          a clock set back             refused
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from forcekit.acquire.device_check import HIGHEST_RATE_HZ, LOWEST_RATE_HZ
from forcekit.errors import InputError
from forcekit.model import BoolArray, FloatArray

__all__ = ["GAP_STEPS", "Clock", "even_clock", "make_clock"]

GAP_STEPS = 1.5
"""A step longer than this many usual steps is a gap; our choice, halfway to the first missing sample."""
RARE_FRAC = 0.1
"""Equal stamps rarer than this are single repeats, more frequent ones a coarse clock; our choice."""
VISIBLE_ROUNDING_FRAC = 0.02
"""Rounding of the stamps below this part of a step is left alone; our choice."""
STAMPS_AT_A_TIME = 4096
"""Stamps are looked at in pieces: mostly the first shows already that there is no such rounding (our choice)."""
FEWEST_ODD_STEPS = 10
"""So many steps must differ from the usual one before rounding is believed; our choice."""


@dataclass(frozen=True, slots=True, eq=False)
class Clock:
    """Times of the samples and which rows they belong to.

    Attributes
    ----------
    t_s : array, shape (n,), second
        Strictly increasing from 0.
    keep : array of bool, shape (n_rows,)
        False where a row was a repeat.
    notes : tuple of str
    """

    t_s: FloatArray
    keep: BoolArray
    notes: tuple[str, ...] = ()


def even_clock(n: int, rate_hz: float) -> Clock:
    """Give the times of n samples counted with the stated rate."""
    return Clock(np.arange(n) / rate_hz, np.ones(n, dtype=bool))


def make_clock(
    stamps: FloatArray,
    unit_s: float,
    columns: Sequence[FloatArray],
    where: str,
    line_of: Callable[[int], int],
) -> Clock:
    """Turn stamps into times.

    Parameters
    ----------
    stamps : array, shape (n,)
        As written in the file, finite.
    unit_s : float, second
        Length of the unit of the stamps.
    columns : sequence of array, shape (n,)
        The data, to tell a repeated row from a coarse clock.
    where : str
        File and column, for messages.
    line_of : function
        Line number in the file of a row index.

    Notes
    -----
    Rows with the stamp and the data of the row before are left out unless the data stand still there anyway.
    If the stamps that remain are rounded to a step that shows (2 % of the sampling step or more) and an even
    clock explains all of them within that rounding, the even clock is used. Otherwise samples that share a
    stamp are spread evenly up to the next stamp. Gaps (steps over 1.5 usual steps) stay and are noted.

    Raises
    ------
    InputError
        If the time stands still or runs backwards, or the rate lies outside 20 to 20000 Hz.
    """
    notes = []
    keep = np.ones(stamps.size, dtype=bool)
    steps = np.diff(stamps)
    rising = stamps.size < 2 or float(steps.min()) > 0.0
    if not rising:
        _refuse_backwards(stamps, where, line_of)
        keep = ~_repeats(stamps, columns)
        if not keep.all():
            n, first = int((~keep).sum()), line_of(int(np.argmin(keep)))
            notes.append(f"{n} repeated row{'s' * (n != 1)} left out, the first in line {first}.")
    if rising and unit_s == 1.0 and float(stamps[0]) == 0.0:
        t_s = stamps  # the usual file of an hour; nothing of its length is made anew
    else:
        t_s = (stamps if rising else stamps[keep]) - stamps[0]
        t_s *= unit_s
        steps = np.diff(t_s)
    step_s = _usual_step(steps)
    _refuse_rate(step_s, unit_s, where)
    even = _evened(t_s, steps, step_s)
    if even is not None:
        t_s, steps = even - even[0], np.diff(even)
        step_s = _usual_step(steps)
        notes.append(f"The time stamps are rounded; the samples were put on an even clock of {1.0 / step_s:.5g} Hz.")
    elif (steps <= 0.0).any():
        n = int((steps <= 0.0).sum())
        t_s = _spread(t_s, step_s)
        steps = np.diff(t_s)
        notes.append(f"{n} sample{'s' * (n != 1)} with the time stamp of the one before, spread evenly.")
    notes += _gap_notes(t_s, steps, step_s)
    return Clock(t_s, keep, tuple(notes))


def _refuse_backwards(stamps: FloatArray, where: str, line_of: Callable[[int], int]) -> None:
    steps = np.diff(stamps)
    if not (steps != 0.0).any():
        raise InputError(f"{where}: the time stands still at {stamps[0]:g}; name another time column, or give rate_hz.")
    if (steps < 0.0).any():
        i = int(np.argmax(steps < 0.0))
        raise InputError(
            f"{where}: the time runs backwards in line {line_of(i + 1)}, from {stamps[i]:g} to "
            f"{stamps[i + 1]:g} (two "
            "recordings in one file, or the clock was reset); cut the file there and read the parts "
            "one by one."
        )


def _repeats(stamps: FloatArray, columns: Sequence[FloatArray]) -> BoolArray:
    """Rows that repeat the row before, stamp and data."""
    same_stamp = np.diff(stamps) == 0.0
    out = np.zeros(stamps.size, dtype=bool)
    if not same_stamp.any() or not columns:
        return out
    same_data = np.logical_and.reduce([np.diff(values) == 0.0 for values in columns])
    elsewhere = float(same_data[~same_stamp].mean())
    within = float(same_data[same_stamp].mean())
    if same_stamp.mean() >= RARE_FRAC and (within < 0.9 or elsewhere > 0.5):
        return out  # a coarse clock: neighbours share a stamp because time is coarse
    # Where the signal stands still (a plate cut to zero in the air) equal rows prove nothing: they are kept.
    still_before = np.concatenate(([False], same_data[:-1] & ~same_stamp[:-1]))
    still_after = np.concatenate((same_data[1:] & ~same_stamp[1:], [False]))
    out[1:] = same_stamp & same_data & ~(still_before & still_after)
    return out


def _usual_step(steps: FloatArray) -> float:
    """Mean step between samples, gaps left out."""
    if not (steps > 0.0).any():
        return 0.0
    if float(steps.min()) > 0.75 * float(steps.max()):
        return float(steps.mean())  # nothing is odd; the median, which takes long, would say the same
    # The most frequent step is the true one unless rounding makes shorter steps too.
    median = float(np.median(steps))
    if median > 0.0 and float(steps.min()) > 0.75 * median:
        longest = GAP_STEPS * median
        return float(steps.mean() if float(steps.max()) < longest else steps[steps < longest].mean())
    coarse = float(steps[steps > 0.0].min())
    step = float(steps.mean())
    for _ in range(20):
        ordinary = steps[steps <= GAP_STEPS * step + coarse]
        if float(ordinary.mean()) == step:
            break
        step = float(ordinary.mean())
    return step


def _refuse_rate(step_s: float, unit_s: float, where: str) -> None:
    rate_hz = 1.0 / step_s if step_s > 0.0 else np.inf
    if LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        return
    units = {"s": 1.0, "ms": 1e-3, "us": 1e-6}
    better = [u for u, s in units.items() if s != unit_s and 50.0 <= rate_hz * unit_s / s <= HIGHEST_RATE_HZ]
    hint = f'write unit = "{better[0]}" in [time] if that is what it counts' if better else "name another time column"
    raise InputError(
        f"{where}: the time steps mean {rate_hz:.4g} samples per second, allowed are {LOWEST_RATE_HZ:g} to "
        f"{HIGHEST_RATE_HZ:g}; {hint}, or leave the column out and give rate_hz."
    )


def _resolution(t_s: FloatArray, steps: FloatArray, step_s: float) -> float:
    """Return the step to which the stamps are rounded: a power of ten or a coarse clock's tick, else 0."""
    for exponent in range(0, -8, -1):
        tick = 10.0**exponent
        if tick < VISIBLE_ROUNDING_FRAC * step_s:
            break
        pieces = (t_s[i : i + STAMPS_AT_A_TIME] / tick for i in range(0, t_s.size, STAMPS_AT_A_TIME))
        if all(float(np.abs(t - np.round(t)).max()) < 1e-3 for t in pieces):
            return tick
    return float(steps[steps > 0.0].min()) if (steps == 0.0).mean() >= RARE_FRAC else 0.0


def _evened(t_s: FloatArray, steps: FloatArray, step_s: float) -> FloatArray | None:
    """Even clock through rounded stamps, stretch by stretch; None if they are not rounded or it does not fit.

    Lost samples look like rounding only if they are lost at even distances: ten odd steps must lie on the
    line.
    """
    tick = _resolution(t_s, steps, step_s)
    if float(np.ptp(steps)) <= 0.5 * tick or tick == 0.0:  # no step is odd
        return None
    is_gap = steps > GAP_STEPS * step_s + tick
    ordinary = steps[~is_gap]
    n_odd = int((np.abs(ordinary - np.median(ordinary)) > 0.5 * tick).sum())
    if n_odd < FEWEST_ODD_STEPS:
        return None
    out = np.empty_like(t_s)
    for part in np.split(np.arange(t_s.size), np.flatnonzero(is_gap) + 1):
        k = np.arange(part.size) - (part.size - 1) / 2.0
        line = k * (float(k @ t_s[part] / (k @ k)) if part.size >= 50 else float(ordinary.mean()))
        residual = t_s[part] - line
        if float(np.ptp(residual)) > 1.3 * tick:
            return None
        out[part] = line + 0.5 * float(residual.min() + residual.max())
    return out if (np.diff(out) > 0.0).all() else None


def _spread(t_s: FloatArray, step_s: float) -> FloatArray:
    """Spread samples that share a stamp evenly up to the next stamp, at most over their usual length."""
    starts = np.flatnonzero(np.concatenate(([True], np.diff(t_s) > 0.0)))
    counts = np.diff(np.concatenate((starts, [t_s.size])))
    stamps = t_s[starts]
    room = np.concatenate((np.diff(stamps), [step_s * counts[-1]]))
    room = np.minimum(room, step_s * GAP_STEPS * counts)
    group = np.repeat(np.arange(starts.size), counts)
    within = np.arange(t_s.size) - starts[group]
    return np.asarray(stamps[group] + within * (room / counts)[group])


def _gap_notes(t_s: FloatArray, steps: FloatArray, step_s: float) -> list[str]:
    gaps = np.flatnonzero(steps > GAP_STEPS * step_s)
    # Stamps that scatter by half a step everywhere are jitter, not gaps.
    if gaps.size == 0 or gaps.size > 0.2 * steps.size:
        return []
    n, longest = gaps.size, float(steps[gaps].max())
    return [
        f"{n} gap{'s' * (n != 1)} in the time stamps, the first after {t_s[gaps[0]] - t_s[0]:.3f} s, "
        f"the longest {1e3 * longest:.4g} ms."
    ]
