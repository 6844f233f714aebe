"""How the common centre of mass of lifter and bar moves: dip, drive, flight, landing, recovery.

Everything is solved from the plan in closed form or by one root: the depth of the dip, the braking and unweighting
times and the peak velocity of the drive come out as planned; the shape of the force follows.
"""

from __future__ import annotations

from dataclasses import dataclass

from scipy.optimize import brentq

from forcekit.simulate.plan import LiftPlan
from forcekit.simulate.shapes import Piece, arrive, end_of, fall, hold, leave, push, ramp, settle

__all__ = ["SystemPath", "drive_end_height", "force_band", "system_path"]

_LANDING_RISE_S = 0.06
_PAUSE_RISE_S = 0.07
_PAUSE_FALL_FRAC = 0.35
_SHORTEST_FALL_S = 0.05
_SHORTEST_RISE_S = 0.015
_SLOPE_ROUNDS = 12
_SHORTEST_RETURN_FRAC = 0.12


@dataclass(frozen=True, slots=True)
class SystemPath:
    """Pieces of vertical acceleration of the common centre of mass from the onset on, and their instants (s)."""

    pieces: tuple[Piece, ...]
    lowest_s: float
    peak_s: float
    """Peak upward velocity."""
    drive_end_s: float
    takeoff_s: float | None
    landing_s: float | None
    steady_s: float
    """The end of the landing, or of the slowing down when the feet stay."""
    height_m: float
    """Height over stance at `steady_s`, where velocity and acceleration are zero."""


def system_path(plan: LiftPlan) -> SystemPath:
    """Vertical motion of the common centre of mass, from onset to standing still after the drive."""
    first = _first_dip(plan)
    unweighting, braking, at_lowest = _dip(plan)
    dip = [*first, *unweighting, *braking]
    drive, peak_s = _drive(plan, at_lowest)
    _, _, lowest_s = end_of(dip)
    velocity, height, drive_s = end_of([*dip, *drive])
    pieces = [*dip, *drive]
    if plan.feet_leave:
        after, flight_s = _flight_and_landing(plan, velocity)
        drive_end_s: float = drive_s
        takeoff_s: float | None = drive_s
        landing_s: float | None = drive_s + flight_s
    else:
        after = _slowing(plan, velocity)
        drive_end_s, takeoff_s, landing_s = lowest_s + peak_s, None, None
    pieces += after
    _, height, steady_s = end_of(pieces)
    return SystemPath(tuple(pieces), lowest_s, lowest_s + peak_s, drive_end_s, takeoff_s, landing_s, steady_s, height)


def force_band(plan: LiftPlan) -> tuple[float, float, float]:
    """Least force of the dip, force at the lowest point and peak force, over the weight, without sway."""
    unweighting, _, at_lowest = _dip(plan)
    down = unweighting[1].coefficients[0]
    g = plan.gravity_mps2
    return 1.0 + down / g, 1.0 + at_lowest / g, 1.0 + at_lowest * max(1.0, plan.drive_rise) / g


def drive_end_height(plan: LiftPlan) -> float:
    """Height of the common centre of mass over stance when the drive ends (m)."""
    unweighting, braking, at_lowest = _dip(plan)
    drive, _ = _drive(plan, at_lowest)
    return end_of([*_first_dip(plan), *unweighting, *braking, *drive])[1]


def _first_dip(plan: LiftPlan) -> list[Piece]:
    """Dip, come up part of the way, and start again: ends at rest 40 % of the first depth below stance."""
    depth = plan.first_dip_of_stature * plan.stature_m
    if depth == 0.0:
        return []
    return [settle(-depth, 0.42), settle(0.6 * depth, 0.34)]


def _dip(plan: LiftPlan) -> tuple[list[Piece], list[Piece], float]:
    """Pieces of unweighting and braking, and the upward acceleration with which the drive begins.

    Notes
    -----
    Both shapes are known up to a factor. With V the peak downward speed, unweighting (unit shape: speed s_u, path
    d_u) covers V·d_u/s_u and braking covers V·T_b − (V − v_p)·d_b/s_b + v_p·P, where v_p is the speed of sinking during
    a pause of P. Their sum is the depth, which gives V.
    """
    depth = (plan.dip_depth_of_stature - 0.4 * plan.first_dip_of_stature) * plan.stature_m
    t_u, r, q = plan.unweighting_s, plan.onset_ramp_frac, plan.unweighting_end_frac

    def down(a: float) -> list[Piece]:
        return [leave(-a, r * t_u, plan.onset_power), hold(-a, (1.0 - r - q) * t_u), fall(-a, 0.0, q * t_u)]

    paused = plan.pause_s > 0.0
    t_b, p = plan.braking_s, plan.braking_ramp_frac
    e = _PAUSE_FALL_FRAC if paused else 0.0
    p_used = min(p, 1.0 - e)

    def brake(b: float) -> list[Piece]:
        out = [arrive(0.0, b, p_used * t_b), hold(b, (1.0 - p_used - e) * t_b)]
        return [*out, ramp(b, 0.0, e * t_b)] if paused else out

    sink = plan.pause_sink_mps if paused else 0.0
    s_b, d_b, _ = end_of(brake(1.0))
    # The force goes through the weight without a kink where the shapes allow it: its slope, 1.5 a/(q T_u) before and
    # 1.5 b/(p T_b) after, is made the same by choosing q.
    for _ in range(_SLOPE_ROUNDS):
        s_u, d_u, _ = end_of(down(1.0))
        speed = (depth - sink * (d_b / s_b + plan.pause_s)) / (d_u / s_u + t_b - d_b / s_b)
        unweighting, b = down(speed / -s_u), (speed - sink) / s_b
        q = min(max((speed / -s_u) * p_used * t_b / (b * t_u), _SHORTEST_RETURN_FRAC), 0.95 - r)
    if not paused:
        return unweighting, brake(b), b
    # The pause ends where the velocity is zero: the first bit of the drive's rise stops the sinking.
    b_drive = max(b, 6.0)
    stop_s = _rise_that_stops(sink, b_drive)
    stop = _part_of_ramp(b_drive, stop_s)
    return unweighting, [*brake(b), hold(0.0, plan.pause_s), stop], b_drive


def _rise_that_stops(speed: float, b: float) -> float:
    """Time after which a smooth rise to `b` has taken away a downward speed."""

    def left_over(t: float) -> float:
        u = t / _PAUSE_RISE_S
        return b * _PAUSE_RISE_S * (u**3 - 0.5 * u**4) - speed

    return float(brentq(left_over, 0.0, _PAUSE_RISE_S, xtol=1e-15))


def _part_of_ramp(b: float, duration_s: float) -> Piece:
    whole = ramp(0.0, b, _PAUSE_RISE_S)
    return Piece(duration_s, whole.coefficients)


def _drive(plan: LiftPlan, a_lowest: float) -> tuple[list[Piece], float]:
    """Pieces of the drive and the time from the lowest point to the peak upward velocity.

    Notes
    -----
    A rise, then a fall of the acceleration to −g (take-off) or to the slowing down. Velocity fixes the time of the
    rise for each time of the fall; the fall is chosen so that the drive ends at the planned height, as far as the
    force at the lowest point allows.
    """
    g = plan.gravity_mps2
    end = -g if plan.feet_leave else -plan.feet_stay_deceleration_frac * g
    top = a_lowest * plan.drive_rise
    head = _head(plan, a_lowest)
    v0, _, _ = end_of(head)
    start = a_lowest
    if plan.drive_velocity_mps - v0 < _gain(top, end, _SHORTEST_FALL_S) + _SHORTEST_RISE_S * (start + top) / 2.0:
        top = 0.8 * a_lowest

    def rise_s(fall_s: float) -> float:
        return (plan.drive_velocity_mps - v0 - _gain(top, end, fall_s)) * 2.0 / (start + top)

    def pieces(fall_s: float) -> list[Piece]:
        return [*head, ramp(start, top, rise_s(fall_s)), fall(top, end, fall_s)]

    longest = (plan.drive_velocity_mps - v0 - _SHORTEST_RISE_S * (start + top) / 2.0) / _gain(top, end, 1.0)
    shortest = min(_SHORTEST_FALL_S, 0.5 * longest)
    depth = plan.dip_depth_of_stature * plan.stature_m

    def too_high(fall_s: float) -> float:
        return end_of(pieces(fall_s))[1] - depth - plan.drive_end_height_m

    if too_high(longest) < 0.0:
        fall_s = longest
    elif too_high(shortest) > 0.0:
        fall_s = shortest
    else:
        fall_s = float(brentq(too_high, shortest, longest, xtol=1e-6))
    chosen = pieces(fall_s)
    peak_s = end_of(chosen[:-1])[2] + _zero_frac(top, end) * fall_s
    return chosen, peak_s


def _head(plan: LiftPlan, a_lowest: float) -> list[Piece]:
    """After a pause, the rest of the rise that began before the lowest point."""
    if plan.pause_s == 0.0:
        return []
    stop_s = _rise_that_stops(plan.pause_sink_mps, a_lowest)
    c = ramp(0.0, a_lowest, _PAUSE_RISE_S).coefficients
    shifted = (
        c[2] * stop_s**2 + c[3] * stop_s**3,
        2.0 * c[2] * stop_s + 3.0 * c[3] * stop_s**2,
        c[2] + 3.0 * c[3] * stop_s,
        c[3],
    )
    return [Piece(_PAUSE_RISE_S - stop_s, shifted)]


def _zero_frac(top: float, end: float) -> float:
    """Where the fall from `top` to `end` crosses zero, as a part of its duration."""
    return float(brentq(lambda u: top + (end - top) * (1.5 * u**2 - 0.5 * u**3), 0.0, 1.0, xtol=1e-15))


def _gain(top: float, end: float, fall_s: float) -> float:
    """Velocity gained during a fall before the acceleration is zero."""
    u = _zero_frac(top, end)
    return fall_s * (top * u + (end - top) * (0.5 * u**3 - 0.125 * u**4))


def _flight_and_landing(plan: LiftPlan, velocity: float) -> tuple[list[Piece], float]:
    g = plan.gravity_mps2
    flight_s = max((velocity + plan.landing_velocity_mps) / g, 0.08)
    landing = g * flight_s - velocity
    peak = (plan.landing_peak_of_weight - 1.0) * g
    stop_s = 2.0 * (landing - _LANDING_RISE_S * (peak - g) / 2.0) / peak
    if stop_s < 0.08:
        stop_s = 0.08
        peak = (landing + _LANDING_RISE_S * g / 2.0) * 2.0 / (_LANDING_RISE_S + stop_s)
    return [hold(-g, flight_s), ramp(-g, peak, _LANDING_RISE_S), ramp(peak, 0.0, stop_s)], flight_s


def _slowing(plan: LiftPlan, velocity: float) -> list[Piece]:
    a = plan.feet_stay_deceleration_frac * plan.gravity_mps2
    end_s = 0.12
    hold_s = velocity / a - end_s / 2.0
    if hold_s >= 0.0:
        return [hold(-a, hold_s), ramp(-a, 0.0, end_s)]
    return (
        [ramp(-a, 0.0, 2.0 * velocity / a)]
        if velocity > 0.0
        else [ramp(-a, 0.0, 0.05), push(a * 0.025 - velocity, 0.2)]
    )
