"""Plate and bar together: identities of two bodies on one plate, and a simulated lifter's truth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forcekit.errors import CannotMeasure, Reason
from forcekit.mechanics.rack import (
    agreement,
    bar_lead,
    body_share,
    joined,
    own_motion,
    rack_load,
)
from forcekit.mechanics.uncertain import Uncertain, exact
from forcekit.simulate.lifter import LiftPlan, simulate_lift

G = 9.80665
MOTION = simulate_lift(LiftPlan(), 1, rate_hz=1000.0)
M_BODY, M_BAR = MOTION.plan.body_mass_kg, MOTION.plan.bar_mass_kg


@given(
    a_body=st.floats(-G, 30.0), a_bar=st.floats(-G, 30.0), m_body=st.floats(40.0, 150.0), m_bar=st.floats(5.0, 200.0)
)
def test_force_splits_into_its_two_bodies(a_body: float, a_bar: float, m_body: float, m_bar: float) -> None:
    """F = m_body (a_body + g) + m_bar (a_bar + g) gives the body's own acceleration back."""
    force = m_body * (a_body + G) + m_bar * (a_bar + G)
    system = force / (m_body + m_bar) - G
    got = own_motion(exact(system), exact(a_bar), 1.0 - m_bar / (m_body + m_bar))
    assert got.value == pytest.approx(a_body, abs=1e-9 * (1 + force / m_body))


def test_rack_load_is_one_at_rest_and_zero_in_flight() -> None:
    """A bar at rest loads the shoulders with its weight, a falling one not at all, one at +g with twice of it."""
    np.testing.assert_allclose(rack_load(np.array([0.0, -G, G]), G), [1.0, 0.0, 2.0])


def test_own_travel_of_a_simulated_lifter() -> None:
    """The body's own travel comes back from that of the common centre of mass and the bar's, on the simulated lift."""
    share = body_share(M_BODY + M_BAR, M_BAR)
    body, bar = MOTION.body_position_m[:, 2], MOTION.bar_position_m[:, 2]
    system = share * body + (1.0 - share) * bar
    i, j = 500, int(MOTION.marks[0].drive_end_s * 1000)
    own = own_motion(exact(system[j] - system[i]), exact(bar[j] - bar[i]), share)
    assert own.value == pytest.approx(body[j] - body[i], abs=1e-12)


def test_sources_of_plate_and_bar_stay_apart() -> None:
    """Joined numbers share no source: the variance of a difference is the sum of both."""
    plate, bar = joined(Uncertain(-0.10, np.array([0.003])), Uncertain(-0.11, np.array([0.004])), 5)
    assert (bar - plate).u == pytest.approx(0.005)
    assert own_motion(plate, bar, 0.5).value == pytest.approx(-0.09)


@pytest.mark.parametrize("bar_kg", [0.0, 115.0])
def test_a_load_that_does_not_fit_is_refused(bar_kg: float) -> None:
    """A bar without mass, or heavier than nine tenths of the system, cannot be."""
    with pytest.raises(CannotMeasure, match="give the load") as refused:
        body_share(120.0, bar_kg)
    assert refused.value.reason is Reason.NO_LOAD


def test_lead_is_negative_when_the_bar_peaks_first() -> None:
    """Bar at 2.98 s, system at 3.00 s: -20 ms, with three independent sources."""
    lead = bar_lead(2.98, 0.001, 3.00, 0.002, 0.002)
    assert lead.value == pytest.approx(-0.02)
    assert lead.u == pytest.approx(0.003)


def test_equal_curves_agree_and_scaled_ones_show_their_gain() -> None:
    """Gain and misfit of a bar curve that is 1.2 times the system's; depth difference in standard uncertainties."""
    x = 3.0 * np.sin(np.linspace(0.0, 9.0, 800))
    same = agreement(x, x, exact(0.15), exact(0.15))
    assert (same.gain, same.correlation, same.misfit_frac, same.depth_z) == pytest.approx((1.0, 1.0, 0.0, 0.0))
    more = agreement(x, 1.2 * x + 0.3, exact(0.15), Uncertain(0.19, np.array([0.0])))
    assert more.gain == pytest.approx(1.2)
    assert more.misfit_frac == pytest.approx(0.2)
    assert more.depth_z == pytest.approx(4.0)
