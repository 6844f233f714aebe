"""The true value of every measure of a simulated lift, from the noise-free motion on its fine grid.

The definitions are those of the design document, worked out here a second time and independently: velocities and
positions come from the motion itself, not from integrating force.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from forcekit.model import FloatArray
from forcekit.simulate.motion import LiftMarks, LiftTruth, Motion

__all__ = ["lift_truth", "stance_truth"]

_TURNAROUND_BAND_MPS = 0.10
_REFERENCE_S = 1.0
_AFTER_DRIVE_S = 0.2
_LIGHT_N = 100.0
_LIGHT_FRAC = 0.10
_DRIVE_PART = 0.80


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """The stretch of a motion that belongs to one lift, with the common centre of mass worked out."""

    t: FloatArray
    force: FloatArray
    z: FloatArray
    v: FloatArray
    a: FloatArray
    i0: int
    i1: int
    onset: float
    braking: float
    lowest: float
    drive_end: float
    takeoff: float | None
    part_end: float
    """When 80 % of the drive's net impulse is delivered."""
    mass: float
    weight: float


def at(t: FloatArray, y: FloatArray, when_s: float) -> float:
    """Value between samples, linear."""
    return float(np.interp(when_s, t, y))


def integral(t: FloatArray, y: FloatArray, start_s: float, end_s: float) -> float:
    """Trapezoid rule between two times that need not be samples."""
    i = (t > start_s) & (t < end_s)
    tt = np.concatenate(([start_s], t[i], [end_s]))
    yy = np.concatenate(([at(t, y, start_s)], y[i], [at(t, y, end_s)]))
    return float(np.trapezoid(yy, tt))


def _crossing(t: FloatArray, y: FloatArray, i: int) -> float:
    """Time of the zero between samples i and i + 1."""
    return float(t[i] + (t[i + 1] - t[i]) * y[i] / (y[i] - y[i + 1]))


def _part(motion: Motion, marks: LiftMarks) -> _Part:
    end_s = marks.drive_end_s + _AFTER_DRIVE_S + 0.1
    i0, i1 = np.searchsorted(motion.t_s, (max(marks.onset_s - _REFERENCE_S - 0.01, 0.0), end_s))
    cut = slice(int(i0), int(i1))
    t = motion.t_s[cut]
    m, m_bar = motion.plan.body_mass_kg, marks.plan.bar_mass_kg
    mass = m + m_bar
    z, v, a = (
        (m * body[cut, 2] + m_bar * bar[cut, 2]) / mass
        for body, bar in (
            (motion.body_position_m, motion.bar_position_m),
            (motion.body_velocity_mps, motion.bar_velocity_mps),
            (motion.body_acceleration_mps2, motion.bar_acceleration_mps2),
        )
    )
    lowest = _lowest(t, z, v, marks)
    braking = _peak_velocity(t, v, a, marks.onset_s, lowest, down=True)
    drive_end = marks.takeoff_s
    if drive_end is None:
        drive_end = _peak_velocity(t, v, a, lowest, marks.drive_end_s + _AFTER_DRIVE_S, down=False)
    v_most = _DRIVE_PART * at(t, v, drive_end)
    i = int(np.flatnonzero((t > lowest) & (v >= v_most))[0]) - 1
    return _Part(
        t=t,
        force=motion.force_up_n[cut],
        z=z,
        v=v,
        a=a,
        i0=int(i0),
        i1=int(i1),
        onset=marks.onset_s,
        braking=braking,
        lowest=lowest,
        drive_end=drive_end,
        takeoff=marks.takeoff_s,
        part_end=_crossing(t, v - v_most, i),
        mass=mass,
        weight=mass * motion.gravity_mps2,
    )


def _lowest(t: FloatArray, z: FloatArray, v: FloatArray, marks: LiftMarks) -> float:
    inside = np.flatnonzero((t >= marks.onset_s) & (t <= marks.drive_end_s))
    i = int(inside[np.argmin(z[inside])])
    return _crossing(t, v, i if v[i] <= 0.0 else i - 1)


def _peak_velocity(t: FloatArray, v: FloatArray, a: FloatArray, start_s: float, end_s: float, *, down: bool) -> float:
    inside = np.flatnonzero((t >= start_s) & (t <= end_s))
    s = -1.0 if down else 1.0
    i = int(inside[np.argmax(s * v[inside])])
    if i in (inside[0], inside[-1]):  # still gaining speed where the search ends
        return float(t[i])
    return _crossing(t, a, i if s * a[i] > 0.0 else i - 1)


def lift_truth(motion: Motion, marks: LiftMarks) -> LiftTruth:
    """Every measure of one lift that applies.

    Parameters
    ----------
    motion : Motion
    marks : LiftMarks
        Commanded instants of the lift.

    Notes
    -----
    ``onset_at`` is where the commanded unweighting begins; depths are from the heights at that instant.
    Left out, because they depend on the chosen stance window, are what `stance_truth` gives; here they are worked
    out for that last second.
    """
    p = _part(motion, marks)
    out = _times(p) | _motion(p, motion) | _force(p) | _horizontal(p, motion)
    out |= {"left_share": _share(p, motion)}
    out |= _pressure(p, motion) | _bar(p, motion)
    out |= _stance(p, motion, marks.onset_s - _REFERENCE_S, marks.onset_s)
    return LiftTruth(marks.plan.movement, marks.plan.patterns, out, marks.plan)


def stance_truth(motion: Motion, start_s: float, end_s: float, *, i_lift: int = 0) -> dict[str, float]:
    """Measures that depend on which stretch of standing is called stance, for a given stretch.

    Parameters
    ----------
    motion : Motion
    start_s, end_s : float, second
    i_lift : int
        Which lift of the motion.
    """
    marks = motion.marks[i_lift]
    return _stance(_part(motion, marks), motion, start_s, end_s)


def _stance(p: _Part, motion: Motion, start_s: float, end_s: float) -> dict[str, float]:
    i = slice(*np.searchsorted(motion.t_s, (start_s, end_s)))
    pressure = _pressure(p, motion)
    low, drive = pressure["pressure_at_lowest"], pressure["pressure_in_drive"]
    stance = float(np.mean(motion.cop_x_m[i]))
    side = _drive_mean(p, motion.cop_y_m[p.i0 : p.i1]) - float(np.mean(motion.cop_y_m[i]))
    along = {
        "stance_pressure": stance,
        "shift_in_dip": low - stance,
        "shift_in_drive": drive - low,
        "shift_total": drive - stance,
    }
    return _of_foot(along, motion.plan.foot_length_m) | {"side_shift": side}


def _of_foot(values: dict[str, float], foot_length_m: float) -> dict[str, float]:
    return values | {f"{name}_of_foot": value / foot_length_m for name, value in values.items()}


def _times(p: _Part) -> dict[str, float]:
    band = np.abs(p.v) - _TURNAROUND_BAND_MPS
    i = int(np.searchsorted(p.t, p.lowest))
    i_before = int(np.flatnonzero(band[:i] > 0.0)[-1])
    i_after = i + int(np.flatnonzero(band[i:] > 0.0)[0]) - 1
    out = {
        "onset_at": p.onset,
        "braking_start_at": p.braking,
        "lowest_at": p.lowest,
        "drive_end_at": p.drive_end,
        "unweighting_time": p.braking - p.onset,
        "braking_time": p.lowest - p.braking,
        "dip_time": p.lowest - p.onset,
        "drive_time": p.drive_end - p.lowest,
        "transition_time": _crossing(p.t, band, i_after) - _crossing(p.t, band, i_before),
    }
    return out if p.takeoff is None else out | {"takeoff_at": p.takeoff}


def _motion(p: _Part, motion: Motion) -> dict[str, float]:
    peak = _peak_velocity(p.t, p.v, p.a, p.lowest, p.drive_end, down=False) if p.takeoff is not None else p.drive_end
    depth = at(p.t, p.z, p.onset) - at(p.t, p.z, p.lowest)
    out = {
        "dip_depth": depth,
        "dip_depth_of_stature": depth / motion.plan.stature_m,
        "peak_dip_velocity": -at(p.t, p.v, p.braking),
        "peak_drive_velocity": at(p.t, p.v, peak),
    }
    return out if p.takeoff is None else out | {"takeoff_velocity": at(p.t, p.v, p.takeoff)}


def _force(p: _Part) -> dict[str, float]:
    dip = (p.t >= p.onset) & (p.t <= p.lowest)
    lift = (p.t >= p.onset) & (p.t <= p.drive_end)
    drive = (p.t >= p.lowest) & (p.t <= p.drive_end)
    power = p.force * p.v
    peak, least = float(np.max(p.force[lift])), float(np.min(p.force[dip]))
    low = at(p.t, p.force, p.lowest)
    net = p.force - p.weight
    return {
        "system_weight": p.weight,
        "system_mass": p.mass,
        "peak_force": peak,
        "peak_force_of_weight": peak / p.weight,
        "lowest_force_of_weight": least / p.weight,
        "force_at_lowest": low,
        "braking_rfd": (low - at(p.t, p.force, p.braking)) / (p.lowest - p.braking),
        "braking_impulse": integral(p.t, net, p.braking, p.lowest),
        "drive_impulse": integral(p.t, net, p.lowest, p.drive_end),
        "peak_power": float(np.max(power[drive])),
        "mean_drive_power": integral(p.t, power, p.lowest, p.drive_end) / (p.drive_end - p.lowest),
    }


def _drive_mean(p: _Part, y: FloatArray) -> float:
    """Force-weighted mean from the lowest point until 80 % of the drive's net impulse is delivered."""
    return integral(p.t, y * p.force, p.lowest, p.part_end) / integral(p.t, p.force, p.lowest, p.part_end)


def _pressure(p: _Part, motion: Motion) -> dict[str, float]:
    cop = motion.cop_x_m[p.i0 : p.i1]
    enough = (p.t <= p.drive_end) & (p.force >= max(_LIGHT_N, _LIGHT_FRAC * p.weight))
    i_last = int(np.flatnonzero(enough)[-1])
    return _of_foot(
        {
            "pressure_at_lowest": at(p.t, cop, p.lowest),
            "pressure_in_drive": _drive_mean(p, cop),
            "pressure_at_drive_end": float(cop[i_last]),
        },
        motion.plan.foot_length_m,
    )


def _share(p: _Part, motion: Motion) -> float:
    left = motion.left_share[p.i0 : p.i1] * p.force
    return integral(p.t, left, p.onset, p.drive_end) / integral(p.t, p.force, p.onset, p.drive_end)


def _horizontal(p: _Part, motion: Motion) -> dict[str, float]:
    forward = motion.force_forward_n[p.i0 : p.i1]
    dip = integral(p.t, forward, p.onset, p.lowest)
    drive = integral(p.t, forward, p.lowest, p.drive_end)
    out = {
        "forward_impulse_dip": dip,
        "forward_impulse_drive": drive,
        "push_angle": math.atan2(drive, integral(p.t, p.force, p.lowest, p.drive_end)),
    }
    if p.takeoff is None:
        return out
    m, m_bar = motion.plan.body_mass_kg, p.mass - motion.plan.body_mass_kg
    v = (m * motion.body_velocity_mps[:, 0] + m_bar * motion.bar_velocity_mps[:, 0]) / p.mass
    return out | {"forward_velocity_at_takeoff": at(motion.t_s, v, p.takeoff)}


def _bar_times(p: _Part, v: FloatArray, a: FloatArray, peak_s: float) -> dict[str, float]:
    """Timing of the bar's own dip and drive, from its velocity v and acceleration a."""
    near = (p.t >= p.lowest - 0.2) & (p.t <= p.lowest + 0.2)
    first = int(np.flatnonzero(near)[0])
    turned = np.flatnonzero((v[:-1] < 0.0) & (v[1:] >= 0.0))
    turned = turned[(turned >= first) & (p.t[turned] <= p.lowest + 0.2)]
    if turned.size == 0:
        return {}
    lowest = _crossing(p.t, v, int(turned[0]))
    fastest = _peak_velocity(p.t, v, a, p.onset, lowest, down=True)
    band = np.abs(v) - _TURNAROUND_BAND_MPS
    i = int(turned[0])
    before = int(np.flatnonzero(band[:i] > 0.0)[-1])
    after = i + int(np.flatnonzero(band[i:] > 0.0)[0]) - 1
    return {
        "bar_dip_time": lowest - p.onset,
        "bar_braking_time": lowest - fastest,
        "bar_drive_time": peak_s - lowest,
        "bar_transition_time": _crossing(p.t, band, after) - _crossing(p.t, band, before),
    }


def _bar(p: _Part, motion: Motion) -> dict[str, float]:
    """Measures of the bar; its peak upward velocity is looked for until 0.2 s after the drive's end."""
    cut = slice(p.i0, p.i1)
    x = motion.bar_position_m[cut, 0]
    v, a = motion.bar_velocity_mps[cut, 2], motion.bar_acceleration_mps2[cut, 2]
    shaft, gap = motion.shaft_angle_rad[cut], motion.bar_gap_m[cut]
    dip = (p.t >= p.onset) & (p.t <= p.lowest)
    lift = (p.t >= p.onset) & (p.t <= p.drive_end)
    z = motion.bar_position_m[cut, 2]
    bar_peak = _peak_velocity(p.t, v, a, p.lowest, p.drive_end + _AFTER_DRIVE_S, down=False)
    own_peak = (
        _peak_velocity(p.t, p.v, p.a, p.lowest, p.drive_end, down=False) if p.takeoff is not None else p.drive_end
    )
    g = motion.gravity_mps2
    out = {
        "bar_dip_depth": at(p.t, z, p.onset) - float(np.min(z[lift])),
        "bar_peak_velocity": at(p.t, v, bar_peak),
        "bar_forward_in_dip": at(p.t, x, p.lowest) - at(p.t, x, p.onset),
        "bar_forward_in_drive": at(p.t, x, p.drive_end) - at(p.t, x, p.lowest),
        "bar_separation": float(np.max(gap[dip])),
        "bar_least_rack_load": float(np.min(a[dip]) + g) / g,
        "shaft_rotation_dip": at(p.t, shaft, p.lowest) - at(p.t, shaft, p.onset),
        "shaft_rotation_drive": at(p.t, shaft, p.drive_end) - at(p.t, shaft, p.lowest),
        "bar_lead": bar_peak - own_peak,
        **_bar_times(p, v, a, bar_peak),
    }
    return out if p.takeoff is None else out | {"bar_velocity_at_takeoff": at(p.t, v, p.takeoff)}
