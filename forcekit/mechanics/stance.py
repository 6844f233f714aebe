"""Standing still: where it happens, and what the lifter and the bar weigh together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forcekit.mechanics.zero import runs
from forcekit.model import FloatArray

__all__ = ["Weighing", "still_stretches", "sway_speed", "weigh"]

STILL_SD_FRAC = 0.008
"""Still: the force, averaged over 50 ms, varies by less than 0.8 % of itself over 0.4 s. Standing under a bar with
quiet breathing stays below 0.4 %, walking and breathing in deeply exceed 2 % (our choice)."""
STILL_WINDOW_S = 0.40
SMOOTH_S = 0.05
SHORTEST_LOADED_N = 150.0
"""Less than this on the plate is no lifter."""
SWAY_PRIOR_MPS = 0.0009
"""Slow vertical speed (SD) of the centre of mass of a person standing still, which a short stance does not show. The
open 60 s stance recordings on firm ground of Santos & Duarte 2016, integrated and high-passed at 0.1 Hz, give 0.0007
to 0.0016 m/s in all; with 0.0009 for the slow part the means of their 1 s windows scatter as predicted (ratios 0.7 to
1.3)."""
FORWARD_SWAY_PRIOR_MPS = 0.0013
"""The slow part along the foot; in all it is 0.0022 to 0.0030 m/s in the same recordings."""


@dataclass(frozen=True, slots=True)
class Weighing:
    """System weight from a stance.

    Attributes
    ----------
    first, last : int
        First and last+1 sample of the stance.
    weight_n : float
        Mean force.
    sd_n : float
        Standard deviation of the raw force about it.
    """

    first: int
    last: int
    weight_n: float
    sd_n: float


def moving_mean(y: FloatArray, width: int) -> FloatArray:
    """Centred moving mean over `width` samples (odd); shorter at the ends."""
    total = np.zeros(y.size + 1)
    np.cumsum(y, out=total[1:])
    half = width // 2
    if y.size < 2 * half + 1:
        i = np.arange(y.size)
        first, last = np.maximum(0, i - half), np.minimum(y.size, i + half + 1)
        return np.asarray((total[last] - total[first]) / (last - first))
    out = np.empty(y.size)
    n = np.arange(half + 1, 2 * half + 1)
    out[:half] = total[half + 1 : 2 * half + 1] / n
    out[half : y.size - half] = (total[2 * half + 1 :] - total[: y.size - 2 * half]) / (2 * half + 1)
    out[y.size - half :] = (total[-1] - total[y.size - 2 * half : y.size - half]) / n[::-1]
    return out


def trailing_moments(y: FloatArray, width: int, shortest: int) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation over the last `width` samples, fewer at the start but at least `shortest`.

    Samples before the `shortest`-th have an infinite standard deviation.
    """
    shift = float(np.mean(y))
    z = y - shift
    n = np.minimum(np.arange(1.0, y.size + 1.0), width)
    mean, variance = np.cumsum(z), np.cumsum(z * z)
    for total in (mean, variance):
        if y.size > width:
            total[width:] -= total[:-width].copy()
        total /= n
    variance -= mean**2
    sd = np.sqrt(np.maximum(variance, 0.0, out=variance))
    sd[: min(shortest, y.size)] = np.inf
    return mean + shift, sd


def still_stretches(force_n: FloatArray, rate_hz: float, noise_n: float) -> list[tuple[int, int]]:
    """Stretches in which a lifter stands still on the plate: first and last+1 sample of each.

    Parameters
    ----------
    force_n : array, shape (n,), newton
    rate_hz : float
    noise_n : float, newton
        Standard deviation of the force's white noise; three times what is left of it after 50 ms of averaging is
        allowed on top.

    Notes
    -----
    Judged by the window that ends at a sample, so that the stretch ends where the stillness ends. The first 0.4 s
    of a stretch are the window of its first still sample. At the very start of the recording 0.1 s is enough.
    """
    width = max(1, round(SMOOTH_S * rate_hz)) | 1
    window = max(4, round(STILL_WINDOW_S * rate_hz))
    smooth = moving_mean(force_n, width)
    mean, sd = trailing_moments(smooth, window, max(4, round(0.1 * rate_hz)))
    limit = STILL_SD_FRAC * mean + 3.0 * noise_n / np.sqrt(width)
    still = (sd < limit) & (mean > SHORTEST_LOADED_N)
    stretches: list[tuple[int, int]] = []
    for a, b in runs(still):
        first = max(0, a - window + 1)
        if stretches and first <= stretches[-1][1]:
            first = stretches[-1][1]
        stretches.append((first, b))
    return stretches


def sway_speed(
    force_n: FloatArray,
    rate_hz: float,
    weight_n: float,
    noise_n: float,
    gravity_mps2: float,
    *,
    prior_mps: float = SWAY_PRIOR_MPS,
) -> tuple[float, float]:
    """Standard deviation (m/s) of the lifter's vertical sway speed at the start and at the end of a stance.

    Notes
    -----
    The mean force of a stance from a to b differs from the weight by m (v_b - v_a)/(b - a), v being the speed of
    sway: standing still is never quite still. Integrating the force about its mean gives v less the straight line
    through its two ends; its mean square is 5/3 of the variance of v when v changes faster than the stance lasts
    (mean of 1 + (1-x)² + x² over x in 0..1). What white noise adds (a Brownian bridge, mean square q T/6) is taken
    off. Start and end are judged by their own halves, since a bar still swinging at the start is quiet at the end. A
    prior holds the value up where the stance is too short to show slow sway.
    """
    n = force_n.size
    step = 1.0 / rate_hz
    acceleration = gravity_mps2 * (force_n / weight_n - 1.0)
    speed = np.concatenate(([0.0], np.cumsum(0.5 * (acceleration[1:] + acceleration[:-1])) * step))
    bridge = speed - np.linspace(0.0, speed[-1], n)
    q = (gravity_mps2 * noise_n / weight_n) ** 2 * step

    def one_end(part: FloatArray) -> float:
        seen = max(0.0, (float(np.mean(part**2)) - q * n * step / 6.0) * 0.6)
        return float(np.sqrt(prior_mps**2 + seen))

    return one_end(bridge[: n // 2]), one_end(bridge[n // 2 :])


def weigh(force_n: FloatArray, first: int, last: int) -> Weighing:
    """Weigh lifter and bar: the mean force over the stance first..last-1 (Owen et al. 2014: mean of 1 s).

    Returns
    -------
    Weighing
    """
    part = force_n[first:last]
    return Weighing(first, last, float(part.mean()), float(part.std(ddof=1)))
