"""A dip explained by the bar: what bends and swings is allowed for, another dip is not."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.signal import bilinear, lfilter

from forcekit.mechanics.pair_fit import FIT_RATE_HZ, _late, disc_share, explained_by_bar, predicted_by_bar, smoothed
from forcekit.mechanics.pair_quality import LEFT_FRAC, LEFT_MOST_FRAC
from forcekit.model import FloatArray

MASS_KG, LOAD_KG = 160.0, 80.0
T = np.arange(0.0, 2.0, 1.0 / FIT_RATE_HZ)
WINDOW = (200, 430)


def dip(t: FloatArray, braking_s: float = 0.16, onset_s: float = 1.0) -> FloatArray:
    """A bar's acceleration: down and, as long as `braking_s`, up again; smooth."""
    down = np.where((t > onset_s) & (t < onset_s + 0.36), -(np.sin(np.pi * (t - onset_s) / 0.36) ** 2), 0.0)
    rise = np.clip((t - onset_s - 0.32) / braking_s, 0.0, 1.0)
    return 4.0 * down + 9.0 * rise**2 * (3.0 - 2.0 * rise)


def on_spring(base: FloatArray, hz: float, damping: float) -> FloatArray:
    """What a mass on a damped spring accelerates beyond its base, by a solver of differential equations."""
    omega = 2.0 * np.pi * hz

    def rate(t: float, y: FloatArray) -> list[float]:
        return [y[1], -float(np.interp(t, T, base)) - 2.0 * damping * omega * y[1] - omega**2 * y[0]]

    y = solve_ivp(rate, (0.0, T[-1]), [0.0, 0.0], t_eval=T, rtol=1e-7, atol=1e-9, max_step=0.004).y
    return np.asarray(-base - 2.0 * damping * omega * y[1] - omega**2 * y[0])


@pytest.mark.parametrize(("hz", "damping"), [(3.1, 0.02), (5.3, 0.08), (8.0, 0.4)])
def test_what_follows_on_a_spring_is_the_filter_of_scipy(hz: float, damping: float) -> None:
    """Two curves at once, the filter written out: as scipy's bilinear transform and its filter give it."""
    curves = np.stack([dip(T), np.random.default_rng(4).standard_normal(T.size)])
    omega = 2.0 * np.pi * hz
    b, a = bilinear([-1.0, 0.0, 0.0], [1.0, 2.0 * damping * omega, omega**2], FIT_RATE_HZ)
    np.testing.assert_allclose(_late(curves, hz, damping), lfilter(b, a, curves), rtol=0.0, atol=1e-11)


@pytest.mark.parametrize("hz", [4.9, 6.4, 8.1])
@pytest.mark.parametrize("shift_s", [0.0, 0.009])
def test_a_bar_that_bends_is_explained(hz: float, shift_s: float) -> None:
    """Discs that swing with any usual frequency leave less than one lift may leave; a misplaced clock is found.

    Half a kilogram or a tenth of the frequency more or less moves the curve by a millisecond or two.
    """
    share, _, _ = disc_share(MASS_KG, LOAD_KG)
    system = 0.92 * dip(T) + share * on_spring(dip(T), hz, 0.06)
    found = explained_by_bar(
        smoothed(system, FIT_RATE_HZ), smoothed(dip(T - shift_s), FIT_RATE_HZ), WINDOW, mass_kg=MASS_KG, load_kg=LOAD_KG
    )
    assert found.left_frac < 0.7 * LEFT_FRAC
    assert found.shift_s == pytest.approx(shift_s, abs=0.003)
    assert found.bar_hz == pytest.approx(hz, rel=0.12)


def test_natural_frequency_is_that_of_the_sag() -> None:
    """Discs that hang lower by x = m g/(2 k) at rest swing with sqrt(g/x)/2π: 6.8 Hz for 5.4 mm."""
    _, _, hz = disc_share(MASS_KG, LOAD_KG)
    sag = 1.5e-5 * 0.5 * (LOAD_KG - 6.3) * 9.80665
    assert sag == pytest.approx(0.0054, abs=0.0001)
    assert hz == pytest.approx(np.sqrt(9.80665 / sag) / (2.0 * np.pi))


@pytest.mark.parametrize("load_kg", [LOAD_KG, None])
def test_another_dip_is_not_explained(load_kg: float | None) -> None:
    """A dip with a tenth longer braking is beyond usual, one with a quarter beyond anything; a known load sees more."""
    system = 0.92 * smoothed(dip(T), FIT_RATE_HZ)
    left = []
    for factor in (1.0, 1.1, 1.25):
        bar = smoothed(dip(T, 0.16 * factor), FIT_RATE_HZ)
        left.append(explained_by_bar(system, bar, WINDOW, mass_kg=MASS_KG, load_kg=load_kg).left_frac)
    assert left[0] < 0.5 * LEFT_FRAC
    assert left[0] < left[1] < left[2]
    assert left[2] > LEFT_MOST_FRAC
    if load_kg is not None:
        assert left[1] > LEFT_FRAC


def test_prediction_continues_the_fit() -> None:
    """What the bar foretells of the system outside the window is what a solver of the same springs gives."""
    share, _, _ = disc_share(MASS_KG, LOAD_KG)
    system = smoothed(0.9 * dip(T) + share * on_spring(dip(T), 6.8, 0.08), FIT_RATE_HZ)
    bar = smoothed(dip(T), FIT_RATE_HZ)
    fit = explained_by_bar(system, bar, WINDOW, mass_kg=MASS_KG, load_kg=LOAD_KG)
    after = predicted_by_bar(bar, fit, mass_kg=MASS_KG, load_kg=LOAD_KG)[440:] - system[440:]
    assert float(np.abs(after).max()) < 0.05 * float(np.abs(system).max())
