"""Invented lifters for `forcekit live --device virtual`: what is played, who is on the plate, a history.

People and numbers are invented. The lifts are simulated and measured like any other; only the earlier days of the
history are drawn around one measured lift of each lifter.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from threading import Event
from typing import TYPE_CHECKING, Any

import numpy as np

from forcekit.model import AttemptCard, FloatArray, Recording, Stream
from forcekit.results import Measure
from forcekit.simulate.plan import LiftPlan

if TYPE_CHECKING:
    from forcekit.history.store import Store
    from forcekit.live.session import LiveSession

__all__ = ["LIFTERS", "InventedDay", "Lifter", "Turn", "fill_history", "follow", "invented_day"]

RATE_HZ = 1000.0
EARLIER_DAYS = 4
REPS_A_DAY = 4
SPREAD_FRAC = 0.04
"""How much the measures of the invented history differ from rep to rep, as a part of their size (our choice)."""
SPREAD_SHIFT_M = 0.006
"""The same for shifts of pressure (our choice)."""


@dataclass(frozen=True, slots=True)
class Lifter:
    """Somebody invented, with what goes wrong in each lift of a set."""

    name: str
    plan: LiftPlan
    faults: tuple[str | None, ...]
    """Fault of each lift of the set, None for a sound one."""


LIFTERS = (
    Lifter(
        "Ines Falkner",
        LiftPlan(body_mass_kg=71.2, stature_m=1.72, foot_length_m=0.258, bar_mass_kg=60.0, stance_s=1.6),
        (None, "back_then_forward", None),
    ),
    Lifter(
        "Oke Brandvold",
        LiftPlan(body_mass_kg=93.5, stature_m=1.84, foot_length_m=0.281, bar_mass_kg=95.0, stance_s=1.7),
        ("forward_in_dip", "slow_turnaround"),
    ),
    Lifter(
        "Mirela Sanz",
        LiftPlan(body_mass_kg=58.4, stature_m=1.61, foot_length_m=0.240, bar_mass_kg=50.0, stance_s=1.6),
        (None, "too_deep", None),
    ),
)


@dataclass(frozen=True, slots=True)
class Turn:
    """From when on somebody has the plate, in seconds from the day's start, and the card that is true then."""

    from_s: float
    card: AttemptCard


@dataclass(frozen=True, slots=True, eq=False)
class InventedDay:
    """What is played round after round, how long a round is, and whose turn is when."""

    recording: Recording
    round_s: float
    turns: tuple[Turn, ...]


def invented_day(*, bar: bool = True, lifters: Sequence[Lifter] = LIFTERS) -> InventedDay:
    """Invent a day: each lifter steps on, takes the bar out, lifts two or three times and steps off.

    Parameters
    ----------
    bar : bool
        Whether there is a sensor on the bar.
    lifters : sequence of Lifter
        Who comes, in this order; fewer are sooner ready.
    """
    plates, bars, turns = [], [], []
    from_s = 0.0
    for i, lifter in enumerate(lifters):
        plate, imu, card = _set(lifter, i + 1)
        turns.append(Turn(from_s, card))
        plates.append(plate)
        bars.append(imu)
        from_s += plate.t_s.size / RATE_HZ
    recording = Recording(_joined(plates), _joined(bars) if bar else None)
    return InventedDay(recording, from_s, tuple(turns))


def fill_history(store: Store) -> None:
    """Enter the invented lifters and their earlier days into an empty store."""
    from forcekit.analysis.pipeline import analyze
    from forcekit.history.attempts import add_attempt
    from forcekit.history.people import add_athlete, add_session
    from forcekit.simulate.lifter import simulate_lift

    rng = np.random.default_rng(2024)
    now = time.time()
    for i, lifter in enumerate(LIFTERS):
        plan = lifter.plan
        add_athlete(
            store, lifter.name, stature_m=plan.stature_m, foot_length_m=plan.foot_length_m,
            body_mass_kg=plan.body_mass_kg, note="invented",
        )  # fmt: skip
        plate, _ = _recorded(simulate_lift(plan, i + 1), i + 1)
        measured = analyze(Recording(plate, None, _card(lifter)))[0].measures
        for day in range(EARLIER_DAYS):
            at = now - (EARLIER_DAYS - day) * 3.0 * 86400.0
            session = add_session(store, at=at, note="invented")
            for rep in range(REPS_A_DAY):
                card = _ended(_card(lifter), "missed forward" if rep == day == 1 else "made")
                add_attempt(
                    store, lifter.name, _scattered(measured, rng), card=card, definitions="invented",
                    at=at + 180.0 * rep, session_id=session,
                )  # fmt: skip


def follow(session: LiveSession, day: InventedDay, stop: Event, *, pace_s: float = 0.2) -> None:
    """Fill in the card whenever the next lifter steps up, until told to stop; runs in a thread of its own."""
    told: tuple[int, int] | None = None
    while not stop.wait(pace_s):
        now_s = float(session.state()["now_s"])
        number = max(i for i, turn in enumerate(day.turns) if turn.from_s <= now_s % day.round_s)
        turn = (int(now_s // day.round_s), number)
        if turn != told:
            card = day.turns[number].card
            session.set_card(athlete=card.athlete, load_kg=card.load_kg, movement=card.movement)
            told = turn


# --------------------------------------------------------------------------------------------------- inside


def _card(lifter: Lifter) -> AttemptCard:
    plan = lifter.plan
    return AttemptCard(
        athlete=lifter.name,
        movement=plan.movement,
        load_kg=plan.bar_mass_kg,
        body_mass_kg=plan.body_mass_kg,
        stature_m=plan.stature_m,
        foot_length_m=plan.foot_length_m,
    )


def _ended(card: AttemptCard, outcome: str) -> AttemptCard:
    import msgspec

    return msgspec.structs.replace(card, outcome=outcome)


def _scattered(measures: Any, rng: np.random.Generator) -> list[Measure]:
    """Measures of an invented rep: those of a measured one, each moved by what a lifter differs from rep to rep."""
    moved = []
    for m in measures.values():
        if m.value is None or m.low is None or m.high is None:
            continue
        foot = 0.26 if m.name.endswith("_of_foot") else 1.0
        spread = SPREAD_SHIFT_M / foot if "shift" in m.name else SPREAD_FRAC * abs(m.value)
        by = spread * float(rng.standard_normal())
        moved.append(replace(m, value=m.value + by, low=m.low + by, high=m.high + by))
    return moved


def _set(lifter: Lifter, seed: int) -> tuple[Stream, Stream, AttemptCard]:
    """Plate and bar while one lifter is on the plate, and the card."""
    from forcekit.simulate.faults import faulty_plan
    from forcekit.simulate.session import Step, same_lifter, simulate_session

    body = lifter.plan
    script = [Step(name="empty", seconds=2.0), Step(name="step on"), Step(name="unrack"), Step(name="walk out")]
    for fault in lifter.faults:
        plan = body
        if fault is not None:
            plan = replace(same_lifter(faulty_plan(fault), body), bar_mass_kg=body.bar_mass_kg, stance_s=body.stance_s)
        script += [Step(name="lift", plan=plan), Step(name="regrip")]
    script += [Step(name="walk in"), Step(name="rerack"), Step(name="step off"), Step(name="empty", seconds=2.0)]
    plate, bar = _recorded(simulate_session(script, body, seed), seed)
    return plate, bar, _card(lifter)


def _recorded(motion: Any, seed: int) -> tuple[Stream, Stream]:
    from forcekit.simulate.bar_sensor import SimulatedBarSensor, record_bar
    from forcekit.simulate.sensors import PlateSensor, record_plate

    plate = record_plate(motion, PlateSensor(rate_hz=RATE_HZ, step_n=0.02, saturation_n=4000.0, noise_n=0.6), 1).plate
    imu = SimulatedBarSensor(
        accel_noise=0.002, gyro_noise=0.0001, counts_per_unit=1000.0, gravity_mps2=motion.gravity_mps2
    )
    assert plate is not None
    return plate, record_bar(motion, imu, seed)


def _joined(streams: list[Stream]) -> Stream:
    """One stream after the other, on one clock of equal steps."""
    raw: dict[str, FloatArray] = {name: np.concatenate([s.raw[name] for s in streams]) for name in streams[0].raw}
    n = len(next(iter(raw.values())))
    return replace(streams[0], t_s=np.arange(n) / RATE_HZ, raw=raw)
