"""Two clocks compared: what a sensor's clock says against the moments its data arrived at the laptop.

::

    host time                      .  late: the laptop or the radio was busy
       |          .   .        .  /
       |      .      .    .  ._/___ lower envelope = shortest delay of the link
       |   .     ._.___.--'
       |  .__.--'
       +----------------------------- device time

Data can arrive late but never early. So the line is laid under the points, not through them: bursts of delay
move an average, but not the lower edge. What the shortest delay itself is cannot be seen from one side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forcekit.model import FloatArray

__all__ = ["ClockFit", "fit_clock", "host_time", "host_time_u"]

CRYSTAL_FRAC = 100e-6
"""Greatest drift expected of two crystal clocks against each other (common practice, from memory); where a
recording is too short to measure the drift, it is taken as zero with this standard uncertainty."""

N_BINS = 400
"""Parts into which a recording is cut; the earliest arrival of each is kept (our choice)."""

N_HALVES = 24
"""Random halves of the arrivals that are fitted to see how much the fit varies (our choice)."""

HALF_TO_WHOLE = 2.5
"""The edge of n points lies above the true one by about n**-g, with g = 1 when the shortest delays are the
most common and g = 1/2 when they are rare; half the points lie higher by 2**g - 1 times that. 2.5 covers
the latter."""


@dataclass(frozen=True, slots=True)
class ClockFit:
    """Line from a device's clock to the laptop's: host = host_ref + (1 + drift) * (device - device_ref).

    Attributes
    ----------
    device_ref_s, host_ref_s : float, second
        One instant on both clocks, near the middle of the recording.
    drift : float
        Gain of the laptop's clock over the device's, as a fraction (80e-6 is 80 ppm).
    host_ref_u_s, drift_u : float
        Standard uncertainties, without the shortest delay of the link, which is not observable.
    n_arrivals : int
        Arrivals the fit rests on.
    late_s : float, second
        Median lateness of the arrivals over the line.
    latest_s : float, second
        Greatest lateness.
    drift_assumed : bool
        The recording was too short to measure the drift.
    """

    device_ref_s: float
    host_ref_s: float
    drift: float
    host_ref_u_s: float
    drift_u: float
    n_arrivals: int
    late_s: float
    latest_s: float
    drift_assumed: bool = False


def fit_clock(device_s: npt.ArrayLike, host_s: npt.ArrayLike, *, seed: int = 0) -> ClockFit:
    """Offset and drift of a device's clock against the laptop's, with uncertainties.

    Parameters
    ----------
    device_s : array, shape (n,), second
        Device time of the newest sample of each arrival, not decreasing, without wraps and resets.
    host_s : array, shape (n,), second
        Laptop's clock at that arrival.
    seed : int
        Of the random halves that give the uncertainty.

    Notes
    -----
    Of the lines that lie under all points, the one with the least mean distance is taken. It is the edge of
    the points' lower convex hull above their mean device time, and the most likely line when delays are
    exponential. The uncertainty comes from how far the fits of random halves of the points lie off.

    Examples
    --------
    >>> device = np.arange(0.0, 60.0, 0.01)
    >>> fit = fit_clock(device, 100.0 + device * 1.00008)
    >>> round(fit.drift * 1e6, 3)
    80.0
    """
    x = np.asarray(device_s, np.float64)
    y = np.asarray(host_s, np.float64)
    if x.shape != y.shape or x.ndim != 1 or x.size == 0:
        raise ValueError("device_s and host_s must be one-dimensional, of equal length and not empty")
    # Differences of large numbers: both clocks start at zero here.
    x0, y0 = float(x[0]), float(y[0])
    bx, by = _earliest(x - x0, y - y0)
    middle = float(bx.mean())
    offset, slope = _under(bx, by, middle)
    offset_u, slope_u = _spread(x - x0, y - y0, middle, seed)
    assumed = slope_u > CRYSTAL_FRAC and abs(slope) < 3.0 * slope_u
    if assumed:
        slope, slope_u = 0.0, CRYSTAL_FRAC
        offset = float(np.min(by - bx))
        offset_u = max(offset_u, slope_u * float(np.ptp(bx)) / 2.0)
    late = (y - y0) - (x - x0) - offset - slope * (x - x0 - middle)
    return ClockFit(
        device_ref_s=x0 + middle,
        host_ref_s=y0 + middle + offset,
        drift=slope,
        host_ref_u_s=offset_u,
        drift_u=slope_u,
        n_arrivals=int(x.size),
        late_s=max(float(np.median(late)), 0.0),
        latest_s=max(float(late.max()), 0.0),
        drift_assumed=assumed,
    )


def host_time(fit: ClockFit, device_s: npt.ArrayLike) -> FloatArray:
    """Laptop's clock at these device times, in seconds."""
    x = np.asarray(device_s, np.float64)
    return fit.host_ref_s + (1.0 + fit.drift) * (x - fit.device_ref_s)


def host_time_u(fit: ClockFit, device_s: npt.ArrayLike) -> FloatArray:
    """Give the standard uncertainty of `host_time` in seconds, without the shortest delay of the link."""
    x = np.asarray(device_s, np.float64)
    return np.hypot(fit.host_ref_u_s, fit.drift_u * (x - fit.device_ref_s))


def _earliest(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Earliest arrival, relative to the device's own time, of each of up to `N_BINS` parts."""
    span = float(x[-1] - x[0])
    if x.size <= N_BINS or span <= 0.0:
        return x, y
    part = np.minimum((x - x[0]) * (N_BINS / span), N_BINS - 1).astype(np.int64)
    start = np.flatnonzero(np.r_[True, np.diff(part) > 0])
    delay = y - x
    least = np.minimum.reduceat(delay, start)
    hit = np.flatnonzero(delay == np.repeat(least, np.diff(np.r_[start, x.size])))
    keep = hit[np.unique(part[hit], return_index=True)[1]]
    return x[keep], y[keep]


def _under(x: FloatArray, y: FloatArray, middle: float) -> tuple[float, float]:
    """Delay at `middle` and slope of the delay of the line under the points y - x."""
    hull: list[tuple[float, float]] = []
    for point in zip(x.tolist(), (y - x).tolist(), strict=True):
        if hull and point[0] == hull[-1][0]:
            if point[1] >= hull[-1][1]:
                continue
            hull.pop()
        while len(hull) > 1 and _turns_down(hull[-2], hull[-1], point):
            hull.pop()
        hull.append(point)
    if len(hull) == 1:
        return hull[0][1], 0.0
    right = next((i for i, p in enumerate(hull) if p[0] > middle), len(hull) - 1)
    (xa, ya), (xb, yb) = hull[max(right - 1, 0)], hull[max(right, 1)]
    slope = (yb - ya) / (xb - xa)
    return ya + slope * (middle - xa), slope


def _turns_down(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> bool:
    """Tell whether b lies on or above the line from a to c."""
    return (b[0] - a[0]) * (c[1] - a[1]) <= (c[0] - a[0]) * (b[1] - a[1])


def _spread(x: FloatArray, y: FloatArray, middle: float, seed: int) -> tuple[float, float]:
    """Give the standard uncertainty of delay at `middle` and of slope, from random halves of the arrivals."""
    if x.size < 8:
        span = float(np.ptp(x)) if x.size > 1 else 0.0
        scatter = float(np.ptp(y - x))
        return scatter, scatter / span if span > 0.0 else np.inf
    rng = np.random.default_rng(seed)
    whole = np.array(_under(*_earliest(x, y), middle))
    fits = []
    for _ in range(N_HALVES):
        keep = np.flatnonzero(rng.random(x.size) < 0.5)
        fits.append(_under(*_earliest(x[keep], y[keep]), middle) if keep.size else tuple(whole))
    # Around the fit of all points, not around their own mean: half the points lie above the whole's edge.
    spread = HALF_TO_WHOLE * np.sqrt(np.mean((np.array(fits) - whole) ** 2, axis=0))
    return float(spread[0]), float(spread[1])
