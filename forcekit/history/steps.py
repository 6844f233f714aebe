"""How large a step of a trend is: its size with an interval that allows for having looked at all places."""

from __future__ import annotations

import math

import numpy as np

from forcekit.history.trend import Trend, step_p_value

__all__ = ["step_size"]

LEVEL = 0.05
LARGEST_T = 1e4
"""No step is clearer than this (our choice); where the search for the critical value stops."""


def step_size(trend: Trend, i_step: int) -> tuple[float, float, float]:
    """Size of a step and its 95 % interval, after minus before, in the measure's SI unit.

    Parameters
    ----------
    trend : Trend
    i_step : int
        Index among `trend.steps`.

    Notes
    -----
    The step is the clearest of many places, so the usual t-interval would be too short. The half-width is the standard
    error times the |t| that a steady series of this length reaches anywhere in 1 of 20 cases (`trend.step_p_value`);
    the interval so leaves out zero exactly where the step is told. Neighbouring steps bound the points that are used.
    """
    edges = [0, *(s.i_after for s in trend.steps), trend.point.size]
    before = trend.point[edges[i_step] : edges[i_step + 1]]
    after = trend.point[edges[i_step + 1] : edges[i_step + 2]]
    n = before.size + after.size
    rest = float(np.sum((before - before.mean()) ** 2) + np.sum((after - after.mean()) ** 2))
    half = _critical_t(n) * math.sqrt(rest / (n - 2) * (1.0 / before.size + 1.0 / after.size))
    size = float(after.mean() - before.mean())
    return size, size - half, size + half


def _critical_t(n: int) -> float:
    """Find the |t| that a steady series of n points reaches somewhere in 1 of 20 cases, by halving."""
    low, high = 0.0, LARGEST_T
    while high - low > 1e-6 * high:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if step_p_value(middle, n) > LEVEL else (low, middle)
    return high
