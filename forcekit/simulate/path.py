"""How a `LiftPlan` becomes a chunk of motion: body, bar, shaft and pressure around the path of the common mass."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from forcekit.model import FloatArray
from forcekit.simulate.dip import SystemPath, system_path
from forcekit.simulate.motion import Chunk, LiftMarks
from forcekit.simulate.plan import LiftPlan
from forcekit.simulate.shapes import Piece, end_of, evaluate, hold, push, settle, smooth_step, through

__all__ = ["lift_chunk", "split_height", "standing_heights"]

_LOWER_S = 0.75
_LOWER_DIP_M = 0.07
_TAIL_S = 0.4
_CONTACT_STEP_S = 0.001
_CONTACT_RADPS = 100.0
_CONTACT_DAMPING = 0.6


@dataclass(frozen=True, slots=True)
class _Times:
    """Instants of the chunk in seconds from its start."""

    onset: float
    lowest: float
    peak: float
    drive_end: float
    landing: float
    steady: float
    recover: float
    recovered: float
    lower: float
    end: float


def standing_heights(plan: LiftPlan) -> tuple[float, float]:
    """Heights of the body's centre of mass and of the bar in the rack position, standing (m)."""
    return plan.body_height_of_stature * plan.stature_m, plan.rack_height_of_stature * plan.stature_m


def split_height(z_system: FloatArray, gap: FloatArray, plan: LiftPlan) -> tuple[FloatArray, FloatArray]:
    """Share the height of the common centre of mass between body and bar.

    Notes
    -----
    The shoulders move b times as far as the body's centre of mass and the bar is `gap` above its place on them:
    bar = b·body + gap, and M·system = m_body·body + m_bar·bar (all as changes from standing in the rack position).
    """
    m, m_bar, b = plan.body_mass_kg, plan.bar_mass_kg, plan.shoulders_per_body
    body = ((m + m_bar) * z_system - m_bar * gap) / (m + b * m_bar)
    return body, b * body + gap


def lift_chunk(plan: LiftPlan, *, rate_hz: float) -> Chunk:
    """One lift from quiet stance to standing still afterwards, without sway."""
    path = system_path(plan)
    times = _times(plan, path)
    n = math.ceil(times.end * rate_hz)
    t_s = np.arange(n) / rate_hz
    z_system = evaluate(_vertical(plan, path, times), t_s)
    gap = evaluate(_arms(plan, times), t_s)
    if plan.bar_loose:
        gap = gap + _loose_bar(plan, z_system, t_s, times)
    body, bar = split_height(z_system, gap, plan)
    x_system = evaluate(_forward(plan, times), t_s, start=plan.stance_pressure_of_foot * plan.foot_length_m)
    x_gap = evaluate(_bar_forward(plan, times), t_s, start=plan.bar_ahead_m)
    bar_part = plan.bar_mass_kg / plan.system_mass_kg
    z_body0, z_bar0 = standing_heights(plan)
    zero = np.zeros(n)
    flight = (t_s >= times.drive_end) & (t_s < times.landing) if plan.feet_leave else np.zeros(n, dtype=bool)
    return Chunk(
        z_body=body + np.array([[z_body0], [0.0], [0.0]]),
        z_bar=bar + np.array([[z_bar0], [0.0], [0.0]]),
        x_body=x_system - bar_part * x_gap,
        x_bar=x_system + (1.0 - bar_part) * x_gap,
        shaft=evaluate(_shaft(plan, times), t_s),
        gap=gap[0],
        cop_x_m=_pressure(plan, times, t_s, z_system[1]),
        left=_left(plan, times, t_s),
        on_plate=np.where(flight, 0.0, _on_plate(plan, times, t_s)),
        support_n=zero,
        extra_n=zero,
        alive=_alive(plan, times, t_s),
        bar_kg=plan.bar_mass_kg,
        whips=((0.0, plan.bar_whip_m), (times.steady, 1.5 * plan.bar_whip_m)),
        lift=LiftMarks(
            plan=plan,
            stance_start_s=0.0,
            onset_s=times.onset,
            lowest_s=times.lowest,
            drive_end_s=times.drive_end,
            takeoff_s=times.drive_end if plan.feet_leave else None,
        ),
    )


def _times(plan: LiftPlan, path: SystemPath) -> _Times:
    onset, drive_end = plan.stance_s, plan.stance_s + path.drive_end_s
    steady = onset + path.steady_s
    arms_done = drive_end + plan.arms_push_s if plan.goes_overhead else steady
    recover = max(steady, arms_done) + (plan.catch_hold_s if plan.feet_leave else 0.0)
    recovered = recover + plan.recover_s
    lower = recovered + plan.hold_s
    return _Times(
        onset=onset,
        lowest=onset + path.lowest_s,
        peak=onset + path.peak_s,
        drive_end=drive_end,
        landing=drive_end if path.landing_s is None else onset + path.landing_s,
        steady=steady,
        recover=recover,
        recovered=recovered,
        lower=lower,
        end=lower + (2.0 * _LOWER_S + _TAIL_S if plan.lower_bar and plan.goes_overhead else 0.0),
    )


def _overhead(plan: LiftPlan) -> float:
    return plan.overhead_of_stature * plan.stature_m if plan.goes_overhead else 0.0


def _vertical(plan: LiftPlan, path: SystemPath, times: _Times) -> list[Piece]:
    up = plan.bar_mass_kg / plan.system_mass_kg * _overhead(plan)
    pieces = [hold(0.0, times.onset), *path.pieces, hold(0.0, times.recover - times.steady)]
    pieces.append(settle(up - path.height_m, plan.recover_s))
    if plan.lower_bar and plan.goes_overhead:
        pieces += [
            hold(0.0, plan.hold_s),
            settle(-up - _LOWER_DIP_M, _LOWER_S),
            settle(_LOWER_DIP_M, _LOWER_S),
        ]
    return pieces


def _arms(plan: LiftPlan, times: _Times) -> list[Piece]:
    """Height of the bar over its place on the shoulders, from the arms."""
    if not plan.goes_overhead:
        return []
    up = _overhead(plan)
    early: list[Piece] = [hold(0.0, times.drive_end)]
    if plan.arms_lead_s > 0.0:
        # Strong at first, then the arms give out before the legs are done. Scaled so that the bar feels the same
        # whatever it weighs.
        bar_feels = plan.body_mass_kg / (plan.body_mass_kg + plan.shoulders_per_body * plan.bar_mass_kg)
        spent_s = min(plan.arms_lead_s + 0.02, plan.arms_lead_s + times.drive_end - times.peak)
        half_s = 0.5 * spent_s
        strong, weak = push(0.50 / bar_feels, half_s), push(-0.42 / bar_feels, half_s)
        start = times.peak - plan.arms_lead_s
        early = [hold(0.0, start), strong, weak, hold(0.0, times.drive_end - start - spent_s)]
    velocity, done, _ = end_of(early)
    pieces = [*early, settle(up - done, plan.arms_push_s, start_velocity=velocity)]
    if plan.lower_bar:
        reached = times.drive_end + plan.arms_push_s
        pieces += [hold(0.0, times.lower - reached), settle(-up, _LOWER_S)]
    return pieces


def _forward(plan: LiftPlan, times: _Times) -> list[Piece]:
    """Forward motion of the common centre of mass; no horizontal force in flight."""
    v = plan.forward_velocity_mps
    pieces = [
        hold(0.0, times.onset),
        push(v * plan.forward_in_dip_frac, times.lowest - times.onset),
        push(v * (1.0 - plan.forward_in_dip_frac), times.drive_end - times.lowest),
        hold(0.0, times.landing - times.drive_end),
        push(-v, 0.45),
    ]
    _, gone, spent = end_of(pieces)
    pieces.append(hold(0.0, max(times.recover - spent, 0.0)))
    return [*pieces, settle(-gone, plan.recover_s)]


def _bar_forward(plan: LiftPlan, times: _Times) -> list[Piece]:
    """Bar ahead of the body's centre of mass; over it when the bar is overhead."""
    dip, drive = plan.bar_forward_in_dip_m, plan.bar_forward_in_drive_m
    m_part = plan.system_mass_kg / plan.body_mass_kg
    pieces = [
        hold(0.0, times.onset),
        settle(dip * m_part, times.lowest - times.onset),
        settle(drive * m_part, times.drive_end - times.lowest),
    ]
    moved = (dip + drive) * m_part
    if not plan.goes_overhead:
        return [*pieces, settle(-moved, 0.8)]
    pieces.append(settle(-moved - plan.bar_ahead_m, 0.55))
    if plan.lower_bar:
        pieces += [hold(0.0, times.lower - times.drive_end - 0.55), settle(plan.bar_ahead_m, _LOWER_S)]
    return pieces


def _shaft(plan: LiftPlan, times: _Times) -> list[Piece]:
    """Turn of the shaft, elbows up positive: down in the dip, and on with the hands as the bar goes overhead."""
    dip, drive = plan.elbows_drop_rad, plan.elbows_drop_in_drive_rad
    pieces = [
        hold(0.0, times.onset),
        settle(-dip, times.lowest - times.onset),
        settle(-drive, times.drive_end - times.lowest),
    ]
    if not plan.goes_overhead:
        return [*pieces, settle(dip + drive, 0.6)]
    overhead = -0.7
    pieces.append(settle(overhead + dip + drive, 0.5))
    if plan.lower_bar:
        pieces += [hold(0.0, times.lower - times.drive_end - 0.5), settle(-overhead, _LOWER_S)]
    return pieces


def _loose_bar(plan: LiftPlan, z_system: FloatArray, t_s: FloatArray, times: _Times) -> FloatArray:
    """Gap of a bar that only lies on the shoulders: it bends down in the braking and flies when they drop away.

    Notes
    -----
    Relative to the shoulders the free bar has the acceleration f = −[g(m + b·m_bar) + b·M·a]/m (from
    `split_height` with the bar at −g). The contact is a damped spring that cannot pull and carries the bar at rest
    with zero gap. Solved in steps of 1 ms, smoothed over the contact's kinks, and put through a quintic spline so that
    its derivatives exist.
    """
    from scipy.interpolate import make_interp_spline

    m, m_bar, b, g = plan.body_mass_kg, plan.bar_mass_kg, plan.shoulders_per_body, plan.gravity_mps2
    when = np.arange(times.onset - 0.05, times.drive_end, _CONTACT_STEP_S)
    a_system = np.interp(when, t_s, z_system[2])
    free = -(g * (m + b * m_bar) + b * (m + m_bar) * a_system) / m
    sag = g * (m + b * m_bar) / m / _CONTACT_RADPS**2
    gap = np.zeros(when.size)
    y = v = 0.0
    for i in range(1, when.size):
        contact = _CONTACT_RADPS**2 * (sag - y) - 2.0 * _CONTACT_DAMPING * _CONTACT_RADPS * v
        v += (free[i - 1] + max(contact if y < sag else 0.0, 0.0)) * _CONTACT_STEP_S
        y += v * _CONTACT_STEP_S
        gap[i] = y
    fade = times.lowest + 0.6 * (times.drive_end - times.lowest)
    gap *= 1.0 - smooth_step(when, times.lowest, fade)
    window = np.hanning(13) / np.hanning(13).sum()
    spline = make_interp_spline(when, np.convolve(gap, window, mode="same"), k=5)
    inside = (t_s >= when[0]) & (t_s <= when[-1])
    out = np.zeros((3, t_s.size))
    for d in range(3):
        out[d, inside] = spline(t_s[inside], nu=d)
    return out


def _pressure(plan: LiftPlan, times: _Times, t_s: FloatArray, velocity: FloatArray) -> FloatArray:
    """Centre of pressure along the foot, from the heel line (m), without sway."""
    foot, stance = plan.foot_length_m, plan.stance_pressure_of_foot * plan.foot_length_m
    low = stance + plan.shift_in_dip_of_foot * foot
    i_low, i_end = np.searchsorted(t_s, (times.lowest, times.drive_end))
    drive = slice(i_low, i_end)
    gained = velocity[drive] / velocity[i_end - 1]
    i_most = int(np.argmax(gained >= 0.8))
    t_most = float(t_s[i_low + i_most])
    shape = smooth_step(t_s, times.lowest, times.lowest + 0.5 * (t_most - times.lowest))
    weight = np.gradient(velocity[i_low : i_low + i_most], t_s[1]) + plan.gravity_mps2
    mean = float(np.sum(shape[i_low : i_low + i_most] * weight) / np.sum(weight))
    high = low + plan.shift_in_drive_of_foot * foot / mean
    dip = smooth_step(t_s, times.onset + 0.1 * (times.lowest - times.onset), times.lowest)
    out = stance + (low - stance) * dip + (high - low) * shape
    toe = max(plan.pressure_at_drive_end_of_foot * foot, high)
    steady = times.landing + 0.15
    later = [(t_most, times.drive_end, toe)]
    if plan.feet_leave:
        # After the flight the feet stand elsewhere; the pressure between them is near the middle of the old foot.
        later.append((times.drive_end + 0.01, times.landing, 0.55 * foot))
    later += [(steady, steady + 0.5, 0.5 * foot), (times.recover, times.recovered, stance)]
    return out + through(t_s, later, high) - high


def _left(plan: LiftPlan, times: _Times, t_s: FloatArray) -> FloatArray:
    """Part of the force under the left foot, without sway."""
    base = plan.left_share
    aside = base + plan.side_shift_m / (2.0 * plan.stance_half_width_m)
    quick = times.lowest + 0.15 * (times.drive_end - times.lowest)
    return through(
        t_s,
        [
            (times.onset + 0.6 * (times.lowest - times.onset), quick, aside),
            (times.drive_end + 0.05, times.drive_end + 0.5, base),
        ],
        base,
    )


def _on_plate(plan: LiftPlan, times: _Times, t_s: FloatArray) -> FloatArray:
    if plan.landing == 1.0 or not plan.feet_leave:
        return np.ones(t_s.size)
    on = np.where(t_s < times.landing, 1.0, plan.landing)
    if plan.landing > 0.0:
        on += (1.0 - plan.landing) * smooth_step(t_s, times.recover, times.recovered)
    return on


def _alive(plan: LiftPlan, times: _Times, t_s: FloatArray) -> FloatArray:
    """Sway and breathing die away in the dip and come back after the landing."""
    quiet = min(times.lowest, times.drive_end - 0.15)
    awake = times.landing + 0.25
    return through(t_s, [(times.onset, quiet, 0.0), (awake, awake + 1.0, 1.0)], 1.0)
