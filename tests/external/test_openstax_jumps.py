"""Jumps of a textbook: an outsider can check them with v² = 2 g h and F = m (g + a).

OpenStax, College Physics (CC BY 4.0): chapter 4 problems and exercises 46 (seen in secondary copies), chapter 7
problem 69 (seen), chapter 2 problem 50 (seen in secondary copies). The book takes g = 9.80 m/s².
"""

from __future__ import annotations

import numpy as np
import pytest
from helpers import only_lift, vertical_recording

from forcekit.mechanics.motion import integrate
from forcekit.results import Lift

RATE_HZ = 10_000.0


def jump(mass_kg: float, crouch_m: float, drive_mps2: float, gravity: float) -> Lift:
    """A jump with constant forces: stance, a dip of 5 m/s² braked and driven by one constant force, flight, landing.

    Made for the gravity forcekit uses without a site; the accelerations are the book's.
    """
    down = 5.0
    slowest = np.sqrt(2.0 * crouch_m / (1.0 / down + 1.0 / drive_mps2))
    off = np.sqrt(2.0 * drive_mps2 * crouch_m)
    spans = [2.0, slowest / down, (slowest + off) / drive_mps2, 2.0 * off / gravity]
    spans += [off / drive_mps2 + 0.2, 1.0]
    accelerations = [0.0, -down, drive_mps2, -gravity, off / spans[4], 0.0]
    edges = np.cumsum(spans)
    t = np.arange(int(edges[-1] * RATE_HZ)) / RATE_HZ
    acceleration = np.array(accelerations)[np.searchsorted(edges, t, side="right").clip(max=5)]
    noise = 0.01 * np.random.default_rng(1).standard_normal(t.size)
    return only_lift(vertical_recording(t, mass_kg * (gravity + acceleration) + noise))


def test_problem_4_46_through_the_integration() -> None:
    """110 kg, lowered 0.300 m, rises 0.900 m: 4.20 m/s, 29.4 m/s², 4.31e3 N (three printed digits)."""
    weight, n, crouch = 110.0 * 9.80, 100_000, 0.300
    v_off = np.sqrt(2.0 * 9.80 * 0.900)
    rate = n / (2.0 * crouch / v_off)
    force = np.where(np.arange(5 * n) <= n, weight + 110.0 * v_off**2 / (2.0 * crouch), 0.0)
    motion = integrate(force, weight, rate, 9.80)
    assert motion.velocity_mps[n] == pytest.approx(4.20, abs=0.005)
    assert motion.acceleration_mps2[0] == pytest.approx(29.4, abs=0.05)
    assert force[0] == pytest.approx(4.31e3, abs=5.0)
    assert motion.travel_m[n] == pytest.approx(0.300, abs=0.0005)
    assert float(motion.travel_m.max()) - motion.travel_m[n] == pytest.approx(0.900, abs=0.0005)


def test_problem_4_46_through_the_whole_analysis() -> None:
    """The same jump recorded on a plate: 4.20 m/s at take-off, 4.31e3 N of peak force, 0.300 m of dip.

    With standard gravity (9.80665) instead of the book's 9.80 the force of the same accelerations, m (g + a), is 0.7 N
    more, inside the printed digits.
    """
    lift = jump(110.0, 0.300, 29.4, 9.80665)
    assert lift["takeoff_velocity"].value == pytest.approx(4.20, abs=0.005)
    assert lift["peak_force"].value == pytest.approx(4.31e3, abs=5.0)
    assert lift["dip_depth"].value == pytest.approx(0.300, abs=0.0005)
    assert lift["system_mass"].value == pytest.approx(110.0, abs=0.05)


def test_problem_7_69_through_the_whole_analysis() -> None:
    """105 kg, crouch of 0.400 m, rise of 0.950 m: 4.32 m/s, 3470 N, 7.49 kW (three printed digits).

    The book's acceleration is v²/2d with g = 9.80: 23.275 m/s². The power is the work of the push over its time.
    """
    lift = jump(105.0, 0.400, 9.80 * 0.950 / 0.400, 9.80665)
    # Two steps of the acceleration, 28 and 33 m/s², fall somewhere between two samples 0.1 ms apart: half of each
    # step's impulse, 0.0031 m/s together, comes on top of half a unit of the last printed digit.
    assert lift["takeoff_velocity"].value == pytest.approx(4.32, abs=0.005 + 0.0031)
    assert lift["peak_force"].value == pytest.approx(3470.0, abs=5.0)
    assert (lift["mean_drive_power"].value or 0.0) / 1000.0 == pytest.approx(7.49, abs=0.005)
    assert lift["dip_depth"].value == pytest.approx(0.400, abs=0.0005)


def test_problem_2_50_through_the_integration() -> None:
    """Falling from 2.50 m (g = 9.81): 7.00 m/s and half of 1.43 s, printed to three digits."""
    rate = 100_000.0
    motion = integrate(np.zeros(80_000), 1000.0, rate, 9.81)
    i = int(np.argmax(motion.travel_m <= -2.50))
    assert -motion.velocity_mps[i] == pytest.approx(7.00, abs=0.005)
    assert 2.0 * i / rate == pytest.approx(1.43, abs=0.005)
