"""Sliding a short curve along a long one: the same numbers as the plain ways, whatever the lengths."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicSpline

from forcekit.errors import CannotMeasure
from forcekit.mechanics import align_search
from forcekit.mechanics.align import Alignment, align_by_motion
from forcekit.mechanics.slide import blocks_of, slid, spline


@settings(max_examples=30, deadline=None)
@given(n=st.integers(1, 3000), m=st.integers(1, 200), more=st.integers(0, 50), seed=st.integers(0, 9))
def test_sums_by_blocks_are_the_plain_sums(n: int, m: int, more: int, seed: int) -> None:
    """Every place, also in a block's last one, has the sum of products that the definition gives."""
    rng = np.random.default_rng(seed)
    signal, template = rng.normal(size=max(n, m)), rng.normal(size=m)
    expected = np.correlate(signal, template, "valid")
    # Rounding of sums of up to 200 products of numbers around 1, through transforms of up to 2048 points.
    np.testing.assert_allclose(slid(blocks_of(signal, m + more), template), expected, atol=1e-11)


def test_a_spline_of_a_slice_is_that_of_the_whole() -> None:
    """Values and slopes 40 samples inside a slice equal those of the interpolating spline of everything."""
    rng = np.random.default_rng(3)
    values = np.cumsum(rng.normal(size=2000))
    t = np.sort(rng.uniform(0.44, 0.56, 500))
    whole = CubicSpline(np.arange(2000) / 1000.0, values)
    value, slope = spline(values[400:601], 0.4, 1000.0).at(t)
    # Stamps of 0.5 s are rounded to 1e-16 s, a slope is some 1000 per second: 1e-12 with room.
    np.testing.assert_allclose(value, whole(t), atol=1e-10)
    np.testing.assert_allclose(slope, whole(t, 1), rtol=1e-9, atol=1e-6)


def session(alike: float, seed: int) -> tuple[np.ndarray, np.ndarray, tuple[tuple[float, float], ...]]:
    """Plate and bar (offset 7.3042 s) of ten minutes with five unlike dips; `alike` is the size of false ones."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 600.0, 0.005)
    plate = np.zeros(t.size)
    bar = 0.03 * rng.normal(size=t.size)
    windows = []
    for k, at in enumerate((60.0, 150.0, 260.0, 370.0, 480.0)):
        shape, long = rng.normal(size=4), 0.45 + 0.02 * k

        def dip(u: np.ndarray, shape: np.ndarray = shape, long: float = long) -> np.ndarray:
            phase = np.clip(u / long, 0.0, 1.0)
            return sum(c * np.sin(np.pi * (i + 1) * phase) for i, c in enumerate(shape)) * np.sin(np.pi * phase)

        plate += dip(t - at)
        bar += dip(t - at - 7.3042)
        bar += alike * dip(t - at - 31.7042)
        windows.append((at - 0.5, at + 0.8 * long))
    return plate, bar, tuple(windows)


def both_ways(monkeypatch: pytest.MonkeyPatch, alike: float, seed: int) -> tuple[Alignment | str, Alignment | str]:
    """What the coarse search and the search of everything give, or say."""
    plate, bar, windows = session(alike, seed)
    found: list[Alignment | str] = []
    for limit in (1000, 10**9):
        monkeypatch.setattr(align_search, "LONG_SEARCH", limit)
        try:
            found.append(align_by_motion(plate, 200.0, bar, 200.0, windows_s=windows))
        except CannotMeasure as reason:
            found.append(str(reason))
    return found[0], found[1]


@pytest.mark.parametrize("seed", range(4))
def test_a_coarse_search_finds_what_the_whole_one_finds(monkeypatch: pytest.MonkeyPatch, seed: int) -> None:
    """Offset, correlation and rival are those of the search at the full rate everywhere."""
    coarse, whole = both_ways(monkeypatch, 0.0, seed)
    assert isinstance(coarse, Alignment)
    assert isinstance(whole, Alignment)
    np.testing.assert_allclose(coarse.offsets_s, whole.offsets_s, atol=1e-9)
    np.testing.assert_allclose(coarse.correlation, whole.correlation, atol=1e-12)
    np.testing.assert_allclose(coarse.rival, whole.rival, atol=1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_a_coarse_search_refuses_what_the_whole_one_refuses(monkeypatch: pytest.MonkeyPatch, seed: int) -> None:
    """The same movements once more 24.4 s later: both are ambiguous, in the same words."""
    coarse, whole = both_ways(monkeypatch, 0.95, seed)
    assert isinstance(coarse, str)
    assert coarse == whole
    assert "confidence" in coarse
