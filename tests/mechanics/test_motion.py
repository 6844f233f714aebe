"""From force to motion: constant accelerations exactly, and the closed-form dip of half sines (own derivation)."""

from __future__ import annotations

import numpy as np
import pytest
from helpers import HalfSines, only_lift
from hypothesis import given
from hypothesis import strategies as st

from forcekit.mechanics.crossings import crossing_after
from forcekit.mechanics.motion import integrate, running_integral

DIP = HalfSines()
LOST_VELOCITY_MPS = {100.0: 1.35e-3, 200.0: 3.4e-4, 500.0: 5.4e-5, 1000.0: 1.35e-5, 2000.0: 3.4e-6}
"""What the trapezoid rule loses of this dip's end velocity (methods 1.7; 2000 Hz by the square of the step)."""
LOST_DEPTH_M = {100.0: 3.0e-4, 200.0: 9e-5, 500.0: 1.2e-5, 1000.0: 3e-6, 2000.0: 8e-7}
"""And of its depth; 500 and 2000 Hz by the square of the step."""


def test_the_closed_form_has_the_numbers_of_the_method_notes() -> None:
    """The formulas give what was worked out in the method notes, 1.8."""
    expected = (-0.7130141450, 0.1130064986, 0.1522192451, 11.1107555499, 1.5788170355)
    assert (DIP.slowest, DIP.turn, DIP.depth, DIP.lowest_acceleration, DIP.end_velocity) == pytest.approx(
        expected, abs=1e-10
    )


@given(weight=st.floats(300.0, 4000.0), ratio=st.floats(0.0, 3.0), rate=st.sampled_from([80.0, 333.3, 1000.0]))
def test_constant_force_is_exact(weight: float, ratio: float, rate: float) -> None:
    """Speed a t and travel = a t²/2, at and between samples (the trapezoid rule is exact for v, and s follows v)."""
    motion = integrate(np.full(50, ratio * weight), weight, rate, 9.81)
    a, t = 9.81 * (ratio - 1.0), np.arange(50) / rate
    assert motion.velocity_mps == pytest.approx(a * t, abs=1e-9)
    assert motion.travel_m == pytest.approx(0.5 * a * t**2, abs=1e-9)
    for place in (0.0, 7.25, 48.999):
        assert motion.acceleration_at(place) == pytest.approx(a, abs=1e-9)
        assert motion.velocity_at(place) == pytest.approx(a * place / rate, abs=1e-9)
        assert motion.travel_at(place) == pytest.approx(0.5 * a * (place / rate) ** 2, abs=1e-9)


@given(seed=st.integers(0, 1000))
def test_values_between_samples_join_at_the_samples(seed: int) -> None:
    """Speed and travel between samples run into the values at the next sample, whatever the force."""
    force = 1000.0 + 300.0 * np.random.default_rng(seed).standard_normal(20)
    motion = integrate(force, 1000.0, 100.0, 9.81)
    for i in (3, 11, 18):
        assert motion.velocity_at(i + 1 - 1e-9) == pytest.approx(motion.velocity_mps[i + 1], abs=1e-7)
        assert motion.travel_at(i + 1 - 1e-9) == pytest.approx(motion.travel_m[i + 1], abs=1e-9)


def test_velocity_crossing_of_a_parabola_is_exact() -> None:
    """With a linear acceleration the speed is a parabola, and its zero between samples comes out to 1e-9 s."""
    rate, weight, g = 50.0, 1000.0, 10.0
    t = np.arange(60) / rate
    motion = integrate(weight * (1.0 + (-4.0 + 10.0 * t) / g), weight, rate, g)
    i = int(np.flatnonzero(motion.velocity_mps[1:] > 0.0)[0])
    assert motion.velocity_crossing(i, 0.0) / rate == pytest.approx(0.8, abs=1e-9)


def test_running_integral_works_on_rows() -> None:
    """Each row is integrated by itself and starts from 0."""
    rows = np.array([[1.0, 1.0, 1.0], [0.0, 2.0, 4.0]])
    assert np.array_equal(running_integral(rows, 0.5), [[0.0, 0.5, 1.0], [0.0, 0.5, 2.0]])


def test_gain_of_the_plate_cancels() -> None:
    """Force and weight from the same plate: a gain wrong by 7 % changes no motion."""
    force = 1000.0 + 300.0 * np.random.default_rng(2).standard_normal(100)
    one, other = integrate(force, 1000.0, 500.0, 9.81), integrate(1.07 * force, 1070.0, 500.0, 9.81)
    assert other.travel_m == pytest.approx(one.travel_m, rel=1e-12, abs=1e-15)


@pytest.mark.parametrize("rate_hz", LOST_VELOCITY_MPS)
def test_integrate_gives_the_closed_form(rate_hz: float) -> None:
    """Instants, velocities and depth from the true weight, within what the trapezoid rule loses at the rate.

    The lowest point moves by the lost velocity over the acceleration there (11 m/s²). At 1000 Hz this is far inside
    0.1 ms, 1e-4 m/s and 0.05 mm.
    """
    t = np.arange(int(0.9 * rate_hz)) / rate_hz
    weight = 120.0 * DIP.gravity
    force = 120.0 * (DIP.gravity + DIP.acceleration(t))
    motion = integrate(force, weight, rate_hz, DIP.gravity)
    brake = crossing_after(force, 2, force.size - 1, weight - 1e-9, rising=True)
    assert brake is not None
    lost = 1.05 * LOST_VELOCITY_MPS[rate_hz]
    assert brake / rate_hz == pytest.approx(DIP.T1, abs=1e-6)
    assert motion.velocity_at(brake) == pytest.approx(DIP.slowest, abs=lost)
    i = int(brake) + int(np.flatnonzero(motion.velocity_mps[int(brake) :] > 0.0)[0]) - 1
    low = motion.velocity_crossing(i, 0.0)
    assert low / rate_hz == pytest.approx(DIP.T1 + DIP.turn, abs=lost / DIP.lowest_acceleration)
    assert -motion.travel_at(low) == pytest.approx(DIP.depth, abs=LOST_DEPTH_M[rate_hz])
    end = (DIP.T1 + DIP.T2) * rate_hz
    assert motion.velocity_at(end) == pytest.approx(DIP.end_velocity, abs=lost)


def check_lift(rate_hz: float, offset: float, kink_s: float) -> None:
    """Compare a whole analysis of the closed form with it; `kink_s` is allowed where the force has a kink."""
    lift = only_lift(DIP.recording(rate_hz, offset_s=offset / rate_hz))
    start, lost = 2.0, 1.05 * LOST_VELOCITY_MPS[rate_hz]
    # A sample off the onset leaves up to half a step of its small first force unseen: A·pi/T1·h²/8 in velocity, less
    # than what the rule loses; the lowest point follows by the acceleration there.
    assert lift["lowest_at"].value == pytest.approx(start + DIP.T1 + DIP.turn, abs=max(2e-6, lost / 11.0))
    assert lift["peak_dip_velocity"].value == pytest.approx(-DIP.slowest, abs=lost + 3e-5)
    assert lift["peak_drive_velocity"].value == pytest.approx(DIP.end_velocity, abs=lost + 3e-5)
    assert lift["dip_depth"].value == pytest.approx(DIP.depth, abs=LOST_DEPTH_M[rate_hz])
    assert lift["onset_at"].value == pytest.approx(start, abs=0.1 / rate_hz)
    assert lift["braking_start_at"].value == pytest.approx(start + DIP.T1, abs=kink_s)
    assert lift["drive_end_at"].value == pytest.approx(start + DIP.T1 + DIP.T2, abs=kink_s)


def test_analyze_gives_the_closed_form_at_1000_hz() -> None:
    """All instants within 0.1 ms, velocities within 1e-4 m/s, depth within 0.05 mm through the whole pipeline."""
    check_lift(1000.0, 0.0, 1e-4)


@pytest.mark.parametrize("rate_hz", LOST_VELOCITY_MPS)
def test_analyze_gives_the_closed_form_at_every_rate(rate_hz: float) -> None:
    """The kinks of the force lie on samples: instants as at 1000 Hz, motion within what the rate loses."""
    check_lift(rate_hz, 0.0, 1e-4)


@pytest.mark.parametrize("rate_hz", LOST_VELOCITY_MPS)
@pytest.mark.parametrize("offset", [0.37, 0.5, 0.81])
def test_analyze_gives_the_closed_form_between_samples(rate_hz: float, offset: float) -> None:
    """The movement starts between samples; a line drawn over a kink of slopes 1 : r errs by at most 0.3 steps.

    With r = 2.8 (braking start) and 4 (drive's end) the line between the two samples around the kink crosses up to
    (√r - 1)/(√r + 1) steps early or late: 0.25 and 0.33.
    """
    check_lift(rate_hz, offset, max(1e-4, 0.34 / rate_hz))


def test_intervals_hold_the_closed_form() -> None:
    """Every stated 95 % interval of an instant holds the true one, kinks included."""
    lift = only_lift(DIP.recording(200.0, offset_s=0.37 / 200.0, noise_n=0.5))
    true = {"braking_start_at": DIP.T1, "lowest_at": DIP.T1 + DIP.turn, "drive_end_at": DIP.T1 + DIP.T2}
    for name, after in true.items():
        m = lift[name]
        assert m.low is not None
        assert m.high is not None
        assert m.low <= 2.0 + after <= m.high, name
