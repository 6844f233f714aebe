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
from forcekit.mechanics.crossings import crossing_after, fitted_line, parabola
from forcekit.mechanics.motion import Motion
from forcekit.mechanics.stance import Weighing, moving_mean
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
REST_MPS, REST_M = 0.05, 0.01
"""Inside the band only counts as standing near the speed and height of the stance: between the two dips of a double dip
the force passes the weight too (our choice)."""
BAND_FLOOR_FRAC = 0.0005
"""Smallest band, for recordings without noise."""
QUIET_FRAC = 0.02
"""Noise below this part of the step between two samples allows lines through two samples each (our choice)."""
CROSSING_U_S = 0.0001
"""Wanted standard uncertainty of a crossing of the weight from the force's noise (our choice)."""
LINE_HALF_S = 0.004
"""Half-width of the line through the force where it crosses system weight or the unloaded threshold (our choice)."""
FALL_BACK_S = 0.006
"""The slope of the falling force is taken over this time before the threshold (our choice)."""
LONGEST_TAIL_S = 0.010
ABRUPT_SAMPLES = 5.0
"""A force gone at the next sample that its own line would bring to zero only after this many has stopped abruptly."""
SLOW_HZ = 450.0
"""Below this rate the fall from weight to nothing has only a few samples; a parabola through the last three is used."""
SLOW_TAKEOFF_U = 0.13
"""Standard uncertainty of that, in samples (seen in simulated falls; our choice)."""
ONSET_EARLY, ONSET_LATE = 0.2, 0.45
"""Samples added to the span of the onset: it lies anywhere between two samples, more likely late (our choice)."""
TRANSITION_MPS = 0.10
ROOT_POWERS = (1.15, 2.6)
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
    force_n: FloatArray,
    rate_hz: float,
    weighing: Weighing,
    motion: Motion,
    i_fastest: int,
    noise_n: float,
) -> Onset:
    """Find where the force leaves system weight ± 5 SD for good, moved back to its last crossing of the weight.

    Parameters
    ----------
    force_n : array, shape (n,), newton
        From the start of stance on.
    rate_hz : float
    weighing : Weighing
    motion : Motion
        Integrated over the same samples.
    i_fastest : int
        Sample of the fastest downward speed.
    noise_n : float, newton

    Notes
    -----
    Moved back by at most 30 ms; if the weight is not crossed in that time, by 30 ms. The span in which the movement
    may really have begun comes from how the force leaves: it passes one and three times the threshold at t1 and
    t3, and a force leaving with the p-th power of time started (t3 - t1)/(3^(1/p) - 1) before t1. The span covers
    p from 1.15 to 2.6, the middle three quarters of 1 to 3, and the noise of both passages.
    """
    weight_n = weighing.weight_n
    n = i_fastest + 3  # nothing later has a say
    drop = weight_n - force_n[:n]
    band = max(ONSET_SD * weighing.sd_n, BAND_FLOOR_FRAC * weight_n)
    lasting = max(1, round(INSIDE_LASTS_S * rate_hz))
    here = motion.travel_m[max(0, weighing.last - weighing.first - 1)]
    at_rest = (np.abs(motion.velocity_mps[:n]) < REST_MPS) & (np.abs(motion.travel_m[:n] - here) < REST_M)
    steady = (np.abs(drop) <= band) & at_rest
    inside = [b for a, b in runs(steady[: i_fastest + 1]) if b - a >= lasting]
    i_light = (inside[-1] if inside else 0) + int(np.argmin(force_n[inside[-1] if inside else 0 : i_fastest + 1]))
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
    return min(place, min(starts) - jitter - ONSET_EARLY), max(place, max(starts) + jitter + ONSET_LATE)


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
    onset = find_onset(force, curves.rate_hz, curves.weighing, motion, i_fastest, curves.noise_n)
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
    half = LINE_HALF_S * curves.rate_hz
    level, slope, n = fitted_line(force, near, half)
    # As few samples as the noise asks for: a line over a kink at the weight is off, a quiet crossing needs none.
    wanted = (curves.noise_n / max(1e-9, abs(slope) * curves.rate_hz * CROSSING_U_S)) ** 2
    half = min(half, 0.5 * (wanted - 1.0))
    if half < 1.0:
        level, slope, n = float(force[int(near)]), float(force[int(near) + 1] - force[int(near)]), 2
        if curves.noise_n < QUIET_FRAC * abs(slope):
            near = _kinked(force - weight, int(near), near)
    else:
        level, slope, n = fitted_line(force, near, half)
    place = near
    if n > 2 and slope != 0.0 and (slope > 0.0) == rising:
        place = near + float(np.clip((weight - level) / slope, -half, half))
    d = curves.parts(curves.d_force, place) - curves.weight.parts
    # Between two samples the noise is that of a mean with weights p and 1 - p: 0.8 of one sample's on average.
    noise = curves.noise_n / np.sqrt(n) if n > 2 else 0.8 * curves.noise_n
    wide_level, wide_slope, _ = fitted_line(force, place, 2.0 * half)
    # What a wider line says differently, beyond its noise, is a bend or a kink.
    kink = 0.5 * max(0.0, abs(weight - wide_level) - 2.0 * noise) if n > 2 and (wide_slope > 0.0) == rising else 0.0
    # A kink between two samples costs more than a smooth bend, for which an eighth of the second difference is right.
    bend = 1.6 * max(curves.bend_n(np.floor(place), half), curves.bend_n(np.floor(place) + 1.0, half))
    u = float(np.sqrt(noise**2 + bend**2 + kink**2))
    parts = d + curves.local(slot, u)
    sign = 1.0 if rising else -1.0
    if n == 2:
        return place, curves.time(place, -parts / (sign * max(abs(slope), 1e-9) * curves.rate_hz))
    off_n = K95 * float(np.linalg.norm(parts))
    early, late = _lingering(moving_mean(force, n | 1), place, weight, off_n, rising=rising)
    if late - early > 2.0 * LINE_HALF_S * curves.rate_hz + 2.0:
        place = 0.5 * (early + late)
    steep = max(min(2.0 * off_n / max(late - early, 1e-9), abs(slope)), 1e-9)
    return place, curves.time(place, -parts / (sign * steep * curves.rate_hz))


def _kinked(y: FloatArray, i: int, place: float) -> float:
    """Zero between samples i and i + 1 of a quiet curve that may have a kink there: from the lines on either side.

    Both lines meet zero at a kink on zero; where the curve is smooth they agree, too. The straight line between the two
    samples would be drawn to the steeper side.
    """
    if i < 1 or i + 2 >= y.size:
        return place
    before, after = y[i] - y[i - 1], y[i + 2] - y[i + 1]
    if before == 0.0 or after == 0.0:
        return place
    sides = (i - y[i] / before, i + 1 - y[i + 1] / after)
    return float(np.mean(np.clip(sides, i, i + 1)))


def _lingering(force: FloatArray, place: float, weight: float, off_n: float, *, rising: bool) -> tuple[float, float]:
    """Span of places in which the force is within its uncertainty of the weight around a crossing.

    The force may linger at the weight between unweighting and braking; the tangent would then promise too much.
    """
    above = (1.0 if rising else -1.0) * (force - weight)
    i = int(place)
    before = np.flatnonzero(above[: i + 1] < -off_n)
    after = np.flatnonzero(above[i + 1 :] > off_n)
    a = int(before[-1]) if before.size else 0
    b = i + 1 + int(after[0]) if after.size else force.size - 1
    first = a + float(np.clip((-off_n - above[a]) / max(above[a + 1] - above[a], 1e-12), 0.0, 1.0))
    last = b - float(np.clip((above[b] - off_n) / max(above[b] - above[b - 1], 1e-12), 0.0, 1.0))
    return first, max(last, first)


def _takeoff(curves: LiftCurves, i_takeoff: int, threshold_n: float) -> tuple[float, Uncertain]:
    """Place and time of take-off: the falling force, under the threshold from `i_takeoff` on, drawn on to zero."""
    force = curves.force_n
    last = max(3, i_takeoff) - 1  # the last sample above the threshold
    slow = curves.rate_hz < SLOW_HZ
    first = last - 2 if slow else max(0, last - max(1, round(FALL_BACK_S * curves.rate_hz)))
    falling = force[first : last + 1]
    bend, slope, level = 0.0, *fitted_line(falling, last - first, last - first)[1::-1]
    if slow:
        bend, slope, level = parabola(falling, first - last)
    following = float(force[min(last + 1, force.size - 1)])
    gone = following < max(3.0 * curves.noise_n, 1e-3 * curves.weight.value)
    longest = 1.0 if slow or gone else 1.0 + LONGEST_TAIL_S * curves.rate_hz
    later = _first_zero(bend, slope, level, np.inf)
    abrupt = gone and later > ABRUPT_SAMPLES  # the force ends between two samples without having fallen before
    later = 0.5 if abrupt else min(later, longest)
    noise = curves.noise_n * 2.0 / np.sqrt(falling.size) / max(1e-9, -slope)
    # How the force bends on its last newtons is not seen.
    tail = 0.1 * min(threshold_n / max(1e-9, -slope), LONGEST_TAIL_S * curves.rate_hz)
    u = float(np.hypot(min(noise, later + 1.0), tail + (SLOW_TAKEOFF_U if slow else 0.04))) / curves.rate_hz
    if abrupt:
        u = 0.29 / curves.rate_hz
    return last + later, curves.time(last + later, curves.local("take-off", u))


def _first_zero(bend: float, slope: float, level: float, longest: float) -> float:
    """First zero ahead of a falling line or parabola, at most `longest` samples away."""
    if slope >= 0.0:
        return longest
    root = slope * slope - 4.0 * bend * level
    zero = -level / slope if root < 0.0 else 2.0 * level / (-slope + float(np.sqrt(root)))
    return float(np.clip(zero, 0.0, longest))


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
    return sum(b < speed.size - 1 for _, b in runs(speed > 0.05))
