"""A sensor on the bob of a swinging pendulum: computed velocity and height obey the conservation of energy.

Textbook mechanics (any text on the simple pendulum): the bob of length L released at rest from the angle A has
v² = 2 g L (cos θ - cos A); the tangential specific force at the bob is zero, the radial one g cos θ + L θ'².
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from forcekit.mechanics.bar import BarMotion, bar_motion
from forcekit.model import FloatArray

G, LENGTH_M, START_RAD, RATE = 9.80665, 1.2, 0.6, 1000.0
HELD_S, SWING_S = 1.5, 1.8


@cache
def swing() -> tuple[BarMotion, FloatArray, FloatArray]:
    """Motion computed from the bob's readings, the angle and its rate; held first, then released."""
    # Released half-way between two samples, where a rule that joins samples by lines puts the jump of the force.
    t = np.arange(0.5 / RATE, SWING_S, 1.0 / RATE)
    solved = solve_ivp(
        lambda _, y: [y[1], -G / LENGTH_M * np.sin(y[0])],
        (0.0, SWING_S),
        [START_RAD, 0.0],
        t_eval=t,
        rtol=1e-11,
        atol=1e-12,
    )
    angle = np.concatenate([np.full(int(HELD_S * RATE), START_RAD), solved.y[0]])
    rate = np.concatenate([np.zeros(int(HELD_S * RATE)), solved.y[1]])
    held = np.arange(angle.size) < int(HELD_S * RATE)
    # Sensor axes: z along the rod to the pivot, y to the left, x tangential, forward at the lowest point. The angle
    # grows forward, which lifts the front: a negative turn about y. Held, the hand carries the tangential weight.
    accel = np.column_stack(
        [np.where(held, G * np.sin(angle), 0.0), np.zeros(angle.size), G * np.cos(angle) + LENGTH_M * rate**2]
    )
    gyro = np.column_stack([np.zeros(angle.size), -rate, np.zeros(angle.size)])
    motion = bar_motion(accel, gyro, RATE, stance=(0, int((HELD_S - 0.05) * RATE)), shaft_axis="y", gravity_mps2=G)
    return motion, angle, rate


def test_velocity_and_height_keep_the_energy() -> None:
    """v²/2 + g z is the same all along the swing, from the computed velocity and travel alone."""
    motion, _, _ = swing()
    swinging = motion.t_s > HELD_S + 0.01
    energy = 0.5 * (motion.velocity_mps**2).sum(axis=1) + G * motion.travel_m[:, 2]
    # A thousandth of the energy exchanged, 2 m²/s²; the rules of integration leave less at 1 kHz.
    np.testing.assert_allclose(energy[swinging], 0.0, atol=2e-3)
    assert np.abs(motion.velocity_mps).max() > 1.9


def test_speed_height_and_rotation_are_those_of_the_pendulum() -> None:
    """Speed by the energy formula, height L (cos A - cos θ), and the rotation is the angle swept."""
    motion, angle, _ = swing()
    speed = np.sqrt(np.maximum(0.0, 2.0 * G * LENGTH_M * (np.cos(angle) - np.cos(START_RAD))))
    np.testing.assert_allclose(np.linalg.norm(motion.velocity_mps, axis=1), speed, atol=0.001)
    height = LENGTH_M * (np.cos(START_RAD) - np.cos(angle))
    np.testing.assert_allclose(motion.travel_m[:, 2], height, atol=0.001)
    assert motion.shaft_angle_rad is not None
    np.testing.assert_allclose(motion.shaft_angle_rad, angle - START_RAD, atol=1e-5)


def test_period_of_the_swing() -> None:
    """Half a period ends where the speed is zero again; series T = 2π√(L/g)(1 + A²/16 + 11 A⁴/3072)."""
    motion, _, _ = swing()
    half = np.pi * np.sqrt(LENGTH_M / G) * (1.0 + START_RAD**2 / 16.0 + 11.0 * START_RAD**4 / 3072.0)
    around = (motion.t_s > HELD_S + 0.7) & (motion.t_s < HELD_S + 1.6)
    slowest = motion.t_s[around][np.argmin((motion.velocity_mps[around] ** 2).sum(axis=1))]
    assert slowest - HELD_S == pytest.approx(half, abs=0.003)
