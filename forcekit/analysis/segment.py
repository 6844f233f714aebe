"""Where the lifts are in a recording: every dip and drive that starts from standing still, and nothing else.

A session holds much that loads and unloads a plate: stepping on, unracking, walking out, breathing in, re-gripping,
sinking and thinking better of it, catching, lowering the bar, racking. What makes a lift is tested on the motion
that follows a still stretch, integrated from it with the weight found in it::

    speed   0 ──still──┐           ┌── fast upward (>= 0.40 m/s): a drive
                       └─ down ────┘   back near or above the starting height
                         (>= 0.25 m/s): a dip        never unloaded before that
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forcekit.mechanics.motion import running_integral
from forcekit.mechanics.stance import still_stretches
from forcekit.mechanics.zero import ZeroReport, runs
from forcekit.model import FloatArray
from forcekit.results import PassedOver

__all__ = ["Candidate", "find_lifts", "takeoff_threshold"]

SLOWEST_DIP_MPS = 0.25
"""Peak downward speed that makes a dip; a drill with a light bar has about twice that (our choice)."""
SLOWEST_DRIVE_MPS = 0.40
"""Peak upward speed that makes a drive; standing up from an aborted dip stays below 0.3 m/s (our choice)."""
LONGEST_WAIT_S = 1.2
"""From the end of the still stretch until the dip is under way."""
LONGEST_LIFT_S = 5.0
"""From the end of the still stretch to the end of the drive; leaves room for a drill with a long pause."""
DEPTH_RANGE_M = (0.03, 0.60)
UNLOADED_FRAC = 0.08
UNLOADED_LASTS_S = 0.15
"""Below this part of the system weight for this long the lifter has left the plate; a dip that falls as fast as the bar
comes near it for a shorter time (our choice)."""
SHORTEST_STANCE_S = 0.8
WORTH_NAMING_S = 0.25
"""After this much standing still a dip and drive is named when it is not counted."""
LONGEST_DRIVE_S = 1.5
"""From the lowest point to the end of the drive; longer is standing up (our choice)."""
SHORTEST_CUT_STANCE_S = 0.1
"""Enough to find a lift when the recording starts inside the stance; the weighing is then called bad."""
TAKEOFF_FLOOR_N = 10.0
"""Usual fixed threshold (Pérez-Castilla et al. 2021 compare it with 5 SD of the unloaded plate; abstract seen)."""
TAKEOFF_UNKNOWN_N = 20.0
"""Threshold when the plate was never seen unloaded (our choice)."""
TAKEOFF_LASTS_S = 0.02
TAKEOFF_WITHIN_S = 0.20
"""The force falls from system weight to nothing within this time when the feet leave (our choice)."""
DOUBLE_WITHIN_S = 1.2
"""A second, faster drive within this time makes the first one part of a double dip (our choice)."""
RISE_WITHIN_S = 0.30
LEAST_RISE_FRAC = 0.2
"""Lifter and bar together come back up by this part of the depth until this long after the drive (our choice)."""
HOP_N = 450.0
"""A hop pushes with more than this before it; lighter contacts are steps (our choice)."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """One dip and drive found: its still stretch and rough places, in samples of the recording."""

    still_first: int
    still_last: int
    fastest_down: int
    lowest: int
    drive_end: int
    takeoff: int | None
    truncated: bool
    """The recording starts inside the stance."""

    def moved(self, by: int) -> Candidate:
        """Give the same with `by` samples added to every place."""
        return Candidate(
            self.still_first + by,
            self.still_last + by,
            self.fastest_down + by,
            self.lowest + by,
            self.drive_end + by,
            None if self.takeoff is None else self.takeoff + by,
            self.truncated,
        )


def takeoff_threshold(zero: ZeroReport, noise_n: float) -> float:
    """Force (N) under which the plate counts as unloaded: 5 SD of the unloaded plate, at least 10 N.

    Where an exporter cut small forces to zero, it is the smallest force it let through.
    """
    if zero.clipped_n is not None:
        return max(TAKEOFF_FLOOR_N, zero.clipped_n)
    if zero.noise_n is not None:
        return max(TAKEOFF_FLOOR_N, 5.0 * zero.noise_n)
    return max(TAKEOFF_UNKNOWN_N, 5.0 * noise_n)


def find_lifts(
    force_n: FloatArray,
    rate_hz: float,
    noise_n: float,
    threshold_n: float,
    gravity_mps2: float,
    *,
    shortest_stance_s: float = SHORTEST_STANCE_S,
) -> tuple[list[Candidate], list[PassedOver], list[tuple[int, int]]]:
    """Find every dip and drive of a recording.

    Parameters
    ----------
    force_n : array, shape (n,), newton
        Vertical force with the zero removed.
    rate_hz : float
    noise_n : float, newton
    threshold_n : float, newton
        See `takeoff_threshold`.
    gravity_mps2 : float
    shortest_stance_s : float, second
        Less standing still before a dip makes no lift; at most 0.8 s.

    Returns
    -------
    candidates, passed over, still stretches
    """
    stretches = still_stretches(force_n, rate_hz, noise_n)
    found: list[Candidate] = []
    passed: list[PassedOver] = []
    done = 0
    for number, (first, last) in enumerate(stretches):
        first = max(first, done)
        following = stretches[number + 1][0] if number + 1 < len(stretches) else force_n.size
        length_s = (last - first) / rate_hz
        shortest = SHORTEST_CUT_STANCE_S if first == 0 else min(SHORTEST_STANCE_S, shortest_stance_s)
        if length_s < min(shortest, WORTH_NAMING_S):
            continue
        result = _follow(force_n, first, last, following, rate_hz, threshold_n, gravity_mps2)
        if length_s < shortest:
            if isinstance(result, Candidate):
                why = f"a dip and drive after only {length_s:.2f} s of standing still; {shortest:.1f} s are needed"
                passed.append(PassedOver(result.lowest / rate_hz, why))
            continue
        if isinstance(result, Candidate):
            found.append(result)
            done = result.drive_end
        elif result is not None:
            passed.append(result)
    passed += _flights_without_stance(force_n, rate_hz, threshold_n, found)
    return found, sorted(passed, key=lambda p: p.at_s), stretches


def _follow(
    force_n: FloatArray,
    first: int,
    last: int,
    following: int,
    rate_hz: float,
    threshold_n: float,
    gravity_mps2: float,
) -> Candidate | PassedOver | None:
    """Integrate from a still stretch and judge what comes after it."""
    guard = min(round(0.15 * rate_hz), (last - first) // 4)
    base = max(first, last - guard - round(3.0 * rate_hz))
    weight = float(force_n[base : last - guard].mean())
    stop = min(force_n.size, last + round(LONGEST_LIFT_S * rate_hz))
    offset = last - guard - base
    wait = offset + guard + round(LONGEST_WAIT_S * rate_hz)
    acceleration = gravity_mps2 * (force_n[base : min(stop, base + wait)] / weight - 1.0)
    speed = running_integral(acceleration, 1.0 / rate_hz)
    moving = np.flatnonzero(np.abs(speed[offset:]) > SLOWEST_DIP_MPS)
    if moving.size == 0 or speed[offset + moving[0]] > 0.0:
        return None
    speed = running_integral(gravity_mps2 * (force_n[base:stop] / weight - 1.0), 1.0 / rate_hz)
    i_down = offset + int(moving[0])
    if following < base + i_down - round(0.1 * rate_hz) and following - last > 0:
        return None  # a later still stretch is nearer to this movement and will be asked
    at_s = (base + i_down) / rate_hz
    up = np.flatnonzero(speed[i_down:] >= SLOWEST_DRIVE_MPS)
    i_up = i_down + int(up[0]) if up.size else speed.size - 1
    light = runs(force_n[base + i_down : base + i_up] < UNLOADED_FRAC * weight)
    if any(b - a > UNLOADED_LASTS_S * rate_hz for a, b in light):
        return None  # stepped off, or the bar was put away
    if not up.size:
        return _no_drive(speed, i_down, at_s)
    i_end, takeoff = _drive_end(force_n, speed, base, i_up, weight, threshold_n, rate_hz)
    if takeoff is None and i_end >= speed.size - max(3, round(0.02 * rate_hz)) and base + speed.size >= force_n.size:
        return PassedOver(at_s, "a dip whose drive is cut off: the recording ends before the drive does")
    again = speed[i_end : i_end + round(DOUBLE_WITHIN_S * rate_hz)]
    if takeoff is None and again.max() > 1.3 * speed[i_end]:  # the first of two dips: the drive comes after the second
        i_up = i_end + int(np.argmax(again > 1.1 * speed[i_end]))
        i_end, takeoff = _drive_end(force_n, speed, base, i_up, weight, threshold_n, rate_hz)
    i_lowest = i_down + int(np.argmin(np.cumsum(speed[i_down : i_up + 1])))
    depth = -float(np.sum(speed[offset:i_lowest])) / rate_hz
    highest = np.cumsum(speed[i_lowest : (takeoff or i_end) + round(RISE_WITHIN_S * rate_hz)])
    rise = float(highest.max()) / rate_hz
    if not DEPTH_RANGE_M[0] <= depth <= DEPTH_RANGE_M[1] or rise < LEAST_RISE_FRAC * depth:
        return PassedOver(at_s, f"a movement down {100 * depth:.0f} cm and up {100 * rise:.0f} cm, not a dip and drive")
    if (i_end - i_lowest) / rate_hz > LONGEST_DRIVE_S:
        return PassedOver(at_s, f"a movement up that takes {(i_end - i_lowest) / rate_hz:.1f} s, not a drive")
    i_fastest = offset + int(np.argmin(speed[offset : i_lowest + 1]))
    return Candidate(
        still_first=first,
        still_last=last,
        fastest_down=base + i_fastest,
        lowest=base + i_lowest,
        drive_end=base + i_end,
        takeoff=None if takeoff is None else base + takeoff,
        truncated=first == 0,
    )


def _no_drive(speed: FloatArray, i_down: int, at_s: float) -> PassedOver | None:
    """Name an aborted dip; None for movements that are no dip at all (racking, stepping down)."""
    back = np.flatnonzero(speed[i_down:] >= -0.05)
    if back.size == 0:
        return None
    best = float(speed[i_down + int(back[0]) :].max())
    return PassedOver(
        at_s,
        f"a movement down and back without a drive (fastest upward {best:.2f} m/s, "
        f"a drive needs {SLOWEST_DRIVE_MPS:.2f})",
    )


def _drive_end(
    force_n: FloatArray,
    speed: FloatArray,
    base: int,
    i_up: int,
    weight: float,
    threshold_n: float,
    rate_hz: float,
) -> tuple[int, int | None]:
    """Rough sample of the end of the drive (peak upward speed) and of take-off, relative to `base`."""
    force = force_n[base : base + speed.size]
    ahead = max(2, round(0.15 * rate_hz))
    i_peak = i_up
    while True:
        below = np.flatnonzero(force[i_peak:] < weight)
        if below.size == 0:
            return i_peak + int(np.argmax(speed[i_peak:])), None
        i_peak += int(below[0])
        later = speed[i_peak : i_peak + ahead]
        if later.size == 0 or later.max() <= 1.02 * speed[i_peak] + 0.005:
            break
        i_peak += int(np.argmax(later))
    lasting = max(1, round(TAKEOFF_LASTS_S * rate_hz))
    stop = min(force.size, i_peak + round(TAKEOFF_WITHIN_S * rate_hz) + lasting)
    for a, b in runs(force[i_peak:stop] < threshold_n):
        if b - a >= lasting:
            return i_peak, i_peak + a
    return i_peak, None


def _flights_without_stance(
    force_n: FloatArray, rate_hz: float, threshold_n: float, found: list[Candidate]
) -> list[PassedOver]:
    """Name the airborne phases that belong to no lift: a hop after landing, a jump out of a walk."""
    named: list[PassedOver] = []
    loaded = force_n > threshold_n
    for a, b in runs(~loaded):
        length_s = (b - a) / rate_hz
        if a == 0 or b == force_n.size or not 0.05 <= length_s <= 0.9:
            continue
        of_a_lift = any(c.takeoff is not None and abs(a - c.takeoff) < 0.1 * rate_hz for c in found)
        before = force_n[max(0, a - round(0.3 * rate_hz)) : a]
        if not of_a_lift and before.size and before.max() > HOP_N:
            named.append(PassedOver(a / rate_hz, "the feet left the plate without standing still before it"))
    return named
