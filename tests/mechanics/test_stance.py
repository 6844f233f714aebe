"""Standing still: found where it is, weighed with an honest uncertainty."""

from __future__ import annotations

import numpy as np
import pytest

from forcekit.mechanics.stance import moving_mean, still_stretches, sway_speed, trailing_moments, weigh
from forcekit.model import FloatArray

G = 9.80665


def walking_around_standing(rate: float, seed: int) -> FloatArray:
    """Empty plate, three seconds of walking (±20 % of 1500 N), four of standing with 1 N of noise, walking again."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(11.0 * rate)) / rate
    walking = ((t >= 1.0) & (t < 4.0)) | (t >= 8.0)
    force = np.where(t < 1.0, 0.0, 1500.0) + np.where(walking, 300.0 * np.sin(2.0 * np.pi * 1.8 * t), 0.0)
    return force + rng.standard_normal(t.size)


@pytest.mark.parametrize("rate", [80.0, 250.0, 1000.0, 2000.0])
def test_standing_is_found_and_walking_is_not(rate: float) -> None:
    """One stretch, from 4 to 8 s, within the 50 ms of smoothing and one window of judgement at its start."""
    found = still_stretches(walking_around_standing(rate, 2), rate, 1.0)
    assert len(found) == 1
    first, last = found[0]
    assert 4.0 - 0.05 <= first / rate <= 4.4
    assert 8.0 - 0.01 <= last / rate <= 8.1


def test_an_empty_plate_is_no_standing() -> None:
    """The stillest thing of all is nobody on the plate."""
    assert still_stretches(np.random.default_rng(1).standard_normal(5000), 1000.0, 1.0) == []


def test_a_recording_that_starts_in_stance_has_a_stretch_from_its_first_sample() -> None:
    """0.15 s of stance before a dip are enough to be seen when nothing came before them."""
    force = 650.0 + np.random.default_rng(3).standard_normal(1200)
    force[90:] -= np.linspace(0.0, 400.0, 1110)
    (first, last), *_ = still_stretches(force, 600.0, 1.0)
    assert first == 0
    assert 80 <= last <= 150


def test_moving_mean_at_the_ends_is_shorter() -> None:
    """The mean of what is there."""
    assert list(moving_mean(np.array([1.0, 2.0, 3.0, 4.0]), 3)) == [1.5, 2.0, 3.0, 3.5]


def test_trailing_moments_are_those_of_the_window() -> None:
    """Mean and SD over the last samples, also around a large mean; infinite SD before the shortest window."""
    y = 1e4 + np.random.default_rng(4).standard_normal(100)
    mean, sd = trailing_moments(y, 20, 5)
    assert mean[50] == pytest.approx(np.mean(y[31:51]), abs=1e-9)
    assert sd[50] == pytest.approx(np.std(y[31:51]), rel=1e-9)
    assert (sd[3], sd[10]) == (np.inf, pytest.approx(np.std(y[:11])))


def test_weight_is_the_mean_force() -> None:
    """The weighing is the plain mean and the standard deviation of the raw force over the stance."""
    force = 1500.0 + np.random.default_rng(5).standard_normal(3000)
    w = weigh(force, 500, 2500)
    assert (w.first, w.last) == (500, 2500)
    assert w.weight_n == pytest.approx(np.mean(force[500:2500]), abs=1e-9)
    assert w.sd_n == pytest.approx(np.std(force[500:2500], ddof=1))


def swaying(rng: np.random.Generator, seconds: float, rate: float, sd_mps: float) -> tuple[FloatArray, FloatArray]:
    """Vertical speed of a sway around 1 Hz with a given SD, and the acceleration that belongs to it."""
    t = np.arange(int(seconds * rate)) / rate
    speed, acceleration = np.zeros_like(t), np.zeros_like(t)
    for frequency in (0.6, 0.9, 1.3, 1.7):
        phase, size = rng.uniform(0.0, 2.0 * np.pi), sd_mps / np.sqrt(4.0) * np.sqrt(2.0)
        speed += size * np.sin(2.0 * np.pi * frequency * t + phase)
        acceleration += size * 2.0 * np.pi * frequency * np.cos(2.0 * np.pi * frequency * t + phase)
    return speed, acceleration


@pytest.mark.parametrize("sd_mps", [0.0015, 0.004])
def test_sway_speed_is_of_the_right_size(sd_mps: float) -> None:
    """Over 200 stances of 2 s the stated variance of the sway speed is between half and one and a half of the true one.

    The prior of 1.1 mm/s pulls it; a sway of 4 mm/s, seen through 4 independent looks per half against a prior worth
    4, must come out at 0.5 to 1.1 of its variance.
    """
    rng = np.random.default_rng(7)
    stated = []
    for _ in range(200):
        _, a = swaying(rng, 2.0, 500.0, sd_mps)
        force = 1500.0 * (1.0 + a / G) + 0.5 * rng.standard_normal(a.size)
        stated.append(np.square(sway_speed(force, 500.0, float(force.mean()), 0.5, G)))
    assert 0.5 < np.mean(stated) / sd_mps**2 < 1.5


def test_noise_alone_is_no_sway() -> None:
    """With white noise of 5 N and no sway, what is stated stays below the prior of 1.1 mm/s."""
    rng = np.random.default_rng(8)
    rows = 1500.0 + 5.0 * rng.standard_normal((100, 1000))
    stated = np.array([sway_speed(row, 500.0, float(row.mean()), 5.0, G) for row in rows])
    assert np.sqrt(np.mean(stated**2)) < 0.0011


def test_error_of_the_weight_is_the_sway_at_its_ends() -> None:
    """Mean force less the weight is m (v_end - v_start)/T exactly, which is why sway speeds make its uncertainty."""
    rng = np.random.default_rng(9)
    v, a = swaying(rng, 1.5, 2000.0, 0.003)
    force = 1500.0 * (1.0 + a / G)
    w = weigh(force, 0, force.size)
    expected = 1500.0 / G * (v[-1] - v[0]) / (force.size / 2000.0)
    # The plain mean is a rectangle rule: its end samples weigh half too much, m·a/(2n), a under 0.03 m/s².
    assert w.weight_n - 1500.0 == pytest.approx(expected, abs=153.0 * 0.03 / force.size * 1.1)
