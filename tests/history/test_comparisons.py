"""Cue trial, miss contrast, break load, trend: formulas, refusals and sentences."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from forcekit.errors import InputError
from forcekit.history.breakload import break_load
from forcekit.history.misses import miss_contrast
from forcekit.history.reliability import intraclass_correlation, reliability, typical_error
from forcekit.history.several import NO_SCATTER
from forcekit.history.squad import Squad, squad_from, squad_range
from forcekit.history.trend import step_p_value, trend
from forcekit.history.trial import cue_trial
from forcekit.history.usual import usual_range

RNG = np.random.default_rng(7)
BEFORE = np.array([0.141, 0.138, 0.144, 0.139])
AFTER = np.array([0.121, 0.126, 0.118])
HISTORY = np.array([0.137, 0.142, 0.139, 0.136, 0.143, 0.140, 0.141])


def test_trial_without_history_is_welch() -> None:
    """Against the reps before, the interval is that of Welch's test in a general statistics library."""
    found = cue_trial(BEFORE, AFTER).against_before
    reference = stats.ttest_ind(AFTER, BEFORE, equal_var=False)
    interval = reference.confidence_interval(0.95)
    assert found is not None

    assert (found.low, found.high, found.p) == pytest.approx((interval.low, interval.high, reference.pvalue))


def test_trial_verdicts() -> None:
    """Each verdict is reached by the case it is meant for."""
    bad = np.array([0.160, 0.158, 0.163])

    assert cue_trial(BEFORE, AFTER, HISTORY, wanted="lower").verdict == "worked"
    assert cue_trial(BEFORE, AFTER, HISTORY, wanted="higher").verdict == "made it worse"
    assert cue_trial(BEFORE, AFTER, HISTORY).verdict == "changed"
    assert cue_trial(BEFORE, AFTER, HISTORY[:4]).verdict == "changed, cause open"
    assert cue_trial(bad, BEFORE, HISTORY, wanted="lower").verdict == "back to usual"
    assert cue_trial(BEFORE, HISTORY[:3], HISTORY[3:], wanted="lower").verdict == "not shown"
    assert cue_trial(BEFORE, AFTER[:2], HISTORY).verdict == "too few"


def test_trial_sentence() -> None:
    """The sentence has the verdict, both differences with intervals, units and numbers of reps."""
    found = cue_trial(BEFORE, AFTER, HISTORY, wanted="lower", cue='the cue "tall"', measure="transition_time", unit="s")

    assert found.sentence == (
        'transition time: the cue "tall" worked; −19 ms (95 % −27 to −11 ms) against 4 reps just before, '
        "−18 ms (95 % −27 to −10 ms) against 7 earlier ones, from 3 reps with it."
    )


def test_miss_contrast_by_hand() -> None:
    """At one load the difference is the plain difference of means with the pooled t-interval."""
    makes, misses = RNG.standard_normal(9), 3.0 + RNG.standard_normal(4)
    missed = np.arange(13) >= 9
    found = miss_contrast({"shift_total": np.append(makes, misses)}, missed, loads_kg=np.full(13, 90.0)).differences[0]
    interval = stats.ttest_ind(misses, makes).confidence_interval(0.95)

    assert (found.low, found.high) == pytest.approx((interval.low, interval.high))
    assert (found.n_makes, found.n_misses, found.shown) == (9, 4, True)


def test_load_is_not_taken_for_a_cause() -> None:
    """A measure that only follows the load shows no difference though misses are heavier."""
    loads = np.array([70.0, 75, 80, 85, 90, 95, 85, 90, 95, 100])
    missed = np.arange(10) >= 6
    values = 0.002 * loads + 0.001 * RNG.standard_normal(10)
    found = miss_contrast({"dip_depth": values}, missed, loads_kg=loads)

    assert found.load_adjusted
    assert found.shown == ()


def test_miss_contrast_refuses() -> None:
    """Too few misses, or misses all heavier than makes, give a reason."""
    values = {"a": RNG.standard_normal(8)}
    few = miss_contrast(values, np.arange(8) >= 6)
    apart = miss_contrast(values, np.arange(8) >= 4, loads_kg=np.arange(8.0) + 60.0)

    assert few.sentence == "Makes and misses not compared: 6 makes and 2 misses, at least 3 of each are needed."
    assert apart.withheld is not None
    assert "cannot be told apart" in apart.withheld


def test_an_interval_beside_zero_that_is_not_shown_says_why() -> None:
    """Alone the difference would be seen, among eight measures it is not: the sentence does not leave that open."""
    rng = np.random.default_rng(1)
    missed = np.arange(24) >= 12
    measures = {f"m{i}": rng.standard_normal(24) for i in range(7)} | {"a": rng.standard_normal(24) + 0.9 * missed}
    found = next(d for d in miss_contrast(measures, missed).differences if d.measure == "a")

    assert (found.shown, found.low > 0.0) == (False, True)
    assert "no difference shown" in found.sentence
    assert "taken alone, which one of several measures may reach by chance)" in found.sentence


def test_makes_and_misses_that_do_not_scatter_are_not_compared() -> None:
    """Times in whole steps of a slow clock, all makes alike and all misses alike: chance cannot be judged."""
    missed = np.array([False] * 4 + [True] * 4)
    steps = np.where(missed, 0.13, 0.12)
    alone = miss_contrast({"transition_time": steps}, missed)
    with_other = miss_contrast({"transition_time": steps, "dip_depth": RNG.standard_normal(8)}, missed)

    assert alone.sentence == f"Makes and misses not compared: {NO_SCATTER}."
    assert [d.measure for d in with_other.differences] == ["dip_depth"]
    assert with_other.left_out == {"transition_time": NO_SCATTER}


def test_break_load_of_a_clean_bend() -> None:
    """Nearly noise-free reps give the load at which the line crosses the limit, to the step of the search."""
    loads = np.repeat(np.arange(40.0, 106.0, 5.0), 2)
    values = 0.02 + 0.001 * np.maximum(0.0, loads - 80.0) + 1e-5 * RNG.standard_normal(28)
    found = break_load(values, loads, limit=0.03)

    assert found.verdict == "reached"
    # 65 kg / 160 is the step of the search
    assert found.load_kg == pytest.approx(90.0, abs=0.41)


def test_break_load_sides_are_mirror_images() -> None:
    """The lower end of falling values breaks where the upper end of the mirrored values does."""
    loads = np.repeat(np.arange(40.0, 106.0, 5.0), 3)
    values = 0.02 + 0.001 * np.maximum(0.0, loads - 80.0) + 0.002 * RNG.standard_normal(42)
    up, down = break_load(values, loads), break_load(-values, loads, side="below")

    assert (up.load_kg, up.low_kg, up.high_kg) == (down.load_kg, down.low_kg, down.high_kg)
    assert up.limit is not None
    assert down.limit == -up.limit


def test_break_load_not_reached() -> None:
    """Level reps are told as not reached up to the heaviest load, with the number of reps and loads."""
    loads = np.repeat(np.arange(40.0, 106.0, 5.0), 3)
    values = 0.02 + 0.003 * RNG.standard_normal(42)
    found = break_load(values, loads, limit=0.05, measure="shift_total", unit="m")

    assert found.sentence == "shift total: not further forward than 5.0 cm up to 105 kg, from 42 reps at 14 loads."
    assert break_load(values[:7], loads[:7]).verdict == "too few"
    outside = break_load(values, loads, limit=0.01)
    assert (outside.verdict, outside.low_kg, outside.high_kg) == ("outside at all loads", None, 40.0)


def test_trend_of_a_clean_line_and_step() -> None:
    """The slope per week and the place and size of a step are the true ones; the wording tells them apart."""
    weeks = np.arange(12.0)
    noise = 0.001 * np.sin(37.0 * weeks)
    line = trend(weeks * 7 * 86400, 0.13 + 0.002 * weeks + noise, measure="transition_time", unit="s")
    step = trend(weeks * 7 * 86400, 0.13 + 0.02 * (weeks >= 7) + noise, measure="transition_time", unit="s")

    assert line.per_week == pytest.approx(0.002, abs=0.0002)
    assert (line.shape, step.shape) == ("line", "steps")
    assert [s.i_after for s in step.steps] == [7]
    assert step.steps[0].after - step.steps[0].before == pytest.approx(0.02, abs=0.001)
    assert "getting longer" in line.sentence


def test_trend_takes_days_and_not_reps() -> None:
    """Thirty reps on two days are two points, which is too few for a trend."""
    found = trend(np.repeat([0.0, 86400.0], 15), RNG.standard_normal(30), sessions=np.repeat([1.0, 2.0], 15))

    assert found.per_week is None
    assert found.withheld is not None
    assert found.withheld.startswith("2 sessions")


def test_trend_allows_for_load() -> None:
    """Heavier and heavier sessions of a measure that follows the load give no trend."""
    session = np.repeat(np.arange(8.0), 5)
    loads = 60.0 + 3.0 * session + np.tile([0.0, 5, 10, 15, 20], 8)
    values = 0.01 * loads + 0.01 * RNG.standard_normal(40)
    plain = trend(session * 86400, values, sessions=session)
    adjusted = trend(session * 86400, values, sessions=session, loads_kg=loads)

    assert (adjusted.shape, adjusted.load_adjusted) == ("steady", True)
    assert plain.shape != "steady"


def test_trial_without_scatter_shows_the_change_alone() -> None:
    """Times in whole steps of a slow clock: the change is told without an interval of rounding."""
    found = cue_trial(np.full(3, 0.1), np.full(3, 0.13), measure="transition_time", unit="s")

    assert "+30 ms (no spread) against 3 reps just before" in found.sentence


def test_typical_error_needs_scatter() -> None:
    """Reps all alike have no typical error of 0.000, and one rep is one rep."""
    alike = typical_error(np.full(5, 0.1), measure="transition_time", unit="s")

    assert alike.value is None
    assert "their spread is not known" in alike.sentence
    assert typical_error(np.array([1.0])).withheld == "1 rep in 1 group; at least 3 reps within a session are needed"


@pytest.mark.parametrize("table", [np.ones((3, 2)), np.array([[1.0, 2.0], [2.0, 1.0], [1.0, 2.0]])])
def test_athletes_that_do_not_differ_have_no_correlation(table: np.ndarray) -> None:
    """Between equal athletes a correlation would divide by zero; the sentence says what is wrong."""
    with pytest.raises(InputError, match="all 3 athletes have the same mean"):
        reliability(table)


def test_typical_error_within_sessions() -> None:
    """A difference between days is not error, and its interval is the chi-square interval."""
    day = np.repeat([0.0, 1.0, 2.0], 4)
    reps = RNG.standard_normal(12)
    found = typical_error(reps + 100.0 * day, day)
    by_hand = np.sqrt(sum(reps[day == d].var(ddof=1) for d in range(3)) / 3)

    assert found.value == pytest.approx(by_hand)
    assert found.low == pytest.approx(by_hand * np.sqrt(9 / stats.chi2.ppf(0.975, 9)))
    assert typical_error(reps[:3], np.arange(3.0)).value is None
    with pytest.raises(InputError, match="at least 2 rows"):
        intraclass_correlation(np.ones((1, 4)))


def test_squad_range_goes_from_squad_to_own() -> None:
    """Without own reps the range is the squad's; with many it is near the lifter's own; too small a squad is told."""
    squad = Squad(10.0, 1.0, 0.5, 40, 8, 48, 0.35)
    none, many = squad_range(np.empty(0), squad), squad_range(np.full(30, 12.0), squad)

    assert none.centre == 10.0
    assert many.centre == pytest.approx(12.0, abs=0.03)
    assert none.high is not None
    assert many.high is not None
    assert none.high - 10.0 > many.high - 12.0
    with pytest.raises(InputError, match="at least 5 are needed"):
        squad_from([RNG.standard_normal(5)] * 4)


def test_squad_range_names_the_load_and_no_time_below_zero() -> None:
    """As with own reps: the load stands in the sentence, and a wide range of a time begins at 0."""
    squad = Squad(0.2, 0.1, 0.12, 40, 6, 46, 0.05)
    usual = squad_range(np.empty(0), squad, load_kg=80.0, measure="transition_time", unit="s")

    assert usual.low is not None
    assert usual.low < 0.0
    assert usual.sentence.startswith("transition time: usual at 80 kg 0–")
    assert usual.sentence.endswith(", from 6 others, with no rep of this lifter yet.")
    assert usual.load_kg == 80.0


def test_new_best_by_a_kilogram_can_be_compared() -> None:
    """Just beyond the heaviest load the nearest reps answer; the sentence names their load."""
    usual = usual_range(RNG.standard_normal(6), np.array([60.0, 70, 80, 100, 100, 100]), load_kg=101.0)

    assert (usual.n, usual.method) == (3, "plain")
    assert "from 3 reps at 100 kg" in usual.sentence


def test_long_series_need_no_smaller_step() -> None:
    """Past the simulated lengths the tail formula is on the safe side of simulation, and not by more than half."""
    rng = np.random.default_rng(2)
    series = rng.standard_normal((3000, 300))
    largest = np.array([_largest_by_hand(row) for row in series])
    simulated = np.mean(largest >= 3.0)

    # 3 000 series, rate near 0.08: standard error 0.005
    assert simulated - 0.012 <= step_p_value(3.0, 300) <= 1.5 * simulated + 0.012
    assert step_p_value(3.0, 200) < step_p_value(3.0, 201) < step_p_value(2.5, 201)


def _largest_by_hand(row: np.ndarray) -> float:
    """Largest two-sample |t| over all places with 3 points on either side, from sums of squares."""
    n = row.size
    k = np.arange(3, n - 2)
    sums, squares = np.cumsum(row), np.cumsum(row**2)
    mean_a, mean_b = sums[k - 1] / k, (sums[-1] - sums[k - 1]) / (n - k)
    within = squares[-1] - k * mean_a**2 - (n - k) * mean_b**2
    return float(np.max(np.abs(mean_a - mean_b) / np.sqrt(within / (n - 2) * (1 / k + 1 / (n - k)))))
