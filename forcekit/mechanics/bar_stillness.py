"""Where the bar is at rest, seen by the accelerometer and, where there is one, the gyroscope."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forcekit.mechanics.zero import runs
from forcekit.model import BoolArray, FloatArray

__all__ = ["StillSettings", "bar_rests"]

TAIL_S = 2.0
"""So long may a movement die away; over so long a steady bias makes no speed of note (our choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StillSettings:
    """When a bar counts as still. All limits are our choice, made for a loaded bar held by a standing person.

    Attributes
    ----------
    window_s : length over which spreads are formed
    accel_spread_mps2 : root of the summed variances of the three axes of the accelerometer in the window
    gyro_spread_radps : the same of the gyroscope
    turn_radps : mean rate of turn, beyond that of the stillest window (which is the sensor's bias)
    gravity_mps2 : how far the mean magnitude of the force may be from that of the stillest window
    shortest_s : shorter rests are not used
    drift_mps : at its ends a rest loses what has a vertical speed further than this from that within
    smooth_s : samples are averaged over this long first, so that a fast noisy sensor is judged like a slow
        one
    """

    window_s: float = 0.20
    accel_spread_mps2: float = 0.20
    gyro_spread_radps: float = 0.06
    turn_radps: float = 0.04
    gravity_mps2: float = 0.15
    shortest_s: float = 0.25
    drift_mps: float = 0.015
    smooth_s: float = 0.010


def _windows(values: FloatArray, width: int) -> tuple[FloatArray, FloatArray]:
    """Mean and spread (root of summed variances) over centred windows, shapes (n, k) and (n,)."""
    from scipy.ndimage import uniform_filter1d

    mean = uniform_filter1d(values, width, axis=0, mode="nearest")
    centre = values.mean(axis=0)
    square = uniform_filter1d((values - centre) ** 2, width, axis=0, mode="nearest")
    variance = np.clip(square - (mean - centre) ** 2, 0.0, None)
    return mean, np.sqrt(variance.sum(axis=1))


def bar_rests(
    accel_mps2: FloatArray,
    gyro_radps: FloatArray | None,
    rate_hz: float,
    *,
    settings: StillSettings | None = None,
) -> tuple[tuple[int, int], ...]:
    """First and last+1 sample of every stretch in which the bar is at rest.

    Parameters
    ----------
    accel_mps2 : array, shape (n, 3)
    gyro_radps : array, shape (n, 3), or None
    rate_hz : float
    settings : StillSettings, optional

    Notes
    -----
    A sample belongs to a rest when over the window around it the spread of the accelerometer (and the
    gyroscope) is small, the mean magnitude of the force is gravity and the mean rate of turn is the bias. A
    bar that moves straight at constant speed looks the same; `bar_motion` tests each rest against the others
    for that. The magnitude of gravity and the bias are taken from the stillest window of those with the usual force,
    so a sensor with a wrong scale works. An empty result means that there was none.

    References
    ----------
    The joint test of both sensors follows Skog, Händel, Nilsson, Rantakokko (2010), Zero-velocity detection:
    an algorithm evaluation, IEEE Trans. Biomed. Eng. 57:2657-2666 (not seen; from memory).
    """
    from scipy.ndimage import uniform_filter1d

    s = settings or StillSettings()
    n = accel_mps2.shape[0]
    width = max(3, round(s.window_s * rate_hz))
    if n <= width:
        return ()
    smooth = max(1, round(s.smooth_s * rate_hz))
    accel = uniform_filter1d(accel_mps2, smooth, axis=0, mode="nearest")
    mean, spread = _windows(accel, width)
    score = spread / s.accel_spread_mps2
    turn = np.zeros((n, 3))
    if gyro_radps is not None:
        turn, turn_spread = _windows(uniform_filter1d(gyro_radps, smooth, axis=0, mode="nearest"), width)
        score = np.maximum(score, turn_spread / s.gyro_spread_radps)
    magnitude = np.sqrt((mean**2).sum(axis=1))
    whole = slice(width // 2, n - width // 2)  # windows that hang over an end would be judged on too few samples
    # A steady push is as still as a rest, but not for long: the stillest window is one of the usual force.
    calm = whole.start + np.flatnonzero(score[whole] <= 1.0)
    usual = calm[np.abs(magnitude[calm] - np.median(magnitude[calm])) <= s.gravity_mps2] if calm.size else calm
    stillest = int(usual[np.argmin(score[usual])]) if usual.size else whole.start + int(np.argmin(score[whole]))
    still: BoolArray = score <= 1.0
    still &= np.abs(magnitude - magnitude[stillest]) <= s.gravity_mps2
    still &= np.sqrt(((turn - turn[stillest]) ** 2).sum(axis=1)) <= s.turn_radps
    shortest = max(2, round(s.shortest_s * rate_hz))
    size = np.sqrt((accel_mps2**2).sum(axis=1))
    found: list[tuple[int, int]] = []
    for stop in _stops(runs(still), width):
        first, last = _standing(size, (stop[0][0], stop[-1][1]), s.drift_mps, rate_hz)
        found += [(max(a, first), min(b, last)) for a, b in stop]
    return tuple((a, b) for a, b in found if b - a >= shortest)


def _stops(rests: list[tuple[int, int]], apart: int) -> list[list[tuple[int, int]]]:
    """Rests that follow each other so closely that the bar stopped once, together."""
    out: list[list[tuple[int, int]]] = []
    for rest in rests:
        if out and rest[0] - out[-1][-1][1] <= apart:
            out[-1].append(rest)
        else:
            out.append([rest])
    return out


def _standing(size_mps2: FloatArray, run: tuple[int, int], drift_mps: float, rate_hz: float) -> tuple[int, int]:
    """Still stretch without the ends in which the vertical speed is not that of its neighbourhood within.

    A movement that dies away slowly has small accelerations and passes for rest; its speed shows in their sum.
    """
    first, last = run
    off = size_mps2[first:last] - np.median(size_mps2[first:last])
    n = min(off.size, round(TAIL_S * rate_hz))
    before, after = (_moving(part, drift_mps, rate_hz) for part in (off[:n], off[: -n - 1 : -1]))
    return first + before, max(first + before, last - after)


def _moving(off_mps2: FloatArray, drift_mps: float, rate_hz: float) -> int:
    """Samples at the start of a stretch up to the last whose speed is further than allowed from that of its end."""
    speed = np.cumsum(off_mps2) / rate_hz
    early = speed[: 3 * speed.size // 4]
    away = np.flatnonzero(np.abs(early - np.median(speed[speed.size // 2 :])) > drift_mps)
    return int(away[-1]) + 1 if away.size else 0
