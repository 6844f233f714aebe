"""The building blocks of motion: exact integrals, exact ends."""

from __future__ import annotations

import numpy as np
import pytest

from forcekit.simulate.shapes import (
    KNOT_S,
    end_of,
    evaluate,
    fall,
    hold,
    knot_times,
    push,
    ramp,
    settle,
    smooth_step,
    spline_motion,
    through,
)

PIECES = [
    hold(0.0, 0.1),
    ramp(0.0, -4.0, 0.15),
    hold(-4.0, 0.08),
    ramp(-4.0, 9.0, 0.2),
    fall(9.0, -9.81, 0.13),
    ramp(-9.81, 0.0, 0.1),
    push(1.1, 0.4),
]


def test_end_of_pieces_is_what_their_evaluation_gives() -> None:
    """Velocity and displacement at the end agree between closed form and evaluation."""
    velocity, displacement, total = end_of(PIECES)
    position, speed, _ = evaluate(PIECES, np.array([0.0, total]))[:, 1]
    # Tolerance: rounding of a few dozen operations on numbers of order one.
    assert (position, speed) == pytest.approx((displacement, velocity), abs=1e-13)


def test_evaluated_rows_are_derivatives_of_one_another() -> None:
    """Simpson's rule over the acceleration gives the velocity, over the velocity the position."""
    t = np.linspace(0.0, 1.16, 11601)
    position, velocity, acceleration = evaluate(PIECES, t)
    h = t[1]
    for y, slope in ((position, velocity), (velocity, acceleration)):
        rise = y[2::2] - y[:-2:2]
        simpson = h / 3.0 * (slope[:-2:2] + 4.0 * slope[1:-1:2] + slope[2::2])
        # A kink costs up to about h²/3 times the jump of the slope, which is 1.5·18.8/0.13 m/s³ after the fall.
        assert np.max(np.abs(rise - simpson)) < 73.0 * h**2


def test_settle_covers_its_distance_and_ends_at_rest() -> None:
    """A settling piece arrives with velocity and acceleration zero, whatever the speed it starts with."""
    start = [push(0.7, 0.2)]
    velocity, before, _ = end_of(start)
    end_velocity, after, _ = end_of([*start, settle(0.5, 0.6, start_velocity=velocity)])
    assert (end_velocity, after - before) == pytest.approx((0.0, 0.5), abs=1e-13)


def test_push_changes_the_velocity_by_what_is_stated() -> None:
    """A push of 0.3 m/s leaves 0.3 m/s."""
    assert end_of([push(0.3, 0.25)])[0] == pytest.approx(0.3, abs=1e-15)


def test_through_ends_at_each_value_in_turn() -> None:
    """Between the transitions the curve stays at the value it has reached."""
    t = np.linspace(0.0, 4.0, 401)
    y = through(t, [(1.0, 2.0, 0.5), (3.0, 3.5, -1.0)], 0.2)
    assert (y[0], y[250], y[-1]) == pytest.approx((0.2, 0.5, -1.0), abs=1e-15)


def test_smooth_step_is_half_way_in_the_middle() -> None:
    """The step is symmetric."""
    assert smooth_step(np.array([1.5]), 1.0, 2.0)[0] == 0.5


def test_spline_follows_a_straight_line_exactly() -> None:
    """Control values on a line give that line, its slope and no acceleration."""
    knots = knot_times(1000, 1000.0)
    position, velocity, acceleration = spline_motion(0.3 + 2.0 * knots, 1000, 1000.0)
    t = np.arange(1000) / 1000.0
    assert np.max(np.abs(position - (0.3 + 2.0 * t))) < 1e-12
    assert np.max(np.abs(velocity - 2.0)) < 1e-10
    # Rounding of the control values (1e-16) over the knot spacing squared.
    assert np.max(np.abs(acceleration)) < 1e-9


def test_spline_rows_are_derivatives_of_one_another() -> None:
    """Central differences of position and velocity agree with the rows below."""
    knots = knot_times(4000, 5000.0)
    rows = spline_motion(np.sin(2.0 * np.pi * 2.0 * knots), 4000, 5000.0)
    h = 1.0 / 5000.0
    for y, slope in ((rows[0], rows[1]), (rows[1], rows[2])):
        central = (y[2:] - y[:-2]) / (2.0 * h)
        # Third derivative over six times h², with sin at 2 Hz: (2π·2)³/6·h² and (2π·2)⁴/6·h².
        assert np.max(np.abs(central - slope[1:-1])) < (4.0 * np.pi) ** 4 / 6.0 * h**2


def test_a_grid_that_does_not_fit_the_knots_is_refused() -> None:
    """A rate must be a multiple of one over the knot spacing."""
    with pytest.raises(ValueError, match=f"multiple of {1 / KNOT_S:.0f} Hz"):
        spline_motion(np.zeros(10), 10, 1234.0)
