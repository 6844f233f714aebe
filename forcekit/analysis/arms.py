"""Measures that the bar's sensor shows by itself: whether the bar stays on the shoulders and in line.

What plate and bar show only together stands in `bar_and_plate`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from forcekit.analysis.phases import TRANSITION_MPS
from forcekit.analysis.reading import Reading, Readings
from forcekit.errors import CannotMeasure, InputError, Reason
from forcekit.mechanics.bar import BarMotion, bar_motion
from forcekit.mechanics.bar_quality import bar_quality
from forcekit.mechanics.bar_readings import BarReadings, bar_settings
from forcekit.mechanics.bar_readout import (
    Instant,
    bar_at,
    bar_parts,
    bar_peak_speed,
    bar_zero_speed,
    ellipse,
    read_ahead,
)
from forcekit.mechanics.bar_stillness import bar_rests
from forcekit.mechanics.clock_map import ClockMap
from forcekit.mechanics.crossings import peak
from forcekit.mechanics.rack import rack_load
from forcekit.mechanics.uncertain import Uncertain
from forcekit.model import FloatArray
from forcekit.results import BarCurves, QualityCheck

__all__ = ["BarLift", "LiftTimes", "at_own_instants", "bar_measures", "follow_bar", "not_covered", "shown_bar"]

BEFORE_S, AFTER_S = 3.0, 9.0
"""The bar is followed from this long before the onset to this long after the drive, to find its rests."""
OFF_AXIS_U_M = 0.015
"""How far beside the shaft's axis a clamped sensor may sit (standard uncertainty; a shaft of 28 mm and a housing of two
centimetres, our choice): when the shaft turns, the sensor moves and the bar does not."""
PEAK_AFTER_S = 0.2
"""The bar's peak upward speed is looked for until this long after the drive (see the registry)."""
BEND_U_S = 0.0002
"""Standard uncertainty of the bar's fastest moment from how its acceleration bends there (seen in simulated lifts)."""
LIGHT_HALF_S = 0.008


@dataclass(frozen=True, slots=True)
class LiftTimes:
    """The instants of a lift on the plate's clock (or, without a plate, on the bar's own), in seconds."""

    onset_s: float
    lowest_s: float
    drive_end_s: float
    takeoff_s: float | None


@dataclass(frozen=True, slots=True, eq=False)
class BarLift:
    """The bar's motion around one lift and the map from the lift's clock into its window."""

    motion: BarMotion
    clock: ClockMap | None
    window_start_s: float
    """On the bar's clock."""
    times: LiftTimes
    gravity_mps2: float
    moved_s: float = 0.0
    """Standard uncertainty from a bar that bends and so moved the clock that its dip was aligned with; without a plate,
    of the bar's own instants."""

    def at(self, t_s: float) -> float:
        """Time in the window for a time on the lift's clock."""
        return float(self.window_times(np.array([t_s]))[0])

    def window_times(self, t_s: FloatArray) -> FloatArray:
        """Times in the window for times on the lift's clock, shape (n,)."""
        on_bar = t_s if self.clock is None else self.clock.to_bar(t_s)
        return np.asarray(on_bar - self.window_start_s)

    def lift_time(self, window_s: float) -> float:
        """Time on the lift's clock for a time in the window."""
        return float(self.lift_times(np.array([window_s]))[0])

    def lift_times(self, window_s: FloatArray) -> FloatArray:
        """Times on the lift's clock for times in the window, shape (n,)."""
        on_bar = window_s + self.window_start_s
        return on_bar if self.clock is None else self.clock.to_plate(on_bar)

    def clock_u_s(self, t_s: float) -> float:
        """Standard uncertainty of the clock map, a bar that bends included."""
        return math.hypot(0.0 if self.clock is None else self.clock.u_at(t_s), self.moved_s)


def not_covered() -> CannotMeasure:
    """Why nothing is said of a bar whose samples are not there in a lift."""
    told = "the sensor on the bar was not recording during this lift, or sent too few samples"
    return CannotMeasure(Reason.GAP, told)


def follow_bar(
    readings: BarReadings, times: LiftTimes, clock: ClockMap | None, gravity_mps2: float
) -> tuple[BarLift | CannotMeasure, tuple[QualityCheck, ...]]:
    """Compute the bar's motion around one lift, and check its readings.

    Parameters
    ----------
    readings : BarReadings
        Of the whole recording.
    times : LiftTimes
    clock : ClockMap or None
        None when the times are on the bar's own clock.
    gravity_mps2 : float
    """

    def on_bar(t: float) -> float:
        return t if clock is None else float(clock.to_bar(np.array([t]))[0])

    first = int(np.searchsorted(readings.t_s, on_bar(times.onset_s - BEFORE_S)))
    last = int(np.searchsorted(readings.t_s, on_bar(times.drive_end_s + AFTER_S)))
    cut = slice(first, last)
    accel = readings.accel_mps2[cut]
    gyro = None if readings.gyro_radps is None else readings.gyro_radps[cut]
    rate = readings.rate_hz
    bad = readings.missing[cut] | readings.saturated[cut]
    if accel.shape[0] < rate:
        return not_covered(), ()
    if on_bar(times.onset_s) < readings.t_s[first]:
        return CannotMeasure(Reason.GAP, "the bar's recording begins after the dip does"), ()
    if on_bar(times.drive_end_s) > readings.t_s[cut][-1]:
        return CannotMeasure(Reason.GAP, "the bar's recording ends before the drive does"), ()
    start_s = float(readings.t_s[first])

    def check(motion: BarMotion | None) -> tuple[QualityCheck, ...]:
        return bar_quality(
            accel,
            gyro,
            rate,
            gravity_mps2=gravity_mps2,
            up_axis=readings.sensor.up_axis,
            missing=readings.missing[cut],
            saturated=readings.saturated[cut] if readings.saturated.any() else None,
            motion=motion,
            from_middle_m=readings.sensor.from_middle_m,
        )

    try:
        rests = bar_rests(accel, gyro, rate)
        stance = _stance(rests, (on_bar(times.onset_s) - start_s) * rate, rate)
        motion = bar_motion(
            accel,
            gyro,
            rate,
            stance=stance,
            rests=rests,
            shaft_axis=readings.sensor.shaft_axis,
            from_middle_m=readings.sensor.from_middle_m,
            gravity_mps2=gravity_mps2,
            unusable=_in_the_way(bad, stance, rests, (on_bar(times.drive_end_s) - start_s) * rate),
            settings=bar_settings(readings.sensor),
        )
    except CannotMeasure as reason:
        return reason, check(None)
    except InputError as error:  # a sensor that cannot be believed takes nothing from what the plate says
        return CannotMeasure(Reason.BAR_UNUSABLE, str(error).rstrip(".")), check(None)
    checks = check(motion)
    lift = BarLift(motion, clock, start_s, times, gravity_mps2)
    if _still_gaining(lift):
        return CannotMeasure(Reason.GAP, "the bar's recording ends while the bar still gains speed"), checks
    return lift, checks


def _still_gaining(lift: BarLift) -> bool:
    """Whether the bar is fastest at the last sample there is."""
    m = lift.motion
    low, end = (int(lift.at(t) * m.rate_hz) for t in (lift.times.lowest_s, lift.times.drive_end_s + PEAK_AFTER_S))
    return bool(low + np.argmax(m.velocity_mps[low : end + 2, 2]) == m.velocity_mps.shape[0] - 1)


def _stance(rests: tuple[tuple[int, int], ...], onset: float, rate_hz: float) -> tuple[int, int]:
    """The bar's rest before the onset, cut at the onset."""
    before = [(a, min(b, int(onset))) for a, b in rests if a < onset]
    before = [(a, b) for a, b in before if b - a >= 0.3 * rate_hz and onset - b < 1.0 * rate_hz]
    if not before:
        raise CannotMeasure(Reason.NO_STANCE, "the bar was not at rest before the dip")
    return before[-1]


def _in_the_way(
    bad: np.ndarray[tuple[int, ...], np.dtype[np.bool_]],
    stance: tuple[int, int],
    rests: tuple[tuple[int, int], ...],
    end: float,
) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Unusable samples that matter: between the stance and the end of the drive."""
    out = np.zeros_like(bad)
    out[stance[0] : int(end) + 1] = bad[stance[0] : int(end) + 1]
    return out


# --------------------------------------------------------------------------------------------- the bar alone


def bar_measures(lift: BarLift) -> Readings:
    """Measures that the bar's sensor shows by itself.

    Parameters
    ----------
    lift : BarLift
    """
    m, at = lift.motion, lift.times
    onset, low, end = (lift.at(t) for t in (at.onset_s, at.lowest_s, at.drive_end_s))
    marks = (onset, low, end)
    read_ahead(m, {"travel": marks} if m.shaft_angle_rad is None else {"travel": marks, "shaft angle": marks})
    fastest_down, bottom, top = _turning_points(lift, onset, low, end)
    out: Readings = {"bar_peak_velocity": Reading(top.value)}
    out["bar_least_rack_load"] = Reading(_least_load(lift, onset, low))
    if bottom is None:
        out["bar_dip_depth"] = CannotMeasure(Reason.DID_NOT_HAPPEN, "the bar did not turn upward at the lowest point")
    else:
        out["bar_dip_depth"] = Reading(bar_at(m, "travel", onset) - bottom.value)
        out |= _times(lift, onset, fastest_down, bottom, top)
    if at.takeoff_s is None:
        out["bar_velocity_at_takeoff"] = CannotMeasure(Reason.NO_TAKEOFF)
    else:
        t = lift.at(at.takeoff_s)
        slope = bar_at(m, "acceleration", t).value
        velocity = bar_at(m, "velocity", t).widened(slope * lift.clock_u_s(at.takeoff_s))
        out["bar_velocity_at_takeoff"] = Reading(velocity)
    return {**out, **_level(lift, onset, low, end)}


def _turning_points(lift: BarLift, onset: float, low: float, end: float) -> tuple[Instant, Instant | None, Instant]:
    """Fastest down, lowest and fastest up; the lowest is None where the bar does not turn upward."""
    m = lift.motion
    around = slice(*(int(np.clip(t * m.rate_hz, 0, m.travel_m.shape[0] - 2)) for t in (low - 0.2, low + 0.2)))
    deepest = (around.start + int(np.argmin(m.travel_m[around, 2]))) / m.rate_hz
    bottom = bar_zero_speed(m, deepest - 1.5 / m.rate_hz, deepest + 1.5 / m.rate_hz + 0.005)
    top = bar_peak_speed(m, low, end + PEAK_AFTER_S)
    return bar_peak_speed(m, onset, low, largest=False), bottom, top


def at_own_instants(lift: BarLift) -> BarLift:
    """Lift whose lowest point and end of the drive are where the bar's own motion has them, not rough places.

    Parameters
    ----------
    lift : BarLift
        Without a plate.
    """
    at = lift.times
    _, bottom, top = _turning_points(lift, *(lift.at(t) for t in (at.onset_s, at.lowest_s, at.drive_end_s)))
    if bottom is None:
        return lift
    times = replace(at, lowest_s=lift.lift_time(bottom.t_s), drive_end_s=lift.lift_time(top.t_s))
    return replace(lift, times=times, moved_s=max(bottom.u_s, top.u_s))


def _times(lift: BarLift, onset: float, fastest: Instant, bottom: Instant, top: Instant) -> Readings:
    """Timing of the bar's dip and drive."""
    m = lift.motion

    def span(first: tuple[float, float], last: tuple[float, float]) -> Reading:
        return Reading(Uncertain(last[0] - first[0], np.array([first[1], last[1]])))

    out: Readings = {
        # The onset is known to about 10 ms only (see `phases.find_onset`).
        "bar_dip_time": span((onset, 0.008), (bottom.t_s, bottom.u_s)),
        "bar_braking_time": span((fastest.t_s, math.hypot(fastest.u_s, BEND_U_S)), (bottom.t_s, bottom.u_s)),
        "bar_drive_time": span((bottom.t_s, bottom.u_s), (top.t_s, top.u_s)),
    }
    v = m.velocity_mps[:, 2]
    i = int(bottom.t_s * m.rate_hz)
    before = np.flatnonzero(v[: i + 1] < -TRANSITION_MPS)
    after = np.flatnonzero(v[i:] > TRANSITION_MPS)
    if before.size and after.size:
        a, b = int(before[-1]), i + int(after[0]) - 1
        places = [a + (-TRANSITION_MPS - v[a]) / (v[a + 1] - v[a]), b + (TRANSITION_MPS - v[b]) / (v[b + 1] - v[b])]
        t = np.array(places) / m.rate_hz
        steep = 2.0 * TRANSITION_MPS / (t[1] - t[0])
        d = bar_parts(m, "velocity", t, "up")
        shared = -(d[1] - d[0]) / steep
        noise = math.sqrt(2.0) * m.accel_noise * math.sqrt(max(t[1] - t[0], 1.0 / m.rate_hz)) / steep
        noise = math.hypot(noise, math.sqrt(2.0) * m.arm_noise_mps / steep)
        out["bar_transition_time"] = Reading(Uncertain(float(t[1] - t[0]), shared).widened(noise))
    else:
        out["bar_transition_time"] = CannotMeasure(Reason.DID_NOT_HAPPEN)
    return out


def _least_load(lift: BarLift, onset: float, low: float) -> Uncertain:
    """Smallest rack load between onset and lowest point."""
    m = lift.motion
    load = rack_load(m.acceleration_mps2[:, 2], lift.gravity_mps2)
    i, j = int(onset * m.rate_hz), int(low * m.rate_hz)
    noise = m.accel_noise * math.sqrt(m.rate_hz) / lift.gravity_mps2
    value, place, n = peak(load, i, j, LIGHT_HALF_S * m.rate_hz, noise, largest=False)
    closer, _, _ = peak(load, i, j, 0.5 * LIGHT_HALF_S * m.rate_hz, noise, largest=False)
    error = bar_at(m, "acceleration", place / m.rate_hz)
    turn = _angular_acceleration(m, place)
    arm = math.hypot(OFF_AXIS_U_M * turn, m.arm_noise_mps2) / lift.gravity_mps2
    local = math.hypot(noise * 1.5 / math.sqrt(n), 0.5 * abs(closer - value), arm)
    return Uncertain(value, error.parts / lift.gravity_mps2).widened(local)


def _angular_acceleration(m: BarMotion, place: float) -> float:
    """Size of the shaft's angular acceleration (rad/s²) around a place, over 40 ms."""
    if m.shaft_angle_rad is None:
        return 0.0
    w = max(1, round(0.02 * m.rate_hz))
    i = int(np.clip(round(place), w, m.shaft_angle_rad.size - 1 - w))
    a = m.shaft_angle_rad
    return abs(float(a[i - w] - 2.0 * a[i] + a[i + w])) * (m.rate_hz / w) ** 2


def _level(lift: BarLift, onset: float, low: float, end: float) -> Readings:
    """Forward travel and shaft rotation, or why they are not known."""
    m = lift.motion
    names = ("bar_forward_in_dip", "bar_forward_in_drive", "shaft_rotation_dip", "shaft_rotation_drive")
    try:
        forward = [bar_at(m, "travel", t, "forward") for t in (onset, low, end)]
        angle = [bar_at(m, "shaft angle", t) for t in (onset, low, end)]
    except CannotMeasure as reason:
        return {name: reason for name in names}
    turns = (angle[1] - angle[0], angle[2] - angle[1])
    ways = (forward[1] - forward[0], forward[2] - forward[1])
    assert m.shaft_angle_rad is not None
    # The instants are the plate's: a clock that is off moves both ends of a stretch alike.
    clock_u = lift.clock_u_s(lift.times.lowest_s)
    drifts = clock_u * np.diff([_slope(m.travel_m[:, 0], t * m.rate_hz, m.rate_hz) for t in (onset, low, end)])
    slips = clock_u * np.diff([_slope(m.shaft_angle_rad, t * m.rate_hz, m.rate_hz) for t in (onset, low, end)])
    values = (
        *(w.widened(math.hypot(OFF_AXIS_U_M * t.value, d)) for w, t, d in zip(ways, turns, drifts, strict=True)),
        *(t.widened(abs(s)) for t, s in zip(turns, slips, strict=True)),
    )
    if m.axis is not None and not m.axis.sign_known:
        unknown = CannotMeasure(Reason.NO_SHAFT_AXIS, "forward and back may be swapped; declare shaft_axis")
        return {name: unknown for name in names}
    return {name: Reading(value) for name, value in zip(names, values, strict=True)}


def _slope(curve: FloatArray, place: float, rate_hz: float) -> float:
    """Change of a curve per second around a place, over 20 ms."""
    w = max(1, round(0.01 * rate_hz))
    i = int(np.clip(round(place), w, curve.size - 1 - w))
    return float(curve[i + w] - curve[i - w]) * rate_hz / (2 * w)


# --------------------------------------------------------------------------------------------------- curves


def shown_bar(lift: BarLift) -> BarCurves:
    """Return the bar's curves on the lift's clock, with the uncertainty of its path at the marks."""
    m, at = lift.motion, lift.times
    i, j = (
        int(np.clip(lift.at(t) * m.rate_hz, 0, m.travel_m.shape[0])) for t in (at.onset_s - 0.5, at.drive_end_s + 0.6)
    )
    t = lift.lift_times(np.arange(i, j) / m.rate_hz)
    forward = angle = None
    ellipses: tuple[tuple[float, float, float], ...] = ()
    marks = (at.onset_s, at.lowest_s, at.drive_end_s)
    known = m.has_gyro and m.axis is not None and m.axis.sign_known
    if known:
        forward = m.travel_m[i:j, 0]
        angle = None if m.shaft_angle_rad is None else m.shaft_angle_rad[i:j]
        found = [ellipse(bar_at(m, "travel", lift.at(s), "forward"), bar_at(m, "travel", lift.at(s))) for s in marks]
        ellipses = tuple((e.long_m, e.short_m, e.angle_rad) for e in found)
    return BarCurves(t, m.travel_m[i:j, 2], m.velocity_mps[i:j, 2], forward, angle, marks, ellipses)
