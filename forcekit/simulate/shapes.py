"""Smooth building blocks of motion: pieces of acceleration that are chained and integrated exactly.

A piece is a stretch of acceleration given as a polynomial of time. Chained pieces give acceleration, velocity and
position that are derivatives of one another to the last digit. Slow random motion (sway, breathing) is a uniform
quintic B-spline, whose derivatives are exact too.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.interpolate import BSpline

from forcekit.model import FloatArray

KNOT_S = 0.02
"""Spacing of the B-spline knots of slow random motion; passes what is below about 10 Hz."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Acceleration over a duration: sum of coefficients[k]·(time since the piece began)^k, in m/s² and s."""

    duration_s: float
    coefficients: tuple[float, ...]


def _scaled(duration_s: float, in_unit_time: Sequence[float]) -> Piece:
    return Piece(duration_s, tuple(c / duration_s**k for k, c in enumerate(in_unit_time)))


def hold(acceleration: float, duration_s: float) -> Piece:
    """Give constant acceleration."""
    return Piece(duration_s, (acceleration,))


def ramp(start: float, end: float, duration_s: float) -> Piece:
    """Give acceleration that goes from `start` to `end` with zero slope at both ends (3u² − 2u³)."""
    d = end - start
    return _scaled(duration_s, (start, 0.0, 3.0 * d, -2.0 * d))


def fall(start: float, end: float, duration_s: float) -> Piece:
    """Give acceleration that leaves `start` with zero slope and arrives at `end` still changing (1.5u² − 0.5u³)."""
    d = end - start
    return _scaled(duration_s, (start, 0.0, 1.5 * d, -0.5 * d))


def arrive(start: float, end: float, duration_s: float) -> Piece:
    """Give acceleration that leaves `start` already changing and arrives at `end` with zero slope (1.5u − 0.5u³)."""
    d = end - start
    return _scaled(duration_s, (start, 1.5 * d, 0.0, -0.5 * d))


def leave(end: float, duration_s: float, power: float) -> Piece:
    """Give acceleration that leaves zero with a power of time from 1 (at once) to 3 (very gently), to `end`.

    Between whole powers the two neighbours are mixed; the slope at the end is zero.
    """
    shapes = (
        np.array([0.0, 1.5, 0.0, -0.5, 0.0, 0.0]),
        np.array([0.0, 0.0, 3.0, -2.0, 0.0, 0.0]),
        np.array([0.0, 0.0, 0.0, 10.0, -15.0, 6.0]),
    )
    i = min(int(power) - 1, 1)
    part = power - 1.0 - i
    mixed = (1.0 - part) * shapes[i] + part * shapes[i + 1]
    return _scaled(duration_s, tuple(float(end * c) for c in mixed))


def push(velocity_change: float, duration_s: float) -> Piece:
    """Give a bump of acceleration that changes the velocity by a stated amount (30u²(1 − u)²)."""
    c = velocity_change / duration_s
    return _scaled(duration_s, (0.0, 0.0, 30.0 * c, -60.0 * c, 30.0 * c))


def settle(displacement: float, duration_s: float, *, start_velocity: float = 0.0) -> Piece:
    """Give the acceleration that covers `displacement` and ends at rest, acceleration and its slope zero at both ends.

    Notes
    -----
    Position d(35u⁴ − 84u⁵ + 70u⁶ − 20u⁷) + v₀T(u − 20u⁴ + 45u⁵ − 36u⁶ + 10u⁷) with u = time/T.
    """
    d = displacement / duration_s**2
    w = start_velocity / duration_s
    return _scaled(
        duration_s,
        (
            0.0,
            0.0,
            12.0 * (35.0 * d - 20.0 * w),
            20.0 * (-84.0 * d + 45.0 * w),
            30.0 * (70.0 * d - 36.0 * w),
            42.0 * (-20.0 * d + 10.0 * w),
        ),
    )


def end_of(pieces: Iterable[Piece], velocity: float = 0.0) -> tuple[float, float, float]:
    """Velocity and displacement at the end of chained pieces, and their duration; exact."""
    displacement, total = 0.0, 0.0
    for piece in pieces:
        t = piece.duration_s
        displacement += velocity * t
        for k, c in enumerate(piece.coefficients):
            displacement += c * t ** (k + 2) / ((k + 1) * (k + 2))
            velocity += c * t ** (k + 1) / (k + 1)
        total += t
    return velocity, displacement, total


def evaluate(pieces: Sequence[Piece], t_s: FloatArray, *, start: float = 0.0) -> FloatArray:
    """Position, velocity and acceleration of chained pieces.

    Parameters
    ----------
    pieces : sequence of Piece
        From time 0, starting at rest; after the last piece the motion goes on with constant velocity.
    t_s : array, shape (n,), second
    start : float
        Position at time 0.

    Returns
    -------
    array, shape (3, n)
    """
    out = np.zeros((3, t_s.size))
    velocity, position, begins = 0.0, start, 0.0
    for piece in [*pieces, hold(0.0, np.inf)]:
        ends = begins + piece.duration_s
        i, j = np.searchsorted(t_s, (begins, ends))
        since = t_s[i:j] - begins
        if any(piece.coefficients):
            _fill(out[:, i:j], piece, since, position, velocity)
        else:
            out[0, i:j] = position + velocity * since
            out[1, i:j] = velocity
        if np.isfinite(ends):
            velocity, moved, _ = end_of([piece], velocity)
            position, begins = position + moved, ends
    return out


def _fill(out: FloatArray, piece: Piece, since: FloatArray, position: float, velocity: float) -> None:
    """Write position, velocity and acceleration of one piece into three rows."""
    c = piece.coefficients
    polynomials = (
        [position, velocity, *(a / ((k + 1) * (k + 2)) for k, a in enumerate(c))],
        [velocity, *(a / (k + 1) for k, a in enumerate(c))],
        list(c),
    )
    for row, polynomial in zip(out, polynomials, strict=True):
        row[:] = polynomial[-1]
        for coefficient in reversed(polynomial[:-1]):
            row *= since
            row += coefficient


def smooth_step(t_s: FloatArray, start_s: float, end_s: float) -> FloatArray:
    """Go from 0 to 1 between two times with zero slope at both ends."""
    u = np.clip((t_s - start_s) / (end_s - start_s), 0.0, 1.0)
    return np.asarray(u * u * (3.0 - 2.0 * u))


def through(t_s: FloatArray, points: Sequence[tuple[float, float, float]], start: float) -> FloatArray:
    """Give a curve that goes smoothly to each value in turn: points are (from s, to s, value)."""
    out = np.full(t_s.size, start)
    level = start
    for start_s, end_s, value in points:
        out += (value - level) * smooth_step(t_s, start_s, end_s)
        level = value
    return out


@cache
def _basis(n_per_knot: int) -> FloatArray:
    """Values and first two derivatives of the six quintic B-splines that live on one knot interval."""
    knots = np.arange(-5.0, 7.0)
    u = np.arange(n_per_knot) / n_per_knot
    out = np.empty((3, 6, n_per_knot))
    for j in range(6):
        one = np.zeros(6)
        one[j] = 1.0
        spline = BSpline(knots, one, 5)
        for d in range(3):
            out[d, j] = spline(u) if d == 0 else spline.derivative(d)(u)
    return out


def spline_motion(control: FloatArray, n: int, rate_hz: float) -> FloatArray:
    """Position, velocity and acceleration of a uniform quintic B-spline.

    Parameters
    ----------
    control : array, shape (n_knots + 5,)
        Control values; number i pulls the curve at the time (i − 2)·`KNOT_S`.
    n : int
        Samples wanted, at 0, 1/rate, 2/rate ...
    rate_hz : float, hertz
        A whole number of samples must fit in `KNOT_S`.

    Returns
    -------
    array, shape (3, n)
    """
    n_per_knot = samples_per_knot(rate_hz)
    windows = np.lib.stride_tricks.sliding_window_view(control, 6)
    basis = _basis(n_per_knot)
    scale = (1.0, 1.0 / KNOT_S, 1.0 / KNOT_S**2)
    out = np.empty((3, windows.shape[0], n_per_knot))
    for d in range(3):
        np.matmul(windows, scale[d] * basis[d], out=out[d])
    return np.asarray(out.reshape(3, -1)[:, :n])


def samples_per_knot(rate_hz: float) -> int:
    """How many samples of the fine grid lie between two knots."""
    n = round(rate_hz * KNOT_S)
    if n < 1 or abs(n - rate_hz * KNOT_S) > 1e-9:
        raise ValueError(f"rate_hz is {rate_hz}, but it must be a multiple of {1 / KNOT_S:.0f} Hz")
    return n


def knot_times(n: int, rate_hz: float) -> FloatArray:
    """Times to which the control values of `spline_motion` belong (s)."""
    n_intervals = -(-n // samples_per_knot(rate_hz))
    return np.asarray((np.arange(n_intervals + 5) - 2.0) * KNOT_S, dtype=np.float64)
