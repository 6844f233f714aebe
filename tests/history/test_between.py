"""Sessions compared: the numbers of the textbook in the simple cases, and what is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from reps import DAY_S, START, add

from forcekit.errors import InputError
from forcekit.history.between import compare_sessions
from forcekit.history.people import add_athlete
from forcekit.history.several import NO_SCATTER
from forcekit.history.store import Store, open_store
from forcekit.history.usual import usual_range

NAME = "Ina"
Day = tuple[float, list[tuple[float, float]]]


def filled(folder: Path, days: list[Day], measure: str = "transition_time") -> Store:
    """A store with (load, value) reps on several days."""
    store = open_store(folder)
    add_athlete(store, NAME)
    for day, reps in days:
        for i, (load, value) in enumerate(reps):
            add(store, NAME, day=day + 1e-3 * i, load_kg=load, **{measure: value})
    return store


def test_two_sessions_at_one_load_are_the_two_sample_t_test(tmp_path: Path) -> None:
    """One measure, one load, two sessions: p and interval are those of Student's test of two samples."""
    from scipy import stats

    before, now = [0.061, 0.066, 0.063, 0.070], [0.052, 0.058, 0.055]
    with filled(tmp_path, [(0.0, [(80.0, v) for v in before]), (3.0, [(80.0, v) for v in now])]) as store:
        (change,) = compare_sessions(store, NAME, names=["transition_time"]).last.measures
    said = stats.ttest_ind(now, before)
    low, high = said.confidence_interval(0.95)

    assert said.pvalue == pytest.approx(change.p, rel=1e-9)
    assert (low, high) == pytest.approx((change.low, change.high), rel=1e-9)
    assert change.differs
    assert "quicker than in the session of" in change.sentence


def test_a_heavier_day_is_no_change(tmp_path: Path) -> None:
    """A measure that only follows the load does not differ between days with other shares of the loads."""
    rng = np.random.default_rng(4)
    days: list[Day] = [
        (0.0, [(k, 0.001 * k + 0.001 * rng.standard_normal()) for k in (60.0, 60.0, 60.0, 80.0)]),
        (3.0, [(k, 0.001 * k + 0.001 * rng.standard_normal()) for k in (60.0, 80.0, 80.0, 80.0)]),
    ]
    with filled(tmp_path, days) as store:
        (change,) = compare_sessions(store, NAME, names=["transition_time"]).last.measures
    raw = np.mean([v for _, v in days[1][1]]) - np.mean([v for _, v in days[0][1]])

    assert raw > 0.008
    assert abs(change.change) < 0.002
    assert not change.differs


def test_the_same_load_before_is_the_usual_range_of_session_means(tmp_path: Path) -> None:
    """One measure: the joint interval is the prediction interval for one more session mean."""
    days: list[Day] = [(3.0 * i, [(80.0, v), (80.0, v + 0.004)]) for i, v in enumerate((0.060, 0.064, 0.058, 0.066))]
    days.append((20.0, [(80.0, 0.070), (80.0, 0.074), (60.0, 0.050)]))
    with filled(tmp_path, days) as store:
        found = compare_sessions(store, NAME, names=["transition_time"])
    (change,) = found.same_load.measures
    usual = usual_range(np.array([0.062, 0.066, 0.060, 0.068]), measure="transition_time")

    assert found.load_kg == 80.0
    assert change.now == pytest.approx(0.072)
    assert (usual.low, usual.high) == pytest.approx((change.now - change.high, change.now - change.low), rel=1e-9)
    assert "4 earlier sessions at 80 kg" == found.same_load.with_what


def test_the_last_session_with_a_load_in_common_is_taken(tmp_path: Path) -> None:
    """A lighter day in between is passed over, and the page says so."""
    days: list[Day] = [
        (0.0, [(80.0, 0.060), (80.0, 0.063), (80.0, 0.066)]),
        (3.0, [(50.0, 0.040), (50.0, 0.043)]),
        (6.0, [(80.0, 0.064), (81.0, 0.061), (80.0, 0.060)]),
    ]
    with filled(tmp_path, days) as store:
        last = compare_sessions(store, NAME, names=["transition_time"]).last

    assert (3, 3) == (last.n_now, last.n_before)
    assert "had other loads" in last.with_what


def test_what_cannot_be_compared_says_why(tmp_path: Path) -> None:
    """The first session, sessions without repeats and fewer than three earlier ones are withheld with the reason."""
    with filled(tmp_path / "one", [(0.0, [(80.0, 0.06)])]) as store:
        first = compare_sessions(store, NAME, names=["transition_time"])
    with filled(tmp_path / "two", [(0.0, [(80.0, 0.06)]), (3.0, [(80.0, 0.07)])]) as store:
        second = compare_sessions(store, NAME, names=["transition_time"])
        with pytest.raises(InputError, match="no attempt"):
            compare_sessions(store, NAME, at=START - DAY_S)

    assert "no earlier session" in str(first.last.withheld)
    assert "too few reps are repeated" in str(second.last.withheld)
    assert "at least 3" in str(second.same_load.withheld)


def test_a_load_measured_in_one_session_only_says_nothing_of_the_change(tmp_path: Path) -> None:
    """Where a withheld measure leaves the two sessions no load in common, they are not compared."""
    rng = np.random.default_rng(8)
    with open_store(tmp_path) as store:
        add_athlete(store, NAME)
        for day, whole in ((0.0, 80.0), (3.0, 100.0)):
            for i, load in enumerate((80.0, 80.0, 80.0, 100.0, 100.0, 100.0)):
                values = {"transition_time": 0.06 + 0.003 * float(rng.standard_normal()), "dip_depth": 0.15}
                values["dip_depth"] += 0.01 * float(rng.standard_normal())
                if load != whole:
                    del values["dip_depth"]
                add(store, NAME, day=day + 1e-3 * i, load_kg=load, **values)
        last = compare_sessions(store, NAME, names=["transition_time", "dip_depth"]).last

    assert last.withheld == "the two have no reps at one load in which all measures were taken"


def test_earlier_sessions_without_scatter_are_not_called_too_few(tmp_path: Path) -> None:
    """Four earlier days with the same mean are enough days; what is missing is their scatter."""
    days: list[Day] = [(float(d), [(80.0, v) for v in (0.1, 0.13, 0.16)]) for d in range(4)]
    with filled(tmp_path, [*days, (5.0, [(80.0, 0.12), (80.0, 0.14)])]) as store:
        against = compare_sessions(store, NAME, names=["transition_time"]).same_load

    assert against.withheld == NO_SCATTER
    assert against.measures == ()


def test_one_rep_was_compared(tmp_path: Path) -> None:
    """The sentence counts one rep as one."""
    rng = np.random.default_rng(5)
    days: list[Day] = [(float(d), [(80.0, 0.1 + 0.01 * float(rng.standard_normal()))]) for d in range(5)]
    with filled(tmp_path, days) as store:
        against = compare_sessions(store, NAME, names=["transition_time"]).same_load

    assert "Compared was 1 rep of this session at 80 kg with 4 reps of 4 earlier sessions at 80 kg." in against.sentence


def test_the_loads_that_were_lifted_are_told(tmp_path: Path) -> None:
    """A load asked for that nobody lifted takes the reps within 5 % of it, and the sentence names what these were."""
    rng = np.random.default_rng(6)
    days: list[Day] = [
        (float(d), [(70.0 + d % 2, 0.1 + 0.01 * float(rng.standard_normal())) for _ in range(2)]) for d in range(5)
    ]
    with filled(tmp_path, days) as store:
        against = compare_sessions(store, NAME, load_kg=72.0, names=["transition_time"]).same_load
        none = compare_sessions(store, NAME, load_kg=90.0, names=["transition_time"]).same_load

    said = "Compared were 2 reps of this session at 70 kg with 8 reps of 4 earlier sessions at 70–71 kg."
    assert said in against.sentence
    assert against.loads_kg == (70.0,)
    assert none.sentence == (
        "Not compared with earlier sessions within 5 % of 90 kg: this session has no rep within 5 % of 90 kg."
    )
