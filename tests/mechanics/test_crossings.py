"""Instants between samples: exact on lines and parabolas, unbiased in noise."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from forcekit.mechanics.crossings import crossing_after, fitted_line, linear_at, local_fit, parabola, peak

places = st.floats(5.0, 44.0)
slopes = st.floats(0.01, 100.0)


@given(place=places, slope=slopes, level=st.floats(-50.0, 50.0), rising=st.booleans())
def test_crossing_of_a_line_is_exact(place: float, slope: float, level: float, rising: bool) -> None:
    """A line crosses a level where it does, from either side."""
    y = level + (slope if rising else -slope) * (np.arange(50.0) - place)
    assume(abs(place - round(place)) > 1e-9)  # a line through a sample may round to either side of it
    assert crossing_after(y, 0, 49, level, rising=rising) == pytest.approx(place, abs=1e-9 * (1 + abs(level) / slope))
    assert crossing_after(y, 0, 49, level, rising=not rising) is None


def test_a_sample_on_the_level_counts_as_crossed() -> None:
    """Reaching the level is enough; leaving it is no second crossing."""
    y = np.array([-2.0, -1.0, 0.0, 0.0, 1.0])
    assert crossing_after(y, 0, 4, 0.0, rising=True) == 2.0
    assert crossing_after(y, 2, 4, 0.0, rising=True) is None


def test_only_the_asked_range_is_searched() -> None:
    """Crossings before the start and after the stop do not count."""
    y = np.array([-1.0, 1.0, -1.0, 1.0, -1.0, 1.0])
    assert [crossing_after(y, i, 5, 0.0, rising=True) for i in range(5)] == [0.5, 2.5, 2.5, 4.5, 4.5]
    assert crossing_after(y, 1, 2, 0.0, rising=True) is None


@given(place=places, half=st.floats(0.3, 8.0), slope=st.floats(-10.0, 10.0), level=st.floats(-10.0, 10.0))
def test_line_and_parabola_fits_are_exact_on_lines(place: float, half: float, slope: float, level: float) -> None:
    """On a line, interpolation, the fitted line and the local parabola all give its value and slope."""
    y = level + slope * (np.arange(50.0) - place)
    assert linear_at(y, place) == pytest.approx(level, abs=1e-9)
    assert fitted_line(y, place, half)[:2] == pytest.approx((level, slope), abs=1e-8)
    assert local_fit(y, place, half)[:2] == pytest.approx((level, slope), abs=1e-8)


@given(place=st.floats(10.0, 40.0), bend=st.floats(-3.0, 3.0), slope=st.floats(-10.0, 10.0))
def test_local_parabola_is_exact_on_parabolas(place: float, bend: float, slope: float) -> None:
    """With five samples and more a parabola gives its own value and slope."""
    x = np.arange(50.0) - place
    value, found, _ = local_fit(2.0 + slope * x + bend * x * x, place, 4.0)
    assert (value, found) == pytest.approx((2.0, slope), abs=1e-8)


def test_noise_gain_of_a_local_fit_is_what_noise_does() -> None:
    """The value read off pure noise scatters by the stated gain: 4000 draws know an SD to 1.1 %; four of those."""
    rng = np.random.default_rng(1)
    noise = rng.standard_normal((4000, 41))
    for place, half in ((20.0, 8.0), (20.3, 3.0), (20.5, 1.0)):
        gain = local_fit(noise[0], place, half)[2]
        assert np.std([local_fit(row, place, half)[0] for row in noise]) == pytest.approx(gain, rel=0.045)


@given(place=st.floats(15.0, 35.0), bend=st.floats(0.01, 5.0), height=st.floats(-100.0, 100.0), largest=st.booleans())
def test_peak_of_a_parabola_is_exact(place: float, bend: float, height: float, largest: bool) -> None:
    """Height and place of a vertex between samples come out, upward and downward."""
    sign = 1.0 if largest else -1.0
    y = height - sign * bend * (np.arange(50.0) - place) ** 2
    assert peak(y, 0, 49, 4.0, largest=largest)[:2] == pytest.approx((height, place), abs=1e-6)


def test_peak_at_the_edge_of_the_range_stays_inside() -> None:
    """A curve still rising at the end of the range has its largest value there."""
    y = np.arange(50.0) ** 2
    height, place, _ = peak(y, 10, 30, 3.0)
    assert (height, place) == pytest.approx((900.0, 30.0), abs=1e-6)


def test_peak_in_noise_is_not_too_high() -> None:
    """Over 600 noisy half sines the height is unbiased, where the largest sample is too high by over one SD.

    The half sine is 600 samples long, the fit 21: its fourth-order term biases it by less than 1e-5 of 100. The mean of
    600 heights, each with an SD of 1.5/√21 = 0.33, is uncertain by 0.013; four of those are allowed.
    """
    rng = np.random.default_rng(5)
    clean = 100.0 * np.sin(np.pi * np.arange(601) / 600.0)
    rows = clean + rng.standard_normal((600, 601))
    heights = np.array([peak(row, 0, 600, 10.0, 1.0)[0] for row in rows])
    assert np.mean(rows.max(axis=1)) > 101.0
    assert abs(np.mean(heights) - 100.0) < 0.055
    assert np.std(heights) < 0.33 * 1.1


def test_peak_of_a_plateau_in_noise_is_near_its_level() -> None:
    """On a flat top the luckiest part is hardly picked: the bias is under a third of that of the largest sample."""
    rng = np.random.default_rng(6)
    clean = np.concatenate((np.linspace(0.0, 100.0, 100), np.full(200, 100.0), np.linspace(100.0, 0.0, 100)))
    rows = clean + rng.standard_normal((300, 400))
    heights = [peak(row, 0, 399, 6.0, 1.0)[0] for row in rows]
    assert abs(np.mean(heights) - 100.0) < (np.mean(rows.max(axis=1)) - 100.0) / 3.0


def test_parabola_is_the_least_squares_fit() -> None:
    """Against numpy's general fit, on samples that lie anywhere and are few or many."""
    rng = np.random.default_rng(3)
    for n, first in ((3, 0), (4, -9), (13, 5), (200, -100)):
        y = rng.standard_normal(n)
        x = np.arange(first, first + n, dtype=np.float64)
        # The general fit is itself off by rounding that grows with the powers of x.
        np.testing.assert_allclose(parabola(y, first), np.polyfit(x, y, 2), rtol=1e-8, atol=1e-9)
