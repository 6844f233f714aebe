"""A trial of a cue inside a session: three before, three with it, and an answer."""

from __future__ import annotations

import dataclasses

import pytest

from forcekit.analysis.findings import load_cue_book
from forcekit.analysis.pipeline import analyze
from forcekit.errors import InputError
from forcekit.live.reps import Rep
from forcekit.live.trial import begin_trial, trial_state
from forcekit.model import AttemptCard
from forcekit.results import Lift
from forcekit.simulate.lifter import simulate_lift
from forcekit.simulate.plan import LiftPlan
from forcekit.simulate.sensors import PlateSensor, record_plate

BOOK = load_cue_book()
CARD = AttemptCard(athlete="Ada", load_kg=60.0)


@pytest.fixture(scope="module")
def lift() -> Lift:
    """One measured lift."""
    motion = simulate_lift(LiftPlan(), 1)
    recorded = record_plate(motion, PlateSensor(rate_hz=500.0), 1)
    return analyze(dataclasses.replace(recorded, card=CARD)).lifts[0]


def rep(lift: Lift, number: int, depth_m: float, **said: object) -> Rep:
    """A settled rep with a dip of a given depth."""
    m = dataclasses.replace(lift.measures["dip_depth"], value=depth_m, low=depth_m - 0.002, high=depth_m + 0.002)
    made = dataclasses.replace(lift, measures={**lift.measures, "dip_depth": m})
    card = AttemptCard(**{"athlete": "Ada", "load_kg": 60.0, **said})  # type: ignore[arg-type]
    return Rep(number, number, made, card, "settled")


def test_three_before_and_three_with_it_give_an_answer(lift: Lift) -> None:
    """Until the third rep with the cue there is no answer; then a sentence that names the cue."""
    cue = BOOK["too_deep"].cue
    reps = [rep(lift, i, d) for i, d in enumerate((0.200, 0.203, 0.198, 0.201), 1)]
    trial = begin_trial("cue", cue, "dip_depth", reps, CARD, BOOK)
    for i, depth in enumerate((0.150, 0.152, 0.149), 5):
        assert trial_state(trial, reps, None)["answer"] is None
        reps.append(rep(lift, i, depth, cue=cue))
    state = trial_state(trial, reps, None)
    assert [v["rep"] for v in state["before"]] == [1, 2, 3, 4]
    assert [v["rep"] for v in state["with"]] == [5, 6, 7]
    assert cue in state["answer"]
    assert "taken together" not in state["answer"]


def test_movements_in_a_trial_are_named(lift: Lift) -> None:
    """Push presses before and jerks with the cue: the answer says that it holds both."""
    press, jerk = (dataclasses.replace(lift, movement=m) for m in ("push press", "jerk"))
    cue = BOOK["too_deep"].cue
    reps = [rep(press, i, d) for i, d in enumerate((0.200, 0.203, 0.198), 1)]
    trial = begin_trial("cue", cue, "dip_depth", reps, CARD, BOOK)
    reps += [rep(jerk, i, d, cue=cue) for i, d in enumerate((0.150, 0.152, 0.149), 4)]
    told = trial_state(trial, reps, None)["answer"]
    assert told.endswith('All movements are taken together: "push press" (3 attempts) and "jerk" (3).')


def test_a_cue_of_the_book_brings_its_measure_and_the_wanted_way(lift: Lift) -> None:
    """The cue against too deep a dip looks at the depth of stature and wants it lower."""
    reps = [rep(lift, i, 0.2) for i in (1, 2, 3)]
    stature = dataclasses.replace(lift.measures["dip_depth"], name="dip_depth_of_stature", unit="", value=0.12)
    for r in reps:
        r.lift = dataclasses.replace(r.lift, measures={**r.lift.measures, "dip_depth_of_stature": stature})
    trial = begin_trial("cue", BOOK["too_deep"].cue, None, reps, CARD, BOOK)
    assert (trial.measure, trial.wanted) == ("dip_depth_of_stature", "lower")


def test_reps_at_another_load_or_of_somebody_else_do_not_count(lift: Lift) -> None:
    """A trial is refused while fewer than three reps of this lifter at this load came before."""
    reps = [rep(lift, 1, 0.2), rep(lift, 2, 0.2, load_kg=90.0), rep(lift, 3, 0.2, athlete="Bea"), rep(lift, 4, 0.2)]
    with pytest.raises(InputError, match=r"there are 2 .* Do 1 more first"):
        begin_trial("drill", "Pause at the bottom", "dip_depth", reps, CARD, BOOK)
