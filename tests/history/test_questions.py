"""The questions asked of a store: an invented lifter with known habits."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from reps import add, measures

from forcekit.errors import InputError
from forcekit.history.people import add_athlete
from forcekit.history.questions import (
    break_load_of,
    compare_lift,
    control_chart_of,
    cue_trial_of,
    miss_contrast_of,
    trend_of,
    typical_error_of,
    usual_limits,
    usual_of,
)
from forcekit.history.series import list_attempts, series
from forcekit.history.store import Store, open_store


@pytest.fixture(scope="module")
def folder_of_ina(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ina: 12 days of 5 reps at 60 to 100 kg; forward beyond 80 kg, misses are slow, a cue on the last day."""
    rng = np.random.default_rng(3)
    folder = tmp_path_factory.mktemp("ina") / "data"
    with open_store(folder) as lite:
        add_athlete(lite, "Ina")
        for day in range(12):
            for load in (60.0, 70.0, 80.0, 90.0, 100.0):
                missed = load >= 90.0 and day in (2, 5, 8)
                add(
                    lite,
                    day=day + load / 1e4,
                    load_kg=load,
                    outcome="missed forward" if missed else "made",
                    cue="tall" if day == 11 else None,
                    transition_time=0.120
                    + 0.0001 * load
                    + 0.03 * missed
                    - 0.02 * (day == 11)
                    + 0.003 * rng.standard_normal(),
                    dip_depth=0.15 + 0.004 * rng.standard_normal(),
                    shift_total=0.02 + 0.0016 * max(0.0, load - 80.0) + 0.004 * rng.standard_normal(),
                )
    return folder


@pytest.fixture
def ina(folder_of_ina: Path, tmp_path: Path) -> Iterator[Store]:
    """A copy of Ina's store, which a test may change."""
    shutil.copytree(folder_of_ina, tmp_path / "ina")
    with open_store(tmp_path / "ina") as store:
        yield store


def test_usual_at_a_load(ina: Store) -> None:
    """All reps count through the line over load; the findings' limits are the same range."""
    usual = usual_of(ina, "Ina", "transition_time", load_kg=80.0)

    assert (usual.n, usual.method) == (60, "load-adjusted")
    assert {"transition_time", "dip_depth"} == set(
        usual_limits(ina, "Ina", ("transition_time", "dip_depth", "no"), load_kg=80.0)
    )
    assert usual_limits(ina, "Ina", ("transition_time",), load_kg=80.0)["transition_time"].low == usual.low
    assert usual_limits(ina, "Ina", ("transition_time",), load_kg=140.0) == {}


def test_a_lift_is_compared_without_itself(ina: Store) -> None:
    """A slow and deep rep is different in these; stored and left out, the answer is the same."""
    values = {"transition_time": 0.190, "dip_depth": 0.20, "shift_total": 0.02}
    new = {m.name: m for m in measures(values)}
    names = ("transition_time", "dip_depth", "shift_total", "push_angle")
    before = compare_lift(ina, "Ina", new, load_kg=80.0, names=names)
    stored = add(ina, day=20.0, load_kg=80.0, **values)
    after = compare_lift(ina, "Ina", new, load_kg=80.0, names=names, leave_out=stored.attempt_id)

    assert {"transition_time", "dip_depth"} == {m.measure for m in before.different}
    assert [m.p_joint for m in before.measures] == [m.p_joint for m in after.measures]


def test_misses_without_the_first_measure_are_counted(lite: Store) -> None:
    """Attempts that lack the measure asked for first, as from an older version, keep their outcome."""
    rng = np.random.default_rng(6)
    add_athlete(lite, "Eva")
    for i in range(10):
        values = {"transition_time": 0.12 + 0.03 * (i % 2) + 0.003 * float(rng.standard_normal())}
        if i > 7:
            values["dip_depth"] = 0.15
        add(lite, "Eva", day=i, outcome="missed forward" if i % 2 else "made", **values)
    found = miss_contrast_of(lite, "Eva", names=["dip_depth", "transition_time"])

    assert (found.n_makes, found.n_misses) == (5, 5)
    assert [d.measure for d in found.shown] == ["transition_time"]


def test_cue_trial_from_the_store(ina: Store) -> None:
    """Only reps near the load of those with the cue count; the day before the cue is "before", the rest history."""
    found = cue_trial_of(ina, "Ina", "transition_time", cue="tall", wanted="lower")
    near = series(ina, "Ina", "transition_time")
    near = near.where(np.abs(near.load_kg - 80.0) <= 8.0)

    assert (1, 3, len(near) - 4) == (found.n_after, found.n_before, found.n_history)
    assert found.verdict == "too few"
    with pytest.raises(InputError, match='no rep with transition_time has the cue "short"; these are written: "tall"'):
        cue_trial_of(ina, "Ina", "transition_time", cue="short")
    with pytest.raises(InputError, match="either a cue or a drill"):
        cue_trial_of(ina, "Ina", "transition_time")
    with pytest.raises(InputError, match="either a cue or a drill"):
        cue_trial_of(ina, "Ina", "transition_time", cue="")
    with pytest.raises(
        InputError, match='no rep of "squat" with transition_time has the cue "tall"; none has a cue at'
    ):
        cue_trial_of(ina, "Ina", "transition_time", cue="tall", movement="squat")


def test_a_cue_at_loads_far_apart_is_judged_at_the_commonest(ina: Store) -> None:
    """With the cue at 60 and 100 kg no rep is near the mean of 80 kg; those at 100 kg, lifted most often, are taken."""
    for i, load in enumerate((60.0, 60.0, 60.0, 100.0, 100.0, 100.0, 100.0)):
        add(ina, day=20 + i / 100, load_kg=load, cue="chin in", transition_time=0.12 + 0.001 * i)
    found = cue_trial_of(ina, "Ina", "transition_time", cue="chin in")

    assert (found.n_after, found.n_before) == (4, 3)


def test_cue_trial_that_worked(ina: Store) -> None:
    """Four more reps with the cue at 80 kg settle it."""
    for i in range(4):
        add(ina, day=11.5 + i / 100, load_kg=80.0, cue="tall", transition_time=0.106 + 0.002 * i)
    found = cue_trial_of(ina, "Ina", "transition_time", cue="tall", wanted="lower")

    assert (found.n_after, found.verdict) == (5, "worked")
    assert 'the cue "tall" worked' in found.sentence


def test_miss_contrast_from_the_store(ina: Store) -> None:
    """The slow turnaround goes with the misses at equal load; depth and shift do not."""
    found = miss_contrast_of(ina, "Ina", names=("transition_time", "dip_depth", "shift_total", "absent"))

    assert (found.n_makes, found.n_misses, found.load_adjusted) == (54, 6, True)
    assert [d.measure for d in found.shown] == ["transition_time"]
    assert miss_contrast_of(ina, "Ina", names=("dip_depth",), miss="missed back").withheld is not None
    assert miss_contrast_of(ina, "Ina", names=("absent",)).withheld is not None


def test_break_load_from_the_store(ina: Store) -> None:
    """The shift leaves its usual range where the invented bend crosses the limit."""
    found = break_load_of(ina, "Ina", "shift_total", limit=0.036)

    assert found.low_kg is not None
    assert found.high_kg is not None
    assert found.low_kg <= 90.0 <= found.high_kg


def test_charts_are_of_one_movement(ina: Store) -> None:
    """Slow misses leave the robust limits above, reps with the cue below; no other movement is mixed in."""
    slow = control_chart_of(ina, "Ina", "transition_time", robust=True)
    s = series(ina, "Ina", "transition_time")
    add(ina, day=20.0, load_kg=80.0, movement="push press", transition_time=0.2)

    above, below = ([i for i in slow.outside if (slow.point[i] > slow.centre) == way] for way in (True, False))
    assert [s.outcome[i] for i in above] == ["missed forward"] * 6
    assert [s.cue[i] for i in below] == ["tall"] * len(below) != []
    with pytest.raises(InputError, match=r"2 movements \(jerk, push press\).*--movement"):
        control_chart_of(ina, "Ina", "transition_time")
    assert control_chart_of(ina, "Ina", "transition_time", movement="jerk").n_reps == 60


def test_trend_and_typical_error_from_the_store(ina: Store) -> None:
    """Days are the points of a trend; the typical error is that of reps at one load within a day."""
    found = trend_of(ina, "Ina", "dip_depth")

    assert (found.n_reps, found.point.size, found.shape) == (60, 12, "steady")
    assert typical_error_of(ina, "Ina", "dip_depth").value is None  # one rep per load and day
    add_athlete(ina, "Olu")
    for i in range(6):
        add(ina, "Olu", day=i / 100, dip_depth=0.15 + 0.001 * (i % 2))
    assert typical_error_of(ina, "Olu", "dip_depth").value == pytest.approx(0.001 * np.sqrt(6 / 4 / 5))


def test_new_lifter_is_answered_from_the_squad(lite: Store) -> None:
    """With one own rep the squad answers, with 3 the lifter's own reps do; with too small a squad a reason is given."""
    rng = np.random.default_rng(5)
    for k in range(5):
        add_athlete(lite, f"lifter {k}")
        for i in range(4):
            add(lite, f"lifter {k}", day=i, dip_depth=0.14 + 0.005 * k + 0.003 * rng.standard_normal())
    add_athlete(lite, "Ina")
    nothing = usual_of(lite, "Ina", "dip_depth", load_kg=80.0)
    add(lite, day=1.0, dip_depth=0.17)
    one = usual_of(lite, "Ina", "dip_depth", load_kg=80.0)

    assert (nothing.method, nothing.n) == ("squad", 0)
    assert (one.method, one.n) == ("squad", 1)
    assert one.centre is not None
    assert nothing.centre is not None
    assert nothing.centre < one.centre < 0.17
    assert not usual_of(lite, "Ina", "dip_depth", load_kg=80.0, squad=False).ok
    assert not usual_of(lite, "Ina", "dip_depth", load_kg=140.0).ok
    assert len(list_attempts(lite, "Ina")) == 1
