"""Instants between samples: where a curve crosses a level, and where and how high its peak is."""

from __future__ import annotations

import numpy as np

from forcekit.model import FloatArray

__all__ = ["crossing_after", "fitted_line", "linear_at", "local_fit", "peak"]


def linear_at(y: FloatArray, place: float) -> float:
    """Value of a curve at a place between samples (in samples), by linear interpolation."""
    i = int(np.clip(np.floor(place), 0, y.size - 2))
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
    first = max(0, int(np.ceil(place - half_width)))
    last = min(y.size - 1, int(np.floor(place + half_width)))
    if last - first < 1:
        first = int(np.clip(np.floor(place), 0, y.size - 2))
        last = first + 1
    x = np.arange(first, last + 1) - place
    part = y[first : last + 1]
    centre = x.mean()
    slope = float(np.dot(x - centre, part) / np.dot(x - centre, x - centre))
    return float(part.mean() - slope * centre), slope, int(x.size)


def peak(y: FloatArray, start: int, stop: int, half_width: float, *, largest: bool = True) -> tuple[float, float, int]:
    """Height and place of the largest (or smallest) value, from a parabola through the samples around it.

    Notes
    -----
    The largest sample of a noisy curve is too high on average by one to two standard deviations of the noise; the
    parabola through the neighbourhood is not. Where the parabola has its vertex outside the neighbourhood (a peak
    at the edge of the range) the value of the fit at the extreme sample is given.

    Returns
    -------
    height : float
    place : float, in samples
    n : int
        Number of samples in the fit.
    """
    part = y[start : stop + 1]
    i = start + int(np.argmax(part) if largest else np.argmin(part))
    half = max(1, round(half_width))
    first, last = max(start, i - half), min(stop, i + half)
    if last - first < 2:
        return float(y[i]), float(i), 1
    x = np.arange(first, last + 1, dtype=np.float64) - i
    c2, c1, c0 = np.polyfit(x, y[first : last + 1], 2)
    bends_right = c2 < 0.0 if largest else c2 > 0.0
    if bends_right and abs(vertex := -c1 / (2.0 * c2)) <= half:
        return float(c0 + c1 * vertex / 2.0), i + float(vertex), int(x.size)
    return float(c0), float(i), int(x.size)


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
    first = max(0, int(np.ceil(place - half_width)))
    last = min(y.size - 1, int(np.floor(place + half_width)))
    if last - first < 4:
        i = int(np.clip(np.floor(place), 0, y.size - 2))
        part = float(np.clip(place - i, 0.0, 1.0))
        value = float(y[i] * (1.0 - part) + y[i + 1] * part)
        return value, float(y[i + 1] - y[i]), float(np.hypot(1.0 - part, part))
    x = np.arange(first, last + 1) - place
    design = np.vander(x, 3, increasing=True)
    weights = np.linalg.pinv(design)
    return (
        float(weights[0] @ y[first : last + 1]),
        float(weights[1] @ y[first : last + 1]),
        float(np.linalg.norm(weights[0])),
    )
