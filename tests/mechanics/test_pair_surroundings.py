"""What surrounds a dip tells whether two files belong together, on made curves and on real sensors."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from forcekit.errors import CannotMeasure
from forcekit.mechanics.align import align_by_motion
from forcekit.mechanics.pair_surroundings import Surroundings, surroundings
from forcekit.model import FloatArray

RATE = 250.0
T = np.arange(0.0, 8.0, 1.0 / RATE)
OUTSIDE = (T < 2.5) | (T > 4.0)
REAL = Path(__file__).resolve().parents[3] / "shared" / "open_data" / "accel_force_pairs"


def walk(seed: int) -> FloatArray:
    """Steps and standing up: bumps of 0.3 to 1 m/s² of half a second, at random places."""
    rng = np.random.default_rng(seed)
    places, heights = rng.uniform(0.0, 8.0, 12), rng.uniform(-1.0, 1.0, 12)
    return np.asarray(sum(h * np.exp(-(((T - p) / 0.12) ** 2)) for p, h in zip(places, heights, strict=True)))


def compared(system: FloatArray, predicted: FloatArray) -> Surroundings | None:
    """Surroundings of the dip at 2.5 to 4 s."""
    rng = np.random.default_rng(1)
    noisy = [v + rng.normal(0.0, 0.01, T.size) for v in (system, predicted)]
    return surroundings(noisy[0], noisy[1], OUTSIDE, RATE, gravity_mps2=9.81, system_noise=1e-3, bar_noise=1.5e-3)


def test_the_same_movement_correlates_at_once() -> None:
    """A system that follows the bar at 0.8 of its size correlates by more than 0.95 at no lag."""
    found = compared(0.8 * walk(1), walk(1))
    assert found is not None
    assert found.correlation > 0.95
    assert abs(found.best_lag_s) <= 0.004
    assert found.moving_s > 3.0


def test_the_same_movement_at_another_time_is_seen() -> None:
    """A recovery 120 ms later fits better there."""
    found = compared(walk(1), np.roll(walk(1), round(0.12 * RATE)))
    assert found is not None
    assert found.best_lag_s == pytest.approx(0.12, abs=0.006)
    assert found.best > found.correlation + 0.1


def test_other_movements_do_not_correlate() -> None:
    """Of 40 pairs of unrelated walks few correlate by more than 0.4, and none as the same one does."""
    found = [compared(walk(i), walk(100 + i)) for i in range(40)]
    r = np.array([f.correlation for f in found if f is not None])
    assert np.mean(r < 0.4) > 0.75
    assert float(r.max()) < 0.9


def test_where_nothing_moves_nothing_is_said() -> None:
    """Breathing of 0.01 m/s² is no movement, and a plate that carries half the weight is not compared."""
    breath = 0.01 * np.sin(2.0 * np.pi * 0.3 * T)
    assert compared(breath, breath) is None
    assert compared(walk(1) - 5.0, walk(1)) is None


@pytest.mark.skipif(not REAL.is_dir(), reason="open data folder absent")
def test_real_sensor_and_plate_of_one_run_are_told_from_others() -> None:
    """A sensor worn on the trunk and the plate under the feet: aligned by one step, the others confirm or contradict.

    Three runs of the open set (Alcantara et al. 2022; `SOURCE.md`): right pairs correlate by more than 0.8 in the steps
    that had no part in the alignment; wrong pairs, aligned to their best, by less than 0.4 or better elsewhere. The
    rate is not stated in the set; 450 Hz makes it 2.7 steps a second. Running lifts the feet, so both are made small
    for the level to count as standing; a correlation does not hang on it.
    """
    rate, small = 450.0, 0.05
    force = np.loadtxt(REAL / "force_rows.csv", delimiter=",")
    accel = np.loadtxt(REAL / "accelerometer_rows.csv", delimiter=",")[:, : force.shape[1]]
    right, wrong = [], []
    for i in range(3):
        for j in range(3):
            system, trunk = (small * 9.81 * (v - v.mean()) for v in (force[i], accel[j]))
            try:
                aligned = align_by_motion(system, rate, trunk, rate, windows_s=((0.3, 0.8),), largest_offset_s=0.17)
            except CannotMeasure:
                assert i != j
                continue
            t = np.arange(system.size) / rate
            moved = np.interp(aligned.clock.to_bar(t), t, trunk)
            found = surroundings(system, moved, t > 1.0, rate, gravity_mps2=9.81, system_noise=1e-3, bar_noise=1e-3)
            assert found is not None
            (right if i == j else wrong).append(found)
    assert min(f.correlation for f in right) > 0.8
    assert max(abs(f.best_lag_s) for f in right) < 0.03
    assert all(f.correlation < 0.4 or (abs(f.best_lag_s) > 0.05 and f.best > f.correlation + 0.1) for f in wrong)
