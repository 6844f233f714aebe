"""Measures of pressure and horizontal force: where on the foot the push is, and whether it leans to the front.

The centre of pressure is where the pressure is, not where the mass is: along the foot
p = x_com - z_com·Fx/Fz - (rate of angular momentum)/Fz. A pressure moved forward brakes a forward motion; so the words
here are always "pressure", and the forward impulse, where it is measured, is the witness of a drift.
"""

from __future__ import annotations

import math

import numpy as np

from forcekit.analysis.errors import LOCAL_HALF_S, LiftCurves
from forcekit.analysis.phases import Phases
from forcekit.analysis.reading import Reading, Readings
from forcekit.errors import CannotMeasure, Reason
from forcekit.mechanics.crossings import crossing_after, fitted_line, local_fit
from forcekit.mechanics.plate_matrix import FX, FZ, MX, MY, pressure_floor
from forcekit.mechanics.stance import FORWARD_SWAY_PRIOR_MPS, sway_speed
from forcekit.mechanics.uncertain import Uncertain
from forcekit.model import FloatArray
from forcekit.results import FootFrame

__all__ = ["PRESSURE_NAMES", "balance", "delivered_place"]

DELIVERED = 0.80
"""The drive is judged until this part of its net impulse is delivered; then the heels rise (Drechsler 1998, secondary
copy seen: at the bar's top speed the support has moved to the toes)."""

SWAY_TIME_S = 1.0
SWAY_PRIOR_COUNT = 1.0
SWAY_PRIOR_M = {MY: 0.0015, MX: 0.0010}
"""In the open stance recordings (Santos & Duarte 2016, firm ground) means over 1, 2 and 3 s lie 1.0, 0.75 and 0.6 of
their own standard deviation from the mean of the 10 s around them, as if one second were one independent look; that
standard deviation is 1.2 to 2.9 mm along the foot and 0.4 to 1.7 mm across."""

PRESSURE_NAMES = (
    "stance_pressure", "pressure_at_lowest", "pressure_in_drive", "pressure_at_drive_end",
    "shift_in_dip", "shift_in_drive", "shift_total",
)  # fmt: skip
HORIZONTAL_NAMES = (
    "forward_impulse_dip",
    "forward_impulse_drive",
    "forward_velocity_at_takeoff",
    "push_angle",
)


def balance(curves: LiftCurves, phases: Phases, foot: FootFrame) -> Readings:
    """All measures of pressure, side and horizontal force.

    Parameters
    ----------
    curves : LiftCurves
    phases : Phases
    foot : FootFrame
    """
    out: Readings = {}
    if curves.signals.has_pressure:
        out |= _pressures(curves, phases, foot)
    else:
        names = (*PRESSURE_NAMES, *(f"{n}_of_foot" for n in PRESSURE_NAMES), "side_shift")
        out |= {name: CannotMeasure(Reason.NO_PRESSURE) for name in names}
    out["left_share"] = _left_share(curves, phases)
    if curves.signals.has_forward:
        out |= _horizontal(curves, phases)
    else:
        out |= {name: CannotMeasure(Reason.NO_HORIZONTAL) for name in HORIZONTAL_NAMES}
    return out


# ------------------------------------------------------------------------------------------------ pressure


def _pressures(curves: LiftCurves, phases: Phases, foot: FootFrame) -> Readings:
    along = _Across(curves, MY, -1.0)
    aside = _Across(curves, MX, 1.0)
    stance = along.stance()
    lowest = along.at(phases.lowest_place, phases.lowest_at, "pressure at lowest")
    delivered = delivered_place(curves, phases)
    drive = along.mean(phases.lowest_place, phases.lowest_at, *delivered, "pressure in drive")
    end = along.at_end(phases)
    plain = {
        "stance_pressure": stance,
        "pressure_at_lowest": lowest,
        "pressure_in_drive": drive,
        "pressure_at_drive_end": end,
    }
    shifts = {
        "shift_in_dip": lowest - stance,
        "shift_in_drive": drive - lowest,
        "shift_total": drive - stance,
    }
    out: Readings = {}
    heel = None if foot.heel_m is None else Uncertain(foot.heel_m, curves.local("heel line", foot.heel_u_m))
    for name, p in plain.items():
        out[name] = CannotMeasure(Reason.NO_HEEL) if heel is None else Reading(p - heel)
    out |= {name: Reading(p) for name, p in shifts.items()}
    out |= _of_foot(curves, out, foot)
    aside_drive = aside.mean(phases.lowest_place, phases.lowest_at, *delivered, "pressure in drive")
    out["side_shift"] = Reading(aside_drive - aside.stance())
    return out


def _of_foot(curves: LiftCurves, in_metres: Readings, foot: FootFrame) -> Readings:
    """Return the same measures as fractions of the foot."""
    out: Readings = {}
    for name, reading in in_metres.items():
        key = f"{name}_of_foot"
        if foot.length_m is None:
            out[key] = CannotMeasure(Reason.NO_FOOT)
        elif isinstance(reading, CannotMeasure):
            out[key] = reading
        else:
            length = Uncertain(foot.length_m, curves.local("foot length", foot.length_u_m))
            out[key] = Reading(reading.estimate / length)
    return out


def delivered_place(curves: LiftCurves, phases: Phases) -> tuple[float, Uncertain]:
    """Place and time at which 80 % of the drive's net impulse is delivered: the speed is 80 % of that at its end."""
    motion = curves.motion
    first, last = int(np.ceil(phases.lowest_place)), int(np.floor(phases.drive_end_place))
    goal = DELIVERED * motion.velocity_at(phases.drive_end_place)
    over = np.flatnonzero(motion.velocity_mps[first : last + 1] >= goal)
    i = first + int(over[0]) if over.size else last
    place = motion.velocity_crossing(max(first - 1, i - 1), goal) if i > 0 else float(i)
    d_goal = DELIVERED * (
        curves.parts(curves.d_velocity, phases.drive_end_place)
        + motion.acceleration_at(phases.drive_end_place) * phases.drive_end_at.parts
    )
    slope = motion.acceleration_at(place) or 1e-9
    return place, curves.time(place, -(curves.parts(curves.d_velocity, place) - d_goal) / slope)


class _Across:
    """Pressure in one direction with its changes per source: p = sign·M/F."""

    def __init__(self, curves: LiftCurves, row: int, sign: float) -> None:
        self.curves = curves
        self.row = row
        self.sign = sign
        self.p = curves.cop_x_m if row == MY else curves.cop_y_m

    def _mean_parts(self, first: int, last: int) -> FloatArray:
        """Change of the mean of p over the samples first..last-1, per source; shape (n_sources,)."""
        c = self.curves
        weights = 1.0 / ((last - first) * c.force_n[first:last])
        moment = c.resultant_parts(self.row, first, self.sign * weights)
        return moment - c.resultant_parts(FZ, first, self.p[first:last] * weights)

    def noise_m(self, force_n: float, p: float) -> float:
        """White noise (SD) of one sample of p at a force."""
        signals = self.curves.signals
        rows = self.sign * signals.matrix[self.row] - p * signals.matrix[FZ]
        return float(np.linalg.norm(rows * signals.noise)) / force_n

    def stance(self) -> Uncertain:
        """Mean over the stance."""
        c = self.curves
        n = c.weighing.last - c.weighing.first
        value = float(np.mean(self.p[:n]))
        # The lifter sways about the pressure of the stance; a second of it is worth one independent look.
        length_s = n / c.rate_hz
        seen = max(0.0, float(np.var(self.p[:n])) - self.noise_m(c.weight.value, value) ** 2)
        variance = (SWAY_PRIOR_COUNT * SWAY_PRIOR_M[self.row] ** 2 + length_s * seen) / (SWAY_PRIOR_COUNT + length_s)
        u = float(
            np.hypot(self.noise_m(c.weight.value, value) / np.sqrt(n), np.sqrt(variance * SWAY_TIME_S / length_s))
        )
        return Uncertain(value, self._mean_parts(0, n) + c.local("stance pressure", u))

    def at(self, place: float, when: Uncertain, slot: str) -> Uncertain:
        """Value at an uncertain instant."""
        c = self.curves
        value, slope, gain = local_fit(self.p, place, LOCAL_HALF_S * c.rate_hz)
        i = min(max(round(place), 0), self.p.size - 1)
        k = min(max(i, 1), self.p.size - 2)
        bend = abs(float(self.p[k - 1] - 2.0 * self.p[k] + self.p[k + 1])) / 8.0
        u = gain * self.noise_m(float(c.force_n[i]), value)
        if LOCAL_HALF_S * c.rate_hz < 2.0:
            u = float(np.hypot(u, bend))
        parts = self._mean_parts(i, i + 1)
        return Uncertain(value, parts + slope * c.rate_hz * when.parts + c.local(slot, u))

    def mean(self, first: float, first_at: Uncertain, last: float, last_at: Uncertain, slot: str) -> Uncertain:
        """Force-weighted mean between two uncertain instants: minus the moment's integral over the force's."""
        c = self.curves
        i, j = int(np.floor(first)), int(np.ceil(last)) + 1
        weights = _trapezoid_weights(first - i, last - i, j - i + 1)
        moment = self.sign * c.resultant[i : j + 1, self.row]
        force = c.force_n[i : j + 1]
        whole = float(weights @ force)
        value = float(weights @ moment) / whole
        parts = c.resultant_parts(self.row, i, (self.sign / whole) * weights)
        parts -= c.resultant_parts(FZ, i, (value / whole) * weights)
        for place, when, sign in ((first, first_at, -1.0), (last, last_at, 1.0)):
            k = min(max(round(place), 0), self.p.size - 1)
            parts += sign * (self.p[k] - value) * c.force_n[k] * c.rate_hz * when.parts / whole
        mean_force = whole / float(weights.sum())
        u = self.noise_m(mean_force, value) * float(np.linalg.norm(weights)) / float(weights.sum())
        return Uncertain(value, parts + c.local(slot, u))

    def at_end(self, phases: Phases) -> Uncertain:
        """Value at the last instant of the drive with enough force, from a line through the 8 ms before it."""
        c = self.curves
        first, last = int(np.ceil(phases.lowest_place)), int(np.floor(phases.drive_end_place))
        floor = pressure_floor(c.weight.value)
        falling = crossing_after(c.force_n, max(first, last - round(0.3 * c.rate_hz)), last, floor, rising=False)
        place = phases.drive_end_place if falling is None else falling
        j = int(np.floor(place))
        i = min(max(first, j - max(2, round(LOCAL_HALF_S * c.rate_hz))), j - 1)
        value, slope, _ = fitted_line(self.p[i : j + 1], place - i, j + 1.0 - i)
        n, middle = j + 1 - i, 0.5 * (i + j)
        x = np.arange(i, j + 1) - middle
        weights = 1.0 / n + (place - middle) * x / (n * (n * n - 1.0) / 12.0)  # of the samples in the line's value
        noise = self.noise_m(1.0, value) / c.force_n[i : j + 1]
        steep = abs(float(c.force_n[j] - c.force_n[max(first, j - 1)])) or 1.0
        u = float(np.hypot(np.linalg.norm(weights * noise), slope * min(0.5, c.noise_n / steep)))
        return Uncertain(value, self._mean_parts(j, j + 1) + c.local("pressure at drive end", u))


def _trapezoid_weights(first: float, last: float, n: int) -> FloatArray:
    """Weights w so that w @ y is the integral (in samples) of the line through y from place first to last.

    Parameters
    ----------
    first, last : float
        Places relative to the first of the n samples; first < 1, last <= n - 1.
    """
    weights = np.zeros(n)
    a, b = math.ceil(first), math.floor(last)
    if b > a:
        weights[a : b + 1] = 1.0
        weights[a] = weights[b] = 0.5
    ends = ((first, a), (b, last)) if b >= a else ((first, last),)
    for start, end in ends:  # what is left of an interval between two samples
        if end > start:
            i = min(math.floor(start + 1e-12), n - 2)
            middle = 0.5 * (start + end) - i
            weights[i] += (end - start) * (1.0 - middle)
            weights[i + 1] += (end - start) * middle
    return weights


# ------------------------------------------------------------------------------------- two plates, horizontal


def _left_share(curves: LiftCurves, phases: Phases) -> Reading | CannotMeasure:
    """Impulse of the left plate over that of both, from onset to the end of the drive."""
    left = curves.signals.left_plate
    if left is None:
        return CannotMeasure(Reason.ONE_PLATE)
    i, j = round(phases.onset.place), round(phases.drive_end_place)
    first = curves.weighing.first
    mine = curves.signals.plate_force(left, first + i, first + j)
    whole = float(curves.force_n[i:j].sum())
    share = float(mine.sum()) / whole
    parts = curves.resultant_parts(FZ, i, np.full(j - i, 1.0 / whole))
    parts = np.where(curves.source_plate == left, parts, 0.0) - share * parts
    return Reading(Uncertain(share, parts))


def _horizontal(curves: LiftCurves, phases: Phases) -> Readings:
    """Forward impulses, forward speed at take-off, angle of the push."""
    c = curves
    step = 1.0 / c.rate_hz
    n = c.weighing.last - c.weighing.first
    forward = c.resultant[:, FX]
    rest = float(forward[:n].mean())
    d_rest = c.resultant_parts(FX, 0, np.full(n, 1.0 / n))
    noise = float(np.linalg.norm(c.signals.matrix[FX] * c.signals.noise))
    sway = sway_speed(
        forward[:n] + c.weight.value,
        c.rate_hz,
        c.weight.value,
        noise,
        c.gravity_mps2,
        prior_mps=FORWARD_SWAY_PRIOR_MPS,
    )
    mass = c.weight.value / c.gravity_mps2

    def impulse(first: float, last: float, first_at: Uncertain, last_at: Uncertain, start: float) -> Uncertain:
        i, j = int(np.floor(first)), min(forward.size - 1, int(np.ceil(last)) + 1)
        weights = _trapezoid_weights(first - i, last - i, j - i + 1) * step
        value = float(weights @ (forward[i : j + 1] - rest))
        parts = c.resultant_parts(FX, i, weights) - float(weights.sum()) * d_rest
        for place, when, sign in ((first, first_at, -1.0), (last, last_at, 1.0)):
            parts += sign * (float(np.interp(place, np.arange(forward.size), forward)) - rest) * when.parts
        drift = mass * (last - first) / n
        parts += c.local("forward sway at start", (drift - mass * start) * sway[0])
        parts += c.local("forward sway at end", -drift * sway[1])
        span = (last - first) * step
        u = noise * math.sqrt(span * step) * math.sqrt(1.0 + span / (n * step))
        return Uncertain(value, parts).widened(u)

    low, end = phases.lowest_place, phases.drive_end_place
    dip = impulse(phases.onset.place, low, phases.onset_at, phases.lowest_at, 0.0)
    drive = impulse(low, end, phases.lowest_at, phases.drive_end_at, 0.0)
    out: Readings = {"forward_impulse_dip": Reading(dip), "forward_impulse_drive": Reading(drive)}
    if phases.takeoff_place is None:
        out["forward_velocity_at_takeoff"] = CannotMeasure(Reason.NO_TAKEOFF)
    else:
        whole = impulse(0.0, end, c.time(0.0, np.zeros(c.n_sources)), phases.drive_end_at, 1.0)
        out["forward_velocity_at_takeoff"] = Reading(whole / c.weight * c.gravity_mps2)
    i, j = int(np.floor(low)), min(forward.size - 1, int(np.ceil(end)) + 1)
    weights = _trapezoid_weights(low - i, end - i, j - i + 1) * step
    upward = Uncertain(float(weights @ c.force_n[i : j + 1]), c.resultant_parts(FZ, i, weights))
    out["push_angle"] = Reading(Uncertain(math.atan2(drive.value, upward.value), (drive / upward).parts))
    return out
