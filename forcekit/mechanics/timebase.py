"""One uniform clock for the samples of a sensor, with the places marked where samples are missing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forcekit.errors import InputError
from forcekit.model import BoolArray, FloatArray

__all__ = ["Timebase", "fill", "uniform_timebase", "usual_step"]

LARGEST_JITTER_FRAC = 0.3
"""Stamps further than this part of a step from a uniform clock are resampled instead of snapped; our choice."""


FIRST_STAMPS = 100
"""So many stamps are looked at before all are: mostly they show already that there is no such rounding (our choice)."""


@dataclass(frozen=True, slots=True, eq=False)
class Timebase:
    """A uniform clock and how the samples sit on it.

    Attributes
    ----------
    t_s : array, shape (n,), second
    rate_hz : float
    index : array of int, shape (m,)
        Place of each of the m given samples on the clock.
    missing : array of bool, shape (n,)
        True where no sample was given.
    given_t_s : array, shape (m,), second
        The stamps as given, needed when they jitter.
    jitters : bool
        Stamps deviate so much that values are interpolated to the clock.
    """

    t_s: FloatArray
    rate_hz: float
    index: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
    missing: BoolArray
    given_t_s: FloatArray
    jitters: bool


def uniform_timebase(t_s: FloatArray, source: str) -> Timebase:
    """Lay a uniform clock through the time stamps of a sensor.

    Parameters
    ----------
    t_s : array, shape (m,), second
        Strictly increasing stamps, possibly rounded, jittering or with gaps.
    source : str
        Where they come from, for the message.

    Notes
    -----
    The step is first the median of the means of 50 differences, which neither rounding nor a gap moves. Differences
    longer than rounding can make them are gaps, and the step is then that of the parts between them; the length of a
    gap is the rounded quotient. The final step is the least-squares slope of stamp over step number, so that rounding
    of the printed stamps averages out. The clock keeps the first sample at its own stamp up to that rounding.

    Raises
    ------
    InputError
        If there are fewer than 20 samples, or the clock would need 20 times more samples than are there.
    """
    m = t_s.size
    if m < 20:
        raise InputError(f"{source}: only {m} samples; at least 20 are needed to speak of a signal.")
    differences = np.diff(t_s)
    step = usual_step(differences)
    # Rounding moves a difference by up to one place; only what is longer than that can be a gap.
    longest, largest = 1.5 * step, float(differences.max())
    if largest > longest:
        longest = max(longest, step + 1.01 * _rounding(t_s, step))
    index = np.arange(m)
    if largest > longest:
        breaks = differences > longest
        if not breaks.all():
            step = float(differences[~breaks].mean())
        steps = np.ones(m - 1, dtype=np.int64)
        steps[breaks] = np.maximum(1, np.round(differences[breaks] / step)).astype(np.int64)
        np.cumsum(steps, out=index[1:])
    n = int(index[-1]) + 1
    if n > 20 * m:
        raise InputError(
            f"{source}: {m} samples spread over {t_s[-1] - t_s[0]:.0f} s with a step of {1e3 * step:.3g} ms; "
            "most of the recording is missing. Cut the file at its gaps and read the parts one by one."
        )
    del differences  # of an hour's samples it is as large as a channel
    centred = index - index.mean()
    # Twelve digits (2 ns in an hour): how the sums were split among threads must not decide what is rounded later.
    slope = float(f"{np.dot(centred, t_s) / np.dot(centred, centred):.12g}")
    start = float(t_s.mean() - slope * index.mean())
    grid = np.arange(n, dtype=np.float64)
    grid *= slope
    grid += start
    off = np.subtract(t_s, grid if n == m else grid[index], out=centred)
    np.abs(off, out=off)
    largest = LARGEST_JITTER_FRAC * slope
    jitters = bool(off.max() > largest and np.quantile(off, 0.95) > largest)
    missing = np.full(n, n > m)
    if n > m:
        missing[index] = False
    return Timebase(grid, 1.0 / slope, index, missing, t_s, jitters)


def usual_step(differences: FloatArray) -> float:
    """Usual step: the median of the means over blocks of 50 differences."""
    n = differences.size // 50
    if n < 3:
        return float(np.median(differences))
    return float(np.median(differences[: 50 * n].reshape(n, 50).mean(axis=1)))


def _rounding(t_s: FloatArray, step_s: float) -> float:
    """Place to which the stamps are rounded (s): 10 ms, 1 ms, 0.1 ms ... if they all sit on it, else nothing."""
    for place in (1e-2, 1e-3, 1e-4, 1e-5):
        if place <= step_s and all(
            np.all(np.abs(t / place - np.round(t / place)) < 1e-4) for t in (t_s[:FIRST_STAMPS], t_s)
        ):
            return place
    return 0.0


def fill(timebase: Timebase, values: FloatArray) -> FloatArray:
    """Put the samples of one channel on the uniform clock; missing ones are interpolated linearly.

    Parameters
    ----------
    timebase : Timebase
    values : array, shape (m,)

    Returns
    -------
    array, shape (n,)
    """
    if timebase.jitters:
        return np.interp(timebase.t_s, timebase.given_t_s, values)
    if not timebase.missing.any():
        return np.asarray(values, dtype=np.float64)
    return np.interp(np.arange(timebase.t_s.size), timebase.index, values)
