"""One uniform clock for rounded, jittering and interrupted time stamps."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forcekit.errors import InputError
from forcekit.mechanics.timebase import fill, uniform_timebase

RATES_HZ = (80.0, 100.0, 128.0, 240.0, 300.0, 450.0, 480.0, 600.0, 700.0, 800.0, 1000.0, 2000.0)


def rounded(rate_hz: float, step_s: float, keep: slice | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Sample numbers and stamps as a program prints them: rounded to `step_s`, at least half a sample fine."""
    k = np.arange(int(6.0 * rate_hz))
    if keep is not None:
        k = np.delete(k, keep)
    return k, np.round(k / rate_hz / step_s) * step_s


@given(rate_hz=st.floats(50.0, 2500.0), start_s=st.floats(-5.0, 1e5))
def test_even_stamps_give_their_own_clock(rate_hz: float, start_s: float) -> None:
    """An exact clock is found exactly, wherever it starts."""
    t = start_s + np.arange(500) / rate_hz
    timebase = uniform_timebase(t, "file")
    # Stamps of 1e5 s carry 1.5e-11 s of rounding; over the length of the record that is the error of the rate.
    assert timebase.rate_hz == pytest.approx(rate_hz, rel=1e-9)
    assert np.max(np.abs(timebase.t_s - t)) < 1e-9
    assert not timebase.missing.any()
    assert not timebase.jitters


@pytest.mark.parametrize("rate_hz", [r for r in RATES_HZ if r <= 1000.0])
def test_stamps_rounded_to_a_millisecond_average_out(rate_hz: float) -> None:
    """Rounding to 1 ms moves no sample to another place, and the rate comes out right.

    A uniform rounding of h has SD h/√12; the slope over n samples then has SD h/√12·√12/n^1.5: below 1e-5 of the rate
    for every rate here. Ten of those are allowed.
    """
    k, t = rounded(rate_hz, 0.001)
    timebase = uniform_timebase(t, "file")
    assert np.array_equal(timebase.index, k)
    assert not timebase.missing.any()
    assert timebase.rate_hz == pytest.approx(rate_hz, rel=10.0 * 0.001 * rate_hz / k.size**1.5)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_stamps_with_a_tenth_of_a_millisecond_average_out(rate_hz: float) -> None:
    """The same with the four decimals many programs print."""
    k, t = rounded(rate_hz, 0.0001)
    timebase = uniform_timebase(t, "file")
    assert np.array_equal(timebase.index, k)
    assert timebase.rate_hz == pytest.approx(rate_hz, rel=10.0 * 0.0001 * rate_hz / k.size**1.5)


@pytest.mark.parametrize("rate_hz", [80.0, 100.0, 300.0, 400.0, 500.0, 1000.0])
@pytest.mark.parametrize("step_s", [1e-3, 1e-6])
def test_gap_is_marked_where_it_is(rate_hz: float, step_s: float) -> None:
    """A gap of 0.2 s is exactly that many missing samples, also when the stamps are rounded."""
    first, last = int(2.0 * rate_hz), int(2.2 * rate_hz)
    k, t = rounded(rate_hz, step_s, slice(first, last))
    timebase = uniform_timebase(t, "file")
    assert list(np.flatnonzero(timebase.missing)) == list(range(first, last))
    assert np.array_equal(timebase.index, k)


def test_gap_is_bridged_by_a_line() -> None:
    """Missing samples of a line are the line; the given samples are untouched."""
    k = np.delete(np.arange(100), slice(40, 50))
    timebase = uniform_timebase(k * 0.01, "file")
    filled = fill(timebase, 3.0 * k - 7.0)
    assert filled == pytest.approx(3.0 * np.arange(100) - 7.0, abs=1e-9)


def test_jittering_stamps_are_resampled_to_the_clock() -> None:
    """Stamps off by up to 45 % of a step: a slow sine keeps its values at the clock's own times."""
    rng = np.random.default_rng(4)
    t = (np.arange(400) + rng.uniform(-0.45, 0.45, 400)) / 100.0
    timebase = uniform_timebase(t, "file")
    assert timebase.jitters
    inside = slice(2, -2)
    wave = fill(timebase, np.sin(2.0 * np.pi * t))
    # Linear interpolation over at most 1.9 steps of 10 ms errs by h²/8·(2π)² < 0.0018.
    assert np.max(np.abs(wave - np.sin(2.0 * np.pi * timebase.t_s))[inside]) < 0.0018


def test_too_few_samples_are_refused() -> None:
    """Nineteen samples are no signal."""
    with pytest.raises(InputError, match=r"plate\.csv: only 19 samples; at least 20"):
        uniform_timebase(np.arange(19) / 100.0, "plate.csv")


def test_a_recording_that_is_mostly_hole_is_refused() -> None:
    """Two bursts an hour apart are two recordings."""
    t = np.concatenate((np.arange(50), 360000 + np.arange(50))) / 100.0
    with pytest.raises(InputError, match="most of the recording is missing"):
        uniform_timebase(t, "plate.csv")
