"""The zero of a plate from the stretches in which nothing stands on it."""

from __future__ import annotations

import numpy as np
import pytest

from forcekit.mechanics.zero import apply_zero, find_unloaded, runs
from forcekit.model import FloatArray

RATE = 500.0


def loaded_between(offset_n: float, noise_n: float = 1.0, seed: int = 1) -> FloatArray:
    """Two empty seconds, six with 1500 N, two empty ones, with an offset and noise."""
    force = np.concatenate((np.zeros(1000), np.full(3000, 1500.0), np.zeros(1000)))
    return force + offset_n + noise_n * np.random.default_rng(seed).standard_normal(force.size)


def test_runs_of_true() -> None:
    """First and one past the last of each run, at the edges too."""
    assert runs(np.array([True, True, False, True, False, False, True])) == [(0, 2), (3, 4), (6, 7)]
    assert runs(np.zeros(3, dtype=bool)) == []


@pytest.mark.parametrize("offset", [-20.0, 0.0, 15.0])
def test_offset_and_noise_of_the_empty_plate(offset: float) -> None:
    """Both empty stretches are found, edges cut, with their mean and noise.

    The mean of 1980 samples of 1 N of noise is uncertain by 0.022 N, the SD by 1.6 %; four of those are allowed.
    """
    report = find_unloaded(loaded_between(offset), 1.0 / RATE)
    assert report.stretches == ((0, 990), (4010, 5000))
    assert report.offset_n == pytest.approx(offset, abs=0.09)
    assert report.noise_n == pytest.approx(1.0, rel=0.065)
    assert report.clipped_n is None


def test_zeroed_force_has_no_offset() -> None:
    """After the correction the empty plate reads 0 and the load is the load."""
    force = loaded_between(12.0)
    report = find_unloaded(force, 1.0 / RATE)
    t = np.arange(force.size) / RATE
    channels = np.column_stack((0.25 * force, 0.75 * force))
    corrected, done = apply_zero(channels, t, report, keep=np.array([False, False]))
    assert np.mean(corrected[:900].sum(axis=1)) == pytest.approx(0.0, abs=0.13)
    assert np.mean(corrected[1100:3900].sum(axis=1)) == pytest.approx(1500.0, abs=0.13)
    assert done.times_s == pytest.approx([0.989, 9.009])
    assert list(done.counts) == [990.0, 990.0]


def test_drift_is_drawn_from_one_empty_stretch_to_the_next() -> None:
    """A zero that drifts by 1 N/s is gone after the correction, over the load too."""
    t = np.arange(5000) / RATE
    force = loaded_between(0.0, noise_n=0.1) + 1.0 * t
    report = find_unloaded(force, 1.0 / RATE)
    corrected, _ = apply_zero(force[:, None], t, report, keep=np.array([False]))
    load = corrected[1100:3900, 0]
    # Inside the empty stretches the line between their middles leaves up to 1 N; over the load nothing.
    assert np.mean(load[:200]) == pytest.approx(1500.0, abs=0.05)
    assert np.mean(load[-200:]) == pytest.approx(1500.0, abs=0.05)


def test_products_of_force_and_place_are_kept() -> None:
    """A channel marked to be kept is not shifted."""
    force = loaded_between(12.0)
    report = find_unloaded(force, 1.0 / RATE)
    t = np.arange(force.size) / RATE
    corrected, _ = apply_zero(np.column_stack((force, force)), t, report, keep=np.array([False, True]))
    assert np.array_equal(corrected[:, 1], force)
    assert not np.array_equal(corrected[:, 0], force)


def test_clipped_small_forces_are_named() -> None:
    """Where a program wrote 0 for everything under 30 N, the smallest force let through is told, nothing moved."""
    force = loaded_between(5.0)
    ramp = np.linspace(0.0, 1500.0, 200)
    force[900:1100] = ramp
    force[force < 30.0] = 0.0
    report = find_unloaded(force, 1.0 / RATE)
    assert report.clipped_n == pytest.approx(30.0, abs=1500.0 / 199.0)
    corrected, done = apply_zero(force[:, None], np.arange(5000) / RATE, report, keep=np.array([False]))
    assert np.array_equal(corrected[:, 0], force)
    assert done.times_s.size == 0


def test_a_plate_never_empty_has_no_zero() -> None:
    """The lightest moment of a dip is no empty plate."""
    force = 1500.0 + 1e3 * np.sin(np.arange(5000) / 50.0)
    assert find_unloaded(force, 1.0 / RATE).offset_n is None


def test_a_moment_in_the_air_is_too_short() -> None:
    """60 ms in the air give no zero; 300 ms do."""
    for seconds, expected in ((0.06, 0), (0.30, 1)):
        force = np.full(3000, 1500.0)
        force[1000 : 1000 + int(seconds * RATE)] = 3.0
        force += np.random.default_rng(1).standard_normal(3000)
        assert len(find_unloaded(force, 1.0 / RATE).stretches) == expected


def test_a_lifter_off_the_plate_for_most_of_the_time_does_not_hide_the_zero() -> None:
    """An offset of 8 N is found also when the plate is loaded for only 4 % of the recording."""
    force = np.concatenate((np.zeros(48_000), np.full(2000, 1500.0), np.zeros(100)))
    force += 8.0 + np.random.default_rng(1).standard_normal(force.size)
    assert find_unloaded(force, 1.0 / RATE).offset_n == pytest.approx(8.0, abs=0.1)
