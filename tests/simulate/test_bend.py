"""Bars that bend and bodies that are soft: limits, momentum, and the frequency of the swing."""

from __future__ import annotations

import numpy as np
import pytest

from forcekit.simulate.bend import bend_bar, natural_hz, soft_body
from forcekit.simulate.lifter import LiftPlan, simulate_lift

RIGID = simulate_lift(LiftPlan(movement="dip only", bar_whip_m=0.0), 3, rate_hz=2000.0)


def test_a_stiff_bar_is_rigid() -> None:
    """A bar that swings with 150 Hz changes the force by less than 1 % of the weight."""
    change = bend_bar(RIGID, hz=150.0, damping=0.3).force_up_n - RIGID.force_up_n
    assert float(np.abs(change).max()) < 0.01 * RIGID.plan.system_mass_kg * RIGID.gravity_mps2


def test_what_lags_gives_its_momentum_back() -> None:
    """From rest to rest the impulse is the same: the discs end as still as they began, within 1 N s."""
    for softer in (bend_bar(RIGID), soft_body(RIGID)):
        change = softer.force_up_n - RIGID.force_up_n
        assert float(np.abs(change).max()) > 50.0
        assert abs(float(change.sum()) / RIGID.rate_hz) < 1.0


def test_discs_swing_with_the_frequency_of_the_beam() -> None:
    """After the dip the force swings with natural_hz: 6.8 Hz for 80 kg, less for more."""
    change = bend_bar(RIGID, damping=0.02).force_up_n - RIGID.force_up_n
    spectrum = np.abs(np.fft.rfft(change * np.hanning(change.size), 1 << 17))
    peak = float(np.fft.rfftfreq(1 << 17, 1.0 / RIGID.rate_hz)[int(np.argmax(spectrum))])
    assert natural_hz(80.0) == pytest.approx(6.8, abs=0.05)
    assert peak == pytest.approx(natural_hz(80.0), rel=0.05)
    assert natural_hz(140.0) < natural_hz(80.0)


def test_no_truth_is_claimed() -> None:
    """The common centre of mass moves otherwise than in the rigid motion, so its truths are gone."""
    assert bend_bar(RIGID).truths == ()
