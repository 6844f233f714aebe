"""Several measures at once: Holm, rotation test, sentences."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from scipy import stats

from forcekit.history.several import NO_SCATTER, compare_many, holm, joint_test

RNG = np.random.default_rng(11)
OLD = RNG.standard_normal((12, 3))
NEW = np.array([0.2, 6.0, -0.1])


def test_holm_by_hand() -> None:
    """The smallest of four is multiplied by 4, the next by 3, and none is smaller than the one before."""
    assert holm(np.array([0.01, 0.20, 0.015, 0.04])) == pytest.approx([0.04, 0.20, 0.045, 0.08])


def test_one_measure_is_the_t_test() -> None:
    """For a single effect the test is the two-sample t-test of a general statistics library."""
    y = RNG.standard_normal((11, 1))
    group = np.arange(11) >= 6
    test = joint_test(y, np.ones((11, 1)), group.astype(float))
    reference = stats.ttest_ind(y[group, 0], y[~group, 0])

    assert (test.t[0], test.p[0], test.df) == pytest.approx((reference.statistic, reference.pvalue, 9))
    assert test.p[0] == test.p_joint[0]


def test_joint_p_lies_between_alone_and_holm() -> None:
    """For unrelated measures the joint p is near Holm's; for one measure told three times it is the p alone."""
    y = RNG.standard_normal((21, 3))
    effect = np.append(np.zeros(20), 1.0)
    apart = joint_test(y, np.ones((21, 1)), effect)
    same = joint_test(np.repeat(y[:, :1], 3, axis=1), np.ones((21, 1)), effect)

    # rotations: standard error of a p is below 0.005
    assert np.all(apart.p_joint >= apart.p - 0.015)
    assert np.all(apart.p_joint <= holm(apart.p) + 0.03)
    assert same.p_joint == pytest.approx(same.p, abs=0.015)


def test_the_measure_that_differs_is_named() -> None:
    """One measure far out is found and told, the others are usual."""
    names = ("transition_time", "dip_depth", "shift_total")
    old = {n: 0.1 + 0.01 * OLD[:, j] for j, n in enumerate(names)}
    new = {n: 0.1 + 0.01 * float(NEW[j]) for j, n in enumerate(names)}
    found = compare_many(new, old, units={"transition_time": "s", "dip_depth": "m", "shift_total": "m"})

    assert [m.measure for m in found.different] == ["dip_depth"]
    assert found.sentence == "Different from usual: dip depth deeper (3 measures compared with 12 earlier reps)."
    assert [m.low <= m.value <= m.high for m in found.measures] == [not m.differs for m in found.measures]


def test_what_differs_lies_outside_the_range_that_is_told() -> None:
    """Also a measure that only the step-down test sees, once another one is far out."""
    rng = np.random.default_rng(2)
    seen = stepped = 0
    for _ in range(60):
        old = {name: rng.standard_normal(14) for name in "abcd"}
        new = dict(zip("abcd", [9.0, 2.6, 2.6, 0.0], strict=True))
        found = compare_many(new, old)
        test = joint_test(
            np.column_stack([np.append(old[n], new[n]) for n in "abcd"]), np.ones((15, 1)), np.append(np.zeros(14), 1.0)
        )
        assert [m.low <= m.value <= m.high for m in found.measures] == [not m.differs for m in found.measures]
        seen += sum(m.differs for m in found.measures)
        stepped += sum(m.differs and abs(t) < test.factor_joint for m, t in zip(found.measures, test.t, strict=True))

    assert seen > 60
    assert stepped > 0


def test_what_cannot_be_compared_is_named() -> None:
    """Measures without values, without spread or unknown before are left out with the reason."""
    old = {"a": OLD[:, 0], "b": np.full(12, 1.0), "c": np.where(np.arange(12) < 9, np.nan, OLD[:, 1])}
    found = compare_many({"a": 0.0, "b": 1.0, "c": 0.0, "d": 0.0}, old)

    assert [m.measure for m in found.measures] == ["a"]
    assert {"b", "c", "d"} == set(found.left_out)
    assert found.left_out["c"] == "measured in 3 of 12 earlier reps"


def test_too_few_reps_are_not_compared() -> None:
    """Two earlier reps give no comparison but a reason."""
    found = compare_many({"a": 0.0}, {"a": OLD[:2, 0]})

    assert found.measures == ()
    assert found.sentence == "Not compared with usual: 2 earlier reps with all these measures, at least 3 are needed."


def test_the_same_data_give_the_same_answer() -> None:
    """Rotations are seeded: asking twice gives the same numbers."""
    ask = ({"a": 1.0, "b": 2.0}, {"a": OLD[:, 0], "b": OLD[:, 1]})

    assert [m.p_joint for m in compare_many(*ask).measures] == [m.p_joint for m in compare_many(*ask).measures]


def test_rotations_in_few_dimensions_are_rotations_of_all_reps() -> None:
    """The joint p and factor are those of turning all reps at random, done here the long way."""
    y = RNG.standard_normal((40, 3)) @ np.array([[1.0, 0.8, 0.0], [0.0, 0.6, 0.5], [0.0, 0.0, 1.0]])
    y[-1] += 2.2
    effect = np.append(np.zeros(39), 1.0)
    test = joint_test(y, np.ones((40, 1)), effect)
    turned = RNG.standard_normal((20000, 40))
    turned -= turned.mean(axis=1, keepdims=True)
    turned /= np.linalg.norm(turned, axis=1, keepdims=True)
    explained = (turned @ y) ** 2 / np.sum((y - y.mean(axis=0)) ** 2, axis=0)
    largest = np.max(explained / (1.0 - explained) * 38, axis=1)

    # both sides are random: standard error of a p below 0.005, of the quantile below 0.03
    assert test.p_joint.min() == pytest.approx(np.mean(largest >= np.max(test.t**2)), abs=0.02)
    assert test.factor_joint == pytest.approx(np.sqrt(np.quantile(largest, 0.95)), abs=0.12)


def test_a_long_history_needs_no_more_memory_than_its_numbers() -> None:
    """Three thousand earlier reps in eight measures (0.2 MB) are compared in a few megabytes."""
    old = {name: RNG.standard_normal(3000) for name in "abcdefgh"}
    tracemalloc.start()
    try:
        compare_many(dict.fromkeys(old, 0.0), old, loads_kg=RNG.uniform(60.0, 100.0, 3000), load_kg=80.0)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()

    assert peak < 20e6


def test_reps_without_a_measure_do_not_lend_their_load() -> None:
    """Reps at 100 kg that lack the measure do not make 90 kg lie among the loads of those that have it."""
    loads = np.array([80.0] * 7 + [100.0] * 3)
    found = compare_many({"a": 0.1}, {"a": np.append(OLD[:7, 0], [np.nan] * 3)}, loads_kg=loads, load_kg=90.0)

    assert found.measures == ()
    assert "90 kg is outside the loads so far (all 80 kg)" in found.sentence


def test_measures_on_one_line_over_load_are_left_out() -> None:
    """Earlier reps that lie exactly on a line over load leave nothing to judge a new one by."""
    loads = np.array([60.0, 70.0, 80.0, 90.0, 100.0, 110.0])
    found = compare_many(
        {"a": 0.2, "b": 0.0}, {"a": 0.1 + 0.001 * loads, "b": OLD[:6, 0]}, loads_kg=loads, load_kg=85.0
    )

    assert [m.measure for m in found.measures] == ["b"]
    assert found.left_out == {"a": NO_SCATTER}
    assert found.sentence.startswith("As usual: 1 measure compared with 6 earlier reps at 85 kg")
