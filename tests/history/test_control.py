"""Control charts: false alarms of steady series against theory, sessions, load, odd reps, and the sentence."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from forcekit.errors import InputError
from forcekit.history.control import ewma_chart, individuals_chart
from forcekit.history.control_reps import control_chart
from forcekit.model import FloatArray

DAY_S = 86400.0
LOADS = np.array([60.0, 70.0, 80.0, 85.0])


def reps(n_sessions: int, rng: np.random.Generator, *, sd: float = 0.004) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Times, sessions and values of sessions of four reps."""
    session = np.repeat(np.arange(float(n_sessions)), 4)
    at_s = 1.7e9 + 3.0 * DAY_S * session + 300.0 * np.tile(np.arange(4.0), n_sessions)
    return at_s, session, 0.2 + sd * rng.standard_normal(session.size)


def test_charts_flag_a_jump() -> None:
    """A single wild value leaves the individuals chart, a small lasting change leaves the EWMA chart."""
    steady = np.tile([0.0, 1.0, -1.0, 0.5, -0.5], 5)
    wild = steady.copy()
    wild[12] = 9.0
    moved = ewma_chart(np.append(steady, steady[:10] + 1.6), centre=0.0, sigma=1.0)

    assert individuals_chart(wild).outside == (12,)
    assert moved.outside
    assert min(moved.outside) >= 25
    with pytest.raises(InputError, match="numbers in order of time"):
        individuals_chart(np.array([1.0, np.nan, 2.0, 3.0]))


def test_ewma_limits_grow_to_their_end_value() -> None:
    """Exact limits start at L·σ·λ and end at L·σ·√(λ/(2 − λ))."""
    chart = ewma_chart(np.zeros(60), centre=0.0, sigma=2.0, weight=0.2)

    assert chart.high[0] == pytest.approx(3.0 * 2.0 * 0.2)
    assert chart.high[-1] == pytest.approx(3.0 * 2.0 * np.sqrt(0.2 / 1.8), rel=1e-6)


def test_steady_values_leave_the_limits_once_in_370() -> None:
    """Three standard deviations of a normal value: 1 in 370, the published run length, by means and by medians."""
    x = np.random.default_rng(1).standard_normal(1_000_000)
    for robust in (False, True):
        chart = individuals_chart(x, robust=robust)

        # three standard errors (0.0014) of the median of a million ranges; 2700 values outside are known to 2 %
        assert chart.sigma == pytest.approx(1.0, abs=4.2e-3)
        assert x.size / len(chart.outside) == pytest.approx(370.4, rel=0.06)


def test_runs_of_the_ewma_are_those_of_its_markov_chain() -> None:
    """Share of steady series without an alarm in 150 values, against the chain of Brook and Evans (1972; from memory).

    The chain cuts the space between the limits into cells and needs no random number.
    """
    weight, n, n_series = 0.3, 150, 2000
    edges = np.linspace(-1.0, 1.0, 402) * 3.0 * np.sqrt(weight / (2.0 - weight))
    middle = 0.5 * (edges[1:] + edges[:-1])
    step = np.diff(stats.norm.cdf((edges[None, :] - (1.0 - weight) * middle[:, None]) / weight), axis=1)
    at = (np.arange(middle.size) == middle.size // 2).astype(np.float64)
    expected = float((at @ np.linalg.matrix_power(step, n)).sum())

    rng = np.random.default_rng(2)
    quiet = sum(
        not ewma_chart(rng.standard_normal(n), centre=0.0, sigma=1.0, growing_limits=False).outside
        for _ in range(n_series)
    )
    # three standard errors of a share of 2000 series
    assert quiet / n_series == pytest.approx(expected, abs=3.0 * np.sqrt(expected * (1.0 - expected) / n_series))


@pytest.mark.parametrize("robust", [False, True])
def test_reps_of_one_day_are_alike_and_the_limits_know_it(robust: bool) -> None:
    """Half of the variance between days: ranges between sessions give the whole spread, neighbours alone too little."""
    rng = np.random.default_rng(3)
    days, n = 20_000, 4
    session = np.repeat(np.arange(float(days)), n)
    x = np.sqrt(0.5) * (np.repeat(rng.standard_normal(days), n) + rng.standard_normal(days * n))
    known, blind = (individuals_chart(x, sessions=s, robust=robust) for s in (session, None))

    assert known.sigma == pytest.approx(1.0, abs=0.02)
    assert len(known.outside) / x.size == pytest.approx(0.0027, rel=0.25)
    assert len(blind.outside) / x.size > 4.0 * 0.0027


def test_one_rep_a_session_is_the_usual_moving_range() -> None:
    """Ranges from session to session are then those of neighbours, number by number."""
    x = np.random.default_rng(4).standard_normal(30)

    assert individuals_chart(x, sessions=np.arange(30.0)).sigma == individuals_chart(x).sigma
    assert individuals_chart(x, sessions=np.zeros(30)).sigma == individuals_chart(x).sigma


def test_odd_reps_hide_each_other_but_for_medians() -> None:
    """Five odd reps of 24 widen the limits until they all lie inside; medians find them all, and only these."""
    x = np.random.default_rng(5).standard_normal(24)
    odd = (3, 8, 12, 17, 21)
    x[list(odd)] += 7.0

    assert individuals_chart(x).outside == ()
    assert individuals_chart(x, robust=True).outside == odd


def test_a_lifter_whose_measure_rises_with_load_is_in_control() -> None:
    """A line over load is taken out: no rep outside, whatever the loads were, and the level no longer follows them."""
    rng = np.random.default_rng(6)
    at_s, session, value = reps(20, rng, sd=0.002)
    loads = np.tile(LOADS, 20)
    loads[-4:] = [85.0, 100.0, 110.0, 125.0]
    value += 0.0015 * loads
    chart = control_chart(at_s, value, sessions=session, loads_kg=loads)
    blind = control_chart(at_s, value, sessions=session)

    assert chart.outside == ()
    assert chart.load_kg == pytest.approx(loads.mean())
    assert abs(np.corrcoef(chart.level, loads)[0, 1]) < 0.3
    assert set(blind.outside) >= {78, 79}
    assert "all brought to 75.3 kg" in chart.sentence
    assert "load not allowed for" in blind.sentence


def test_load_that_differs_between_sessions_only_is_not_taken_out() -> None:
    """Load and time cannot be told apart then; it is said."""
    at_s, session, value = reps(10, np.random.default_rng(7))
    chart = control_chart(at_s, value, sessions=session, loads_kg=60.0 + 3.0 * session)

    assert chart.load_kg is None
    assert "at 60–87 kg, load not allowed for (it differs only from session to session)" in chart.sentence


def test_a_small_lasting_change_is_seen_by_the_weighted_mean() -> None:
    """One typical error from the 13th of 24 sessions on: no single rep shows it, the sessions after it do."""
    at_s, session, value = reps(24, np.random.default_rng(8))
    value[session >= 18] += 0.004
    single = control_chart(at_s, value, sessions=session)
    weighted = control_chart(at_s, value, kind="weighted", sessions=session)

    assert single.outside == ()
    assert weighted.outside
    assert min(weighted.outside) >= 18
    assert weighted.point == pytest.approx(value.reshape(24, 4).mean(axis=1))


@pytest.mark.parametrize("kind", ["single", "weighted"])
def test_the_order_given_does_not_matter(kind: str) -> None:
    """Reps in any order give the same chart; each knows its point; a value that is none belongs to no point."""
    rng = np.random.default_rng(9)
    at_s, session, value = reps(9, rng)
    value[[5, 6, 30]] = np.nan
    loads = np.tile(LOADS, 9)
    mixed = rng.permutation(value.size)
    one = control_chart(at_s, value, kind=kind, sessions=session, loads_kg=loads)  # type: ignore[arg-type]
    two = control_chart(at_s[mixed], value[mixed], kind=kind, sessions=session[mixed], loads_kg=loads[mixed])  # type: ignore[arg-type]

    assert two.drawn == pytest.approx(one.drawn)
    assert two.level == pytest.approx(one.level[mixed], nan_ok=True)
    assert two.i_point.tolist() == one.i_point[mixed].tolist()
    assert (one.i_point[[5, 6, 30]] == -1).all()
    assert (one.n_reps, one.n_sessions, one.point.size) == (33, 9, 33 if kind == "single" else 9)


def test_too_few_and_no_spread_are_told() -> None:
    """A sentence with the reason, and no limit."""
    at_s, session, value = reps(2, np.random.default_rng(10))
    few = control_chart(at_s[:2], value[:2], measure="dip_depth", unit="m")
    sessions = control_chart(at_s, value, kind="weighted", sessions=session, measure="dip_depth", unit="m")
    flat = control_chart(at_s, np.full(8, 0.2), measure="dip_depth", unit="m")
    none = control_chart(at_s, np.full(8, np.nan), sessions=session, loads_kg=np.full(8, 80.0), measure="dip_depth")

    assert few.sentence == "dip depth: no individuals chart, 2 reps so far, at least 3 are needed."
    assert sessions.sentence == "dip depth: no EWMA chart, 2 sessions so far, at least 3 are needed."
    assert "neighbours have the same value" in flat.sentence
    assert none.withheld == "0 reps so far, at least 3 are needed"
    assert {few.centre, sessions.centre, flat.centre, none.sigma} == {None}


def test_the_sentence_names_what_lies_outside() -> None:
    """Numbers with units, day and load of each rep outside, the way it went, and how sure the limits are."""
    at_s, session, value = reps(5, np.random.default_rng(11), sd=0.001)
    value[10] += 0.02
    loads = np.full(20, 80.0)
    chart = control_chart(at_s, value, sessions=session, loads_kg=loads, robust=True, measure="dip_depth", unit="m")

    assert chart.outside == (10,)
    assert chart.sentence.startswith("dip depth, robust individuals chart: centre ")
    assert " from 20 reps in 5 sessions at 80 kg; 1 rep outside: 2023-11-20 at 80 kg (" in chart.sentence
    assert chart.sentence.endswith(" cm, deeper); limits unsure: fewer than 8 sessions.")
