"""Instants between samples: where a curve crosses a level, and where and how high its peak is."""

from __future__ import annotations

import math

import numpy as np

from forcekit.model import FloatArray

__all__ = ["crossing_after", "fitted_line", "linear_at", "local_fit", "parabola", "peak"]


def linear_at(y: FloatArray, place: float) -> float:
    """Value of a curve at a place between samples (in samples), by linear interpolation."""
    i = int(min(max(place, 0.0), y.size - 2))
    part = place - i
    return float(y[i] * (1.0 - part) + y[i + 1] * part)


def crossing_after(y: FloatArray, start: int, stop: int, level: float, *, rising: bool) -> float | None:
    """Place (in samples) of the first crossing of a level from `start` to `stop`; None if there is none.

    Notes
    -----
    Linear between the two samples around the crossing. A sample exactly on the level counts as crossed.
    """
    part = y[start : stop + 1] - level
    beyond = part >= 0.0 if rising else part <= 0.0
    hits = np.flatnonzero(beyond[1:] & ~beyond[:-1])
    if hits.size == 0:
        return None
    i = int(hits[0])
    return start + i + float(part[i] / (part[i] - part[i + 1]))


def fitted_line(y: FloatArray, place: float, half_width: float) -> tuple[float, float, int]:
    """Level and slope (per sample) at a place, from a least-squares line through the samples around it.

    Returns
    -------
    level, slope : float
    n : int
        Number of samples used; at least 2.
    """
    first = max(0, math.ceil(place - half_width))
    last = min(y.size - 1, math.floor(place + half_width))
    if last - first < 1:
        first = int(min(max(place, 0.0), y.size - 2))
        last = first + 1
    x = np.arange(first, last + 1) - place
    part = y[first : last + 1]
    centre = x.mean()
    slope = float(np.dot(x - centre, part) / np.dot(x - centre, x - centre))
    return float(part.mean() - slope * centre), slope, int(x.size)


def peak(
    y: FloatArray, start: int, stop: int, half_width: float, noise: float = 0.0, *, largest: bool = True
) -> tuple[float, float, int]:
    """Height and place of the largest (or smallest) value, from a parabola through the samples around it.

    Parameters
    ----------
    y : array
    start, stop : int
        First and last sample of the range.
    half_width : float, in samples
    noise : float
        Standard deviation of the white noise of y.

    Notes
    -----
    The largest sample of a noisy curve is too high on average by one to two standard deviations of the noise; the
    parabola through the neighbourhood is not. The neighbourhood is that of the largest moving mean; where the curve is
    flat it grows over all moving means within three of their own standard deviations of the largest, so that the
    luckiest part of a plateau is not picked. Where the parabola has its vertex outside the neighbourhood (a peak at
    the edge of the range) the value of the fit at the extreme sample is given.

    Returns
    -------
    height : float
    place : float, in samples
    n : int
        Number of samples in the fit.
    """
    sign = 1.0 if largest else -1.0
    half = max(1, round(half_width))
    part = sign * y[start : stop + 1]
    first = last = i = start + int(np.argmax(part))
    if half > 1 and part.size > 2 * half + 1:
        total = np.concatenate(([0.0], np.cumsum(part)))
        smooth = (total[half:] - total[:-half]) / half
        k = int(np.argmax(smooth))
        # Numbers in coarse steps lie on the limit itself; rounding must not decide on which side.
        low = smooth < smooth[k] - 3.0 * noise / np.sqrt(half) - 1e-9 * abs(smooth[k])
        before, after = np.flatnonzero(low[:k]), np.flatnonzero(low[k:])
        first = start + half // 2 + (int(before[-1]) + 1 if before.size else 0)
        last = start + half // 2 + (k + int(after[0]) - 1 if after.size else smooth.size - 1)
        i = start + half // 2 + k
    middle = (first + last) // 2
    half = max(half, (last - first) // 2)
    first, last = max(start, middle - half), min(stop, middle + half)
    if last - first < 2:
        return float(y[i]), float(i), 1
    near = sign * y[first : last + 1]
    n = near.size
    c2, c1, c0 = parabola(near, first - middle)
    if n > 5 and -c2 < 2.0 * noise * math.sqrt(180.0 / float(n) ** 5):
        return sign * float(np.mean(near)), float(middle), n  # flat within its noise
    if c2 < 0.0 and abs(vertex := -c1 / (2.0 * c2)) <= half:
        return sign * (c0 + c1 * vertex / 2.0), middle + vertex, n
    i = first + int(np.argmax(near))
    at = float(i - middle)
    return sign * (c0 + c1 * at + c2 * at * at), float(i), n


def parabola(y: FloatArray, first: float) -> tuple[float, float, float]:
    """Coefficients of x², x and 1 of the least-squares parabola through samples at x = first, first + 1 and so on.

    Notes
    -----
    On evenly spaced places 1, u and u² - (n² - 1)/12, with u from their middle, are orthogonal, so that each
    coefficient is a sum of its own.
    """
    n = y.size
    u = np.arange(n) - 0.5 * (n - 1)
    q = (n * n - 1.0) / 12.0
    bend = u * u - q
    c2 = float(bend @ y) / float(bend @ bend)
    slope = float(u @ y) / (n * q)
    middle = first + 0.5 * (n - 1)
    return c2, slope - 2.0 * c2 * middle, float(y.mean()) - slope * middle + c2 * (middle * middle - q)


def local_fit(y: FloatArray, place: float, half_width: float) -> tuple[float, float, float]:
    """Value and slope (per sample) of a noisy curve at a place, from a parabola through the samples around it.

    Returns
    -------
    value, slope : float
    noise_gain : float
        Standard deviation of the value per standard deviation of white noise of the samples.

    Notes
    -----
    With fewer than five samples within the half-width it is the linear interpolation between two samples.
    """
    first = max(0, math.ceil(place - half_width))
    last = min(y.size - 1, math.floor(place + half_width))
    if last - first < 4:
        i = int(min(max(place, 0.0), y.size - 2))
        part = min(max(place - i, 0.0), 1.0)
        value = float(y[i] * (1.0 - part) + y[i + 1] * part)
        return value, float(y[i + 1] - y[i]), float(np.hypot(1.0 - part, part))
    near = y[first : last + 1]
    n = near.size
    _, slope, value = parabola(near, first - place)
    # The value is a sum of three independent ones, see `parabola`; u is the place of the reading.
    u, q = place - 0.5 * (first + last), (n * n - 1.0) / 12.0
    bend = n * q * (n * n - 4.0) / 15.0
    return value, slope, math.sqrt(1.0 / n + u * u / (n * q) + (u * u - q) ** 2 / bend)
