"""The instants of one lift, each with its uncertainty.

::

    force   W ───────┐            ┌────────┐
                     │  ┌─────────┘  W     └──┐ W
                     └──┘                     └──── 0
            stance   | unweighting | braking | drive | flight
                   onset     braking start  lowest  take-off
    speed   0        0     most downward     0    near its peak
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forcekit.analysis.errors import LiftCurves
from forcekit.mechanics.crossings import crossing_after, fitted_line
from forcekit.mechanics.uncertain import K95, Uncertain
from forcekit.mechanics.zero import runs
from forcekit.model import FloatArray

__all__ = ["Onset", "Phases", "find_onset", "find_phases"]

ONSET_SD = 5.0
"""Owen et al. 2014: weight ± 5 SD of the stance (abstract seen)."""
ONSET_BACK_S = 0.030
"""Owen et al. 2014: at most 30 ms before the threshold."""
INSIDE_LASTS_S = 0.030
"""The force is back inside the band for good when it stays this long; a passage is shorter (our choice)."""
BAND_FLOOR_FRAC = 0.0005
"""Smallest band, for recordings without noise."""
LINE_HALF_S = 0.005
"""Half-width of the line through the force where it crosses system weight or the unloaded threshold (our choice)."""
TRANSITION_MPS = 0.10
ROOT_POWERS = (1.0, 3.0)
"""A force leaves its level between straight away (first power) and very gently (third power of time)."""


@dataclass(frozen=True, slots=True)
class Onset:
    """Place of the onset by the rule, and the span in which the movement may really have begun (all in samples)."""

    place: float
    earliest: float
    latest: float


@dataclass(frozen=True, slots=True)
class Phases:
    """Places (in samples of the lift's curves) and times of the instants."""

    onset: Onset
    braking_start_place: float
    lowest_place: float
    drive_end_place: float
    takeoff_place: float | None
    transition_places: tuple[float, float]
    onset_at: Uncertain
    braking_start_at: Uncertain
    lowest_at: Uncertain
    drive_end_at: Uncertain
    transition_at: tuple[Uncertain, Uncertain]
    reversals: int
    """How often the speed turned upward and down again by more than 0.05 m/s before the lowest point."""


def find_onset(
    force_n: FloatArray, rate_hz: float, weight_n: float, sd_n: float, i_fastest: int, noise_n: float
) -> Onset:
    """Find where the force leaves system weight ± 5 SD for good, moved back to its last crossing of the weight.

    Parameters
    ----------
    force_n : array, shape (n,), newton
        From the start of stance on.
    rate_hz : float
    weight_n, sd_n : float, newton
    i_fastest : int
        Sample of the fastest downward speed.
    noise_n : float, newton

    Notes
    -----
    Moved back by at most 30 ms; if the weight is not crossed in that time, by 30 ms. The span in which the movement
    may really have begun comes from how the force leaves: it passes one and three times the threshold at t1 and
    t3, and a force leaving with the p-th power of time started (t3 - t1)/(3^(1/p) - 1) before t1. The span covers
    p from 1 to 3 and the noise of both passages.
    """
    i_light = int(np.argmin(force_n[: i_fastest + 1]))
    drop = weight_n - force_n
    band = max(ONSET_SD * sd_n, BAND_FLOOR_FRAC * weight_n)
    lasting = max(1, round(INSIDE_LASTS_S * rate_hz))
    inside = [b for a, b in runs(np.abs(drop[: i_light + 1]) <= band) if b - a >= lasting]
    i_out = inside[-1] if inside else 0
    i_out = max(1, min(i_out, i_light))
    place = _back_to_weight(drop, i_out, ONSET_BACK_S * rate_hz, 1e-6 * weight_n)
    return Onset(place, *_span(drop, i_out, i_light, band, noise_n, place))


def _back_to_weight(drop: FloatArray, i_out: int, most: float, tiny: float) -> float:
    """Go back from the first sample outside the band to the last crossing of the weight, at most `most` samples."""
    limit = max(0.0, i_out - most)
    sign = 1.0 if drop[i_out] > 0 else -1.0
    for i in range(i_out - 1, max(-1, int(np.floor(limit)) - 1), -1):
        if sign * drop[i] <= tiny:
            here, there = drop[i], drop[i + 1]
            if abs(here) > tiny:
                return max(limit, i + float(here / (here - there)))
            # The sample lies on the weight: the kink is between here and the next sample. Draw the line of the
            # next two samples back to the weight.
            if i + 2 < drop.size and sign * (drop[i + 2] - there) > 0.0:
                return float(np.clip(i + 1 - there / (drop[i + 2] - there), max(limit, i), i + 1))
            return max(limit, float(i))
    return limit


def _span(drop: FloatArray, i_out: int, i_light: int, band: float, noise_n: float, place: float) -> tuple[float, float]:
    """Earliest and latest place of the true start of the movement; see `find_onset`."""
    y = np.abs(drop)
    deep = float(y[i_light])
    level = min(max(band, 0.02 * deep), 0.25 * deep)
    first = crossing_after(y, max(0, i_out - 1), i_light, level, rising=True)
    third = crossing_after(y, max(0, i_out - 1), i_light, 3.0 * level, rising=True)
    if first is None or third is None or third <= first:
        return place, place
    spread = third - first
    jitter = K95 * noise_n / (2.0 * level / spread)
    starts = [first - spread / (3.0 ** (1.0 / p) - 1.0) for p in ROOT_POWERS]
    return min(place, min(starts) - jitter), max(place, max(starts) + jitter)


def find_phases(curves: LiftCurves, i_fastest: int, i_end: int, i_takeoff: int | None, threshold_n: float) -> Phases:
    """Find all instants of a lift between samples.

    Parameters
    ----------
    curves : LiftCurves
    i_fastest, i_end, i_takeoff : int
        Rough samples of the fastest downward speed, the end of the drive and take-off, in samples of the curves.
    threshold_n : float, newton
        Unloaded-plate threshold.
    """
    force, motion = curves.force_n, curves.motion
    speed, travel = motion.velocity_mps, motion.travel_m
    weight = curves.weight.value
    onset = find_onset(force, curves.rate_hz, weight, curves.weighing.sd_n, i_fastest, curves.noise_n)
    start = max(1, int(onset.place))
    i_low = start + int(np.argmin(travel[start : i_end + 1]))
    i_low = max(start + 1, min(i_low, i_end - 1))
    i_brake = start + int(np.argmin(speed[start : i_low + 1]))
    brake_place, brake_at = _weight_crossing(curves, i_brake, "braking start", rising=True)
    low_i = i_low - 1 if speed[i_low] > 0.0 else i_low
    low_place = motion.velocity_crossing(low_i, 0.0)
    transition = _transition(curves, low_place, i_brake, i_end)
    band_places, band_at = transition
    steepness = max(
        abs(motion.acceleration_at(low_place)),
        2.0 * TRANSITION_MPS * curves.rate_hz / max(1e-9, band_places[1] - band_places[0]),
    )
    low_at = curves.time(low_place, -curves.parts(curves.d_velocity, low_place) / steepness)
    if i_takeoff is None:
        end_place, end_at = _weight_crossing(curves, i_end, "drive end", rising=False)
        off_place = None
    else:
        end_place, end_at = _takeoff(curves, i_takeoff, threshold_n)
        off_place = end_place
    onset_at = curves.time(onset.place, np.zeros(curves.n_sources))
    return Phases(
        onset=onset,
        braking_start_place=brake_place,
        lowest_place=low_place,
        drive_end_place=end_place,
        takeoff_place=off_place,
        transition_places=band_places,
        onset_at=onset_at,
        braking_start_at=brake_at,
        lowest_at=low_at,
        drive_end_at=end_at,
        transition_at=band_at,
        reversals=_reversals(speed[start : i_low + 1]),
    )


def _weight_crossing(curves: LiftCurves, i: int, slot: str, *, rising: bool) -> tuple[float, Uncertain]:
    """Place and time at which the force crosses system weight near sample i: the speed has its extreme there."""
    force, weight = curves.force_n, curves.weight.value
    reach = max(2, round(0.02 * curves.rate_hz))
    first, last = max(0, i - reach), min(force.size - 1, i + reach)
    crossings = []
    place = crossing_after(force, first, last, weight, rising=rising)
    while place is not None:
        crossings.append(place)
        place = crossing_after(force, int(place) + 1, last, weight, rising=rising)
    near = min(crossings, key=lambda p: abs(p - i)) if crossings else float(i)
    level, slope, n = fitted_line(force, near, LINE_HALF_S * curves.rate_hz)
    if slope == 0.0 or (slope > 0.0) != rising:
        return near, curves.time(near, np.zeros(curves.n_sources))
    step = (weight - level) / slope
    place = near + float(np.clip(step, -1.0, 1.0)) if n > 2 else near
    d = curves.parts(curves.d_force, place)
    d[: curves.weight.parts.size] -= curves.weight.parts
    noise = curves.noise_n / np.sqrt(n) if n > 2 else curves.noise_n
    u = float(np.hypot(noise, curves.bend_n(place, LINE_HALF_S * curves.rate_hz)))
    parts = -(d + curves.local(slot, u)) / (slope * curves.rate_hz)
    return place, curves.time(place, parts)


def _takeoff(curves: LiftCurves, i_takeoff: int, threshold_n: float) -> tuple[float, Uncertain]:
    """Place and time at which the force falls under the unloaded-plate threshold."""
    force = curves.force_n
    i = max(1, i_takeoff)
    above, below = force[i - 1], force[i]
    place = i - 1 + float(np.clip((above - threshold_n) / (above - below), 0.0, 1.0)) if above > below else float(i)
    back = max(1, round(0.004 * curves.rate_hz))
    slope = min(-1e-9, float(force[i] - force[i - back]) / back)
    # The feet leave when the force is zero, which is later than the threshold by up to the threshold over the slope;
    # between two samples of a slow recording the force may bend anywhere.
    later = threshold_n / -slope
    bend = 0.0 if curves.rate_hz >= 500.0 else 0.25
    u = float(np.hypot(np.hypot(curves.noise_n / -slope, 0.5 * later), bend)) / curves.rate_hz
    return place, curves.time(place, curves.local("take-off", u))


def _transition(
    curves: LiftCurves, low_place: float, i_brake: int, i_end: int
) -> tuple[tuple[float, float], tuple[Uncertain, Uncertain]]:
    """Places and times at which the speed enters and leaves ±0.10 m/s around the lowest point."""
    motion = curves.motion
    speed = motion.velocity_mps
    i_low = int(low_place)
    fast = np.flatnonzero(speed[i_brake : i_low + 1] < -TRANSITION_MPS)
    i_in = i_brake + int(fast[-1]) if fast.size else i_brake
    quick = np.flatnonzero(speed[i_low + 1 : i_end + 1] > TRANSITION_MPS)
    i_out = i_low + int(quick[0]) if quick.size else i_end - 1
    places = (
        motion.velocity_crossing(i_in, -TRANSITION_MPS),
        motion.velocity_crossing(i_out, TRANSITION_MPS),
    )
    times = tuple(
        curves.time(p, -curves.parts(curves.d_velocity, p) / (motion.acceleration_at(p) or 1e-9)) for p in places
    )
    return places, (times[0], times[1])


def _reversals(speed: FloatArray) -> int:
    """Count upward turns of more than 0.05 m/s that were lost again before the lowest point."""
    count = 0
    upward = False
    for a, b in runs(speed > 0.05):
        upward = upward or b > a
        if b < speed.size - 1:
            count += 1
    return count
