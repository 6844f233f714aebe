"""The usual range and the comparison of a rep: formulas, loads, refusals, sentences."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from forcekit.errors import InputError
from forcekit.history.usual import compare_with_usual, robust_factor, usual_range

REPS = np.array([0.121, 0.128, 0.133, 0.125, 0.130, 0.127, 0.124, 0.131, 0.129, 0.126, 0.132, 0.123, 0.128, 0.135])
LOADS = np.array([60.0, 70.0, 80.0, 90.0, 100.0, 60.0, 70.0, 80.0, 90.0, 100.0, 60.0, 70.0, 80.0, 90.0])


@pytest.mark.parametrize(("n", "factor"), [(3, 4.97), (5, 3.04), (10, 2.37), (30, 2.08)])
def test_factor_of_the_plain_range(n: int, factor: float) -> None:
    """Half the range over the standard deviation is t(n − 1)·√(1 + 1/n), from any table of the t-distribution."""
    x = np.random.default_rng(n).standard_normal(n)
    usual = usual_range(x)
    assert usual.high is not None
    assert usual.centre is not None

    assert (usual.high - usual.centre) / x.std(ddof=1) == pytest.approx(factor, abs=0.005)


def test_range_over_load_is_the_textbook_prediction_interval() -> None:
    """At a load the range is that of a straight line, computed here from a general statistics library."""
    line = stats.linregress(LOADS, REPS)
    rest = REPS - line.intercept - line.slope * LOADS
    s = np.sqrt(rest @ rest / 12)
    half = (
        stats.t.ppf(0.975, 12)
        * s
        * np.sqrt(1 + 1 / 14 + (85 - LOADS.mean()) ** 2 / np.sum((LOADS - LOADS.mean()) ** 2))
    )
    usual = usual_range(REPS, LOADS, load_kg=85.0)

    assert (usual.low, usual.high) == pytest.approx(
        (line.intercept + 85 * line.slope - half, line.intercept + 85 * line.slope + half), rel=1e-12
    )
    assert usual.method == "load-adjusted"


def test_nothing_is_extrapolated() -> None:
    """Beyond the loads lifted there is no range but a reason that names them."""
    usual = usual_range(REPS, LOADS, load_kg=110.0, measure="transition_time", unit="s")

    assert not usual.ok
    assert "transition time: no usual range, 110 kg is outside the loads so far (60 kg to 100 kg)" in usual.sentence
    assert compare_with_usual(0.13, usual).verdict == "not known"


def test_the_example_sentence() -> None:
    """A slow turnaround is told with its value, the range, the load and the number of reps."""
    usual = usual_range(REPS, np.full(14, 90.0), load_kg=90.0, measure="transition_time", unit="s")
    found = compare_with_usual(0.148, usual)

    assert found.sentence == "transition time 148 ms; usual at 90 kg 119–137 ms (95 %) from 14 reps: longer than usual."
    assert found.p is not None
    assert found.p < 0.001


@given(st.lists(st.floats(0.05, 0.5), min_size=3, max_size=30, unique=True), st.floats(0.0, 1.0))
def test_p_and_range_agree(values: list[float], value: float) -> None:
    """A rep is outside the 95 % range exactly when its p is below 0.05, and moves with unit and origin."""
    x = np.array(values)
    found = compare_with_usual(value, usual_range(x))
    moved = compare_with_usual(3.0 * value + 1.0, usual_range(3.0 * x + 1.0))

    assert found.p is not None
    assert (found.p < 0.05) == (found.verdict != "usual") or found.p == pytest.approx(0.05, abs=1e-9)
    assert moved.p == pytest.approx(found.p, abs=1e-6)


@pytest.mark.parametrize("n", [0, 1, 2])
def test_two_reps_are_too_few(n: int) -> None:
    """Below 3 reps there is no range; the reason says how many there are."""
    usual = usual_range(REPS[:n])

    assert not usual.ok
    assert f"{n} rep{'s' if n != 1 else ''} so far, at least 3 are needed" == usual.withheld


def test_reps_without_spread_give_no_range() -> None:
    """Equal values say nothing about their spread, unless the resolution is known."""
    assert not usual_range(np.full(5, 0.2)).ok
    for same in (0.1, 0.13, 0.3333):  # the mean of three of these is not the number itself
        assert not usual_range(np.full(3, same)).ok
    assert usual_range(np.full(5, 0.2), resolution=0.001).sd == pytest.approx(0.001 / np.sqrt(12))


def test_reps_on_one_line_over_load_give_no_range() -> None:
    """Values that only follow the load say nothing about their spread about it."""
    loads = np.array([60.0, 70.0, 80.0, 90.0, 100.0, 110.0])
    usual = usual_range(0.1 + 0.001 * loads, loads, load_kg=85.0)

    assert usual.withheld == "all 6 reps lie on one line, so their spread is not known"


def test_median_range_stands_odd_old_reps() -> None:
    """Two wild old reps hardly move the median-based range and widen the other one several times."""
    wild = np.append(REPS, [0.6, 0.9])
    robust, plain, clean = usual_range(wild, method="robust"), usual_range(wild), usual_range(REPS)
    width = [u.high - u.low for u in (robust, plain, clean) if u.high is not None and u.low is not None]

    assert width[0] < 1.6 * width[2]
    assert width[1] > 10.0 * width[2]


def test_factor_of_the_median_range_falls_to_the_normal_one() -> None:
    """Between the table's numbers the factor falls, and for endless reps it is 1.96."""
    factors = [robust_factor(n) for n in (20, 22, 25, 27, 60, 99, 150, 10**7)]

    assert factors == sorted(factors, reverse=True)
    assert factors[-1] == pytest.approx(1.96, abs=0.001)


def test_missing_values_are_left_out() -> None:
    """NaN among the reps or loads takes the rep out."""
    holes = np.append(REPS, [np.nan, 0.5])
    usual = usual_range(holes, np.append(LOADS, [80.0, np.nan]), load_kg=85.0)

    assert usual_range(REPS, LOADS, load_kg=85.0).low == usual.low
    with pytest.raises(InputError, match="Give both"):
        usual_range(REPS, method="load-adjusted")


def test_no_rep_is_not_a_rep_without_load() -> None:
    """Without any rep the loads are not what is missing."""
    none = np.empty(0)

    assert usual_range(none, none, load_kg=80.0).withheld == "0 reps so far, at least 3 are needed"
    assert "no earlier rep has a load" in str(usual_range(np.ones(4), np.full(4, np.nan), load_kg=80.0).withheld)
