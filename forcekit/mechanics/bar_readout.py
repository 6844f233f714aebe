"""Numbers with uncertainty from a `BarMotion`: at an instant, between instants, and of the instants themselves.

All `Uncertain` of one `BarMotion` share the same sources (their `parts` have the same meaning in every call),
so differences and ratios of them are right however they were read.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from forcekit.errors import CannotMeasure, Reason
from forcekit.mechanics.bar import BarMotion
from forcekit.mechanics.crossings import crossing_after, fitted_line, linear_at
from forcekit.mechanics.uncertain import Uncertain
from forcekit.model import FloatArray

__all__ = [
    "BarCurve",
    "Ellipse",
    "Instant",
    "bar_at",
    "bar_peak_speed",
    "bar_zero_speed",
    "ellipse",
    "read_ahead",
]

STEEP_S = 1e-4
"""A crossing that the noise of one sample moves by less than this is read off the samples next to it (our choice)."""

BarCurve = Literal["acceleration", "velocity", "travel"]
Wanted = BarCurve | Literal["shaft angle"]
Direction = Literal["forward", "left", "up"]
_COLUMN = {"forward": 0, "left": 1, "up": 2}

CHI2_95_TWO = -2.0 * math.log(0.05)
"""95 % point of chi-square with two degrees of freedom."""


@dataclass(frozen=True, slots=True)
class Instant:
    """A moment found on a curve: when (s from the window's start), its standard uncertainty, and the value there."""

    t_s: float
    u_s: float
    value: Uncertain


@dataclass(frozen=True, slots=True)
class Ellipse:
    """Half axes (m) of the region that holds the true point with 95 % probability, and the long axis' angle (rad)."""

    long_m: float
    short_m: float
    angle_rad: float


def bar_parts(
    motion: BarMotion,
    quantity: Wanted,
    t_s: FloatArray,
    direction: Direction | None = None,
) -> FloatArray:
    """Parts (see `Uncertain`) of a quantity at some instants.

    Shape (len(t), 3, n) or, for the angle and for one direction, (len(t), n).
    """
    rows = _rows(motion, quantity, np.atleast_1d(np.asarray(t_s, dtype=np.float64)))
    if quantity == "shaft angle":
        return motion.posterior.parts(rows[:, 0])
    return motion.posterior.parts(rows if direction is None else rows[:, _COLUMN[direction]])


def _rows(motion: BarMotion, quantity: Wanted, t_s: FloatArray) -> FloatArray:
    """Rows of the error model, shape (n, 3, n_sources); for the angle (n, 1, n_sources)."""
    if quantity == "shaft angle":
        return -(motion.basis.rows("attitude", t_s) - motion.stance_rows["attitude"])[:, 1:2]
    rows = motion.basis.rows(quantity, t_s)
    # Travel counts from its mean over stance, and so does its error.
    return rows - motion.stance_rows["travel"] if quantity == "travel" else rows


def read_ahead(motion: BarMotion, wanted: Mapping[Wanted, Sequence[float]]) -> None:
    """Work out the parts of some quantities at some instants in one go; `bar_at` takes them from what is known."""
    new = {name: [t for t in t_s if (name, t) not in motion.known] for name, t_s in wanted.items()}
    rows = [_rows(motion, name, np.array(t_s)) for name, t_s in new.items() if t_s]
    if not rows:
        return
    found = motion.posterior.parts(np.concatenate([r.reshape(-1, r.shape[-1]) for r in rows]))
    i = 0
    for name, t_s in new.items():
        n = 1 if name == "shaft angle" else 3
        for t in t_s:
            motion.known[name, t] = found[i] if n == 1 else found[i : i + n]
            i += n


def _must_have(motion: BarMotion, level: bool) -> None:
    if level and not motion.has_gyro:
        raise CannotMeasure(Reason.NO_GYRO, "without it only the vertical motion of the bar can be told")
    if level and motion.axis is None:
        raise CannotMeasure(Reason.NO_SHAFT_AXIS, "declare shaft_axis in the bar's device file")


def bar_at(motion: BarMotion, quantity: Wanted, t_s: float, direction: Direction = "up") -> Uncertain:
    """Value of a curve at an instant, with its uncertainty.

    Parameters
    ----------
    motion : BarMotion
    quantity : "acceleration", "velocity", "travel" or "shaft angle"
        Acceleration is smoothed as little as `bar_peak_speed` does; its uncertainty is that of bias, tilt and
        scale.
    t_s : float, second
        From the window's start; between samples linearly.
    direction : "forward", "left" or "up"
        Without meaning for the shaft angle.

    Raises
    ------
    CannotMeasure
        `Reason.NO_GYRO` or `Reason.NO_SHAFT_AXIS` for anything but the vertical.

    Examples
    --------
    >>> dip = bar_at(motion, "travel", onset_s) - bar_at(motion, "travel", lowest_s)  # doctest: +SKIP
    """
    _must_have(motion, quantity == "shaft angle" or direction != "up")
    place = t_s * motion.rate_hz
    if (quantity, t_s) not in motion.known:
        read_ahead(motion, {quantity: (t_s,)})
    parts = motion.known[quantity, t_s]
    if quantity == "shaft angle":
        assert motion.shaft_angle_rad is not None
        return Uncertain(linear_at(motion.shaft_angle_rad, place), parts)
    column = _COLUMN[direction]
    if quantity == "acceleration":
        return Uncertain(linear_at(motion.acceleration_mps2[:, column], place), parts[column])
    curve = motion.velocity_mps if quantity == "velocity" else motion.travel_m
    return Uncertain(linear_at(curve[:, column], place), parts[column])


def ellipse(first: Uncertain, second: Uncertain) -> Ellipse:
    """95 % ellipse of a point whose two coordinates share sources, such as forward and up of the same travel.

    Notes
    -----
    The angle is that of the long axis from the first coordinate toward the second. Half axes are the roots of
    the eigenvalues of the covariance times the 95 % point of chi-square with two degrees of freedom, 5.99.
    """
    n = max(first.parts.size, second.parts.size)
    parts = np.stack([np.pad(x.parts, (0, n - x.parts.size)) for x in (first, second)])
    power, axes = np.linalg.eigh(parts @ parts.T)
    half = np.sqrt(np.clip(power, 0.0, None) * CHI2_95_TWO)
    x, y = axes[:, 1]
    return Ellipse(float(half[1]), float(half[0]), math.remainder(math.atan2(y, x), math.pi))


def bar_zero_speed(motion: BarMotion, start_s: float, stop_s: float, *, rising: bool = True) -> Instant | None:
    """Instant at which the bar's vertical velocity crosses zero (the lowest point when rising), with its travel.

    Notes
    -----
    u(t) = u(v)/|a|, with the acceleration from the slope of velocity over 20 ms. The travel's uncertainty
    does not depend on that of the instant, because the bar stands still there. None when there is no
    crossing.
    """
    v = motion.velocity_mps[:, 2]
    i, j = round(start_s * motion.rate_hz), min(round(stop_s * motion.rate_hz), v.size - 1)
    place = crossing_after(v, i, j, 0.0, rising=rising)
    if place is None:
        return None
    t = place / motion.rate_hz
    read_ahead(motion, {"velocity": (t,), "travel": (t,)})
    _, slope, _ = fitted_line(v, place, max(1.0, 0.010 * motion.rate_hz))
    u_v = math.hypot(bar_at(motion, "velocity", t).u, motion.arm_noise_mps)
    return Instant(t, u_v / max(abs(slope) * motion.rate_hz, 1e-9), bar_at(motion, "travel", t))


def _cubic_crossing(four: FloatArray, near: float) -> float:
    """Zero, after the second of four samples, of the cubic through them; `near` if it has none before the third."""
    roots = np.roots(np.polyfit([-1.0, 0.0, 1.0, 2.0], four, 3))
    inside = [float(r.real) for r in roots if abs(r.imag) < 1e-9 and -1e-9 <= r.real <= 1.0 + 1e-9]
    return min(inside, key=lambda r: abs(r - near), default=near)


def bar_peak_speed(motion: BarMotion, start_s: float, stop_s: float, *, largest: bool = True) -> Instant:
    """Instant and height of the highest (or lowest) vertical velocity of the bar.

    Notes
    -----
    Where the acceleration passes zero, from a straight line through it over 12 ms (at least three samples) around the
    crossing next to the extreme of velocity. u(t) = u(a)/|jerk|: the instant moves when acceleration has a constant
    error (bias, tilt, scale), with the sensor's noise, and with the bend of the curve that the line does not follow.
    Where the curve is so steep that the noise of one sample moves the crossing by less than 0.1 ms (a bar that falls
    freely and meets the shoulders), it is read off a cubic through four samples: a line would be bent away by 1 ms.
    How far that lies from the straight way between two samples counts as its uncertainty.
    """
    v, a = motion.velocity_mps[:, 2], motion.acceleration_mps2[:, 2]
    i, j = round(start_s * motion.rate_hz), min(round(stop_s * motion.rate_hz), v.size - 1)
    top = i + int(np.argmax(v[i : j + 1]) if largest else np.argmin(v[i : j + 1]))
    near = max(2, round(0.010 * motion.rate_hz))
    place = crossing_after(a, max(i, top - near), min(j, top + near), 0.0, rising=not largest)
    if place is None:
        return Instant(top / motion.rate_hz, 0.5 / motion.rate_hz, bar_at(motion, "velocity", top / motion.rate_hz))
    k, one = int(place), motion.accel_noise * math.sqrt(motion.rate_hz)
    bend = 0.04
    if 1 <= k < a.size - 2 and one < STEEP_S * motion.rate_hz * abs(a[k + 1] - a[k]):
        slope, n = float(a[k + 1] - a[k]), 1
        move = k + _cubic_crossing(a[k - 1 : k + 3], place - k) - place
        bend = max(bend, abs(move))
    else:
        level, slope, n = fitted_line(a, place, max(1.0, 0.006 * motion.rate_hz))
        move = float(np.clip(-level / slope, -1.0, 1.0)) if slope != 0.0 else 0.0
    t = (place + move) / motion.rate_hz
    read_ahead(motion, {"acceleration": (t,), "velocity": (t,)})
    u_a = math.hypot(bar_at(motion, "acceleration", t).u, one / math.sqrt(n), motion.arm_noise_mps2)
    u_s = math.hypot(u_a / max(abs(slope) * motion.rate_hz, 1e-9), bend / motion.rate_hz)
    return Instant(t, u_s, bar_at(motion, "velocity", t))
