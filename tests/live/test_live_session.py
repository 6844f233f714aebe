"""A session with real virtual devices: reps with their numbers, the history, the coach's entries, the file on disk."""

from __future__ import annotations

import dataclasses
import json
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from forcekit.acquire.recording_file import write_take
from forcekit.acquire.replay import replay
from forcekit.acquire.source import read
from forcekit.analysis import windows
from forcekit.analysis.beside import ONE_CLOCK
from forcekit.analysis.live import Due, LiveAnalysis
from forcekit.analysis.pipeline import Settings, analyze, sliced
from forcekit.analysis.windows import Window
from forcekit.errors import InputError
from forcekit.history.people import add_athlete
from forcekit.history.recordings import find_kept
from forcekit.history.store import Store, open_store
from forcekit.live.keeping import take_of_window
from forcekit.live.measuring import Measuring
from forcekit.live.session import LiveSession
from forcekit.model import AttemptCard, Recording
from forcekit.results import Measure
from forcekit.simulate.bar_sensor import SimulatedBarSensor, record_bar
from forcekit.simulate.plan import LiftPlan
from forcekit.simulate.sensors import PlateSensor, record_plate
from forcekit.simulate.session import Step, simulate_session

NAME = "Ada <b>Probe</b>"


@pytest.fixture(scope="module")
def day() -> Recording:
    """Two jerks of an invented lifter on a plate, with a sensor on the bar, 25 s."""
    plan = LiftPlan(body_mass_kg=71.2, stature_m=1.72, foot_length_m=0.258, bar_mass_kg=60.0, stance_s=1.6)
    steps = [Step(name="empty", seconds=2.0), Step(name="step on"), Step(name="unrack"), Step(name="walk out")]
    steps += [Step(name="lift", plan=plan), Step(name="stand", seconds=1.5), Step(name="lift", plan=plan)]
    steps += [Step(name="stand", seconds=2.0), Step(name="walk in"), Step(name="rerack"), Step(name="step off")]
    motion = simulate_session([*steps, Step(name="empty", seconds=3.0)], plan, 4, rate_hz=1000.0)
    sensor = PlateSensor(rate_hz=500.0, step_n=0.02, saturation_n=4000.0, noise_n=0.6)
    on_bar = SimulatedBarSensor(rate_hz=200.0, accel_noise=0.003, gyro_noise=0.0002, gravity_mps2=motion.gravity_mps2)
    return Recording(record_plate(motion, sensor, 4).plate, record_bar(motion, on_bar, 4))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """A history with one lifter whose name is not to be taken for markup."""
    with open_store(tmp_path / "store") as opened:
        add_athlete(opened, NAME, stature_m=1.72, foot_length_m=0.258, body_mass_kg=71.2)
        yield opened


def until(session: LiveSession, true_of: Callable[[dict[str, Any]], bool], seconds: float = 40.0) -> dict[str, Any]:
    """State of the session as soon as something is true of it."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        state = session.state()
        if true_of(state):
            return state
        time.sleep(0.02)
    raise AssertionError(f"it did not come: {session.state()['reps']}, {session.state()['messages']}")


def settled(n: int) -> Callable[[dict[str, Any]], bool]:
    """True once n reps are settled and kept."""
    return lambda state: sum(r["kept"].startswith("attempt") for r in state["reps"]) >= n


def test_two_reps_from_the_port_to_the_history(day: Recording, store: Store, tmp_path: Path) -> None:
    """Reps come with numbers, are kept with their window, marked, and equal the analysis of both files to the digit."""
    heard: list[str] = []
    with replay(day, speed=4.0) as planned:
        session = LiveSession(planned, folder=tmp_path, store=store)
        session.subscribe(heard.append)
        session.set_card(athlete=NAME, load_kg=60.0, movement="jerk")
        session.start()
        first = until(session, lambda s: bool(s["reps"]))["reps"][0]
        assert [n["measure"] for n in first["numbers"]] == ["dip_depth", "transition_time", "shift_total_of_foot"]
        assert first["athlete"] == NAME
        state = until(session, settled(2))
        session.mark(1, "made")
        session.mark(2, "missed forward")
        session.note(2, "bar ran away")
        assert [r["outcome"] for r in session.state()["reps"]] == ["made", "missed forward"]
        assert session.undo() == "the note on rep 2"
        assert session.undo() == "the mark of rep 2 (missed forward)"
        session.mark(2, "missed back")
        session.mark(1, "missed forward")
        json.dumps(session.state())
        detail = session.rep_detail(1)
        assert len(detail["t"]) == len(detail["force"]) == len(detail["along"])
        rows = session.trace(0)[1]
        assert float(np.nanmax(rows[:, 1])) > 1.5 * float(detail["weight"])
        live = [r.lift.measures for r in session._measuring.reps]
        path = session.close()
    assert set(heard) == {"state"}
    assert [r["stage"] for r in state["reps"]] == ["settled", "settled"]
    kept = [_kept_window(store, i) for i in (1, 2)]
    for i in (0, 1):
        assert _nearest(kept[i], live[i]["lowest_at"]) == live[i]
    assert path is not None
    recording = read(path)
    assert [lift.card.outcome for lift in analyze(recording).lifts] == ["missed forward", "missed back"]
    # The file's cards lack what the store knows of the lifter.
    whole = dataclasses.replace(recording, card=session._measuring.full_card(recording.card), cards=())
    # Each device has a clock of its own; a session this short is measured again as a whole at its end.
    for rep, lift in zip(session._measuring.reps, analyze(whole).lifts, strict=True):
        assert rep.lift.measures == lift.measures
        assert rep.lift.quality == lift.quality
        assert any(q.name == ONE_CLOCK for q in lift.quality)
    assert recording.bar is not None
    assert recording.bar.own is not None


def _kept_window(store: Store, attempt: int) -> Recording:
    """The window of an attempt, read back from the store, with the store's card as it was then."""
    import sqlalchemy as sa

    from forcekit.history import schema as t
    from forcekit.history.keep import filled_card
    from forcekit.history.store import reading

    with reading(store) as conn:
        r, link = t.recordings.c, t.attempt_recordings.c
        sha = conn.execute(
            sa.select(r.sha256).join(t.attempt_recordings, link.recording_id == r.id).where(link.attempt_id == attempt)
        ).scalar_one()
    path = find_kept(store, sha)
    assert path is not None
    recording = read(path)
    return dataclasses.replace(recording, card=filled_card(store, NAME, recording.card, time.time()), cards=())


def _nearest(recording: Recording, lowest: Measure) -> object:
    assert lowest.value is not None
    found = analyze(recording).lifts
    return min(found, key=lambda x: abs(x.instants.lowest_s - (lowest.value or 0.0))).measures


def test_a_lift_the_store_refused_is_kept_after_the_next(day: Recording, store: Store) -> None:
    """While the store cannot be written the lift waits; as soon as another one could be kept, so is the first."""
    plate = day.plate
    assert plate is not None
    made = LiveAnalysis(plate.device)
    raw = np.column_stack([plate.raw[c.name] for c in plate.device.channels])
    first, second = (e for e in made.push_plate(plate.t_s, raw) if isinstance(e, Due) and e.window.stage == "settled")
    measuring = Measuring("session", time.time, store, Settings(), threading.RLock(), lambda: None)
    measuring.start()
    away = store.recordings.rename(store.recordings.with_name("away"))
    measuring.measure(first, AttemptCard(athlete=NAME, load_kg=60.0))
    drained(measuring)
    away.rename(store.recordings)
    assert "not kept yet" in measuring.reps[0].kept
    measuring.measure(second, AttemptCard(athlete=NAME, load_kg=60.0))
    drained(measuring)
    assert [2, 1] == [r.attempt for r in measuring.reps]
    measuring.finish()


def test_the_outcome_of_a_withdrawn_rep_leaves_the_recording(day: Recording, tmp_path: Path) -> None:
    """A rep that is no lift on a closer look must not hand its outcome to the lift before it."""
    assert day.plate is not None
    with replay(day, speed=6.0) as planned:
        session = LiveSession(planned, folder=tmp_path)
        session.start()
        until(session, lambda s: bool(s["reps"]))
        session.mark(1, "missed back")
        window = Window(session._measuring.reps[0].window, "settled", 0, 600, (0.5, 0.9), 1.0, 1.1, "a test")
        session._measuring.measure(Due(window, Recording(sliced(day.plate, 0, 600))), AttemptCard())
        until(session, lambda s: not any(r["outcome"] for r in s["reps"]))
        path = session.close()
    assert path is not None
    assert read(path).cards == ()


def drained(measuring: Measuring) -> None:
    """Wait until everything is done that was asked for."""
    done = threading.Event()
    measuring._tasks.put(done.set)
    assert done.wait(60.0)


def test_what_cannot_be_is_refused_in_one_sentence(day: Recording, tmp_path: Path) -> None:
    """Wrong entries change nothing and say what is allowed."""
    with replay(day, speed=4.0) as planned:
        session = LiveSession(planned, folder=tmp_path)
        with pytest.raises(InputError, match="no rep 1"):
            session.mark(1, "made")
        with pytest.raises(InputError, match="athlete, movement, load_kg"):
            session.set_card(weight=3)
        with pytest.raises(InputError, match="load"):
            session.set_card(load_kg=-5.0)
        with pytest.raises(InputError, match="before"):
            session.start_trial("cue", "Push the floor away.")
        with pytest.raises(InputError, match="not of"):
            session.start_trial("song", "la la")
        with pytest.raises(InputError, match="says nothing"):
            session.zero()
        with pytest.raises(InputError, match="says nothing"):
            session.check(20.0)
        assert session.undo() is None
        assert session.state()["reps"] == []
        session.start()
        until(session, lambda s: s["ready"]["state"] == "empty" and s["devices"][0]["zeroed"] is not None)
        assert abs(session.zero()["offset_n"]) < 5.0
        session.close()


def test_the_recording_goes_on_when_the_analysis_stumbles(
    day: Recording, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A fault in the analysis is said, and every sample is in the file all the same."""
    with replay(day, speed=6.0) as planned:
        session = LiveSession(planned, folder=tmp_path)

        def broken(*_: object) -> None:
            raise RuntimeError("nonsense")

        monkeypatch.setattr(session._feed, "take", broken)
        session.start()
        until(session, lambda s: bool(s["messages"]))
        n = session._capture.states()[0].n_samples
        time.sleep(0.5)
        path = session.close()
    assert path is not None
    plate = read(path).plate
    assert plate is not None
    assert plate.t_s.size > n


def test_a_fault_at_one_lift_costs_neither_the_next_nor_the_end(
    day: Recording, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The search breaks at the first lift, one packet cannot be worked on: the second lift is measured and settled."""
    assert day.plate is not None
    first_s, second_s = (lift.instants.onset_s for lift in analyze(day).lifts)
    with replay(day, speed=6.0) as planned:
        session = LiveSession(planned, folder=tmp_path)
        search, take = windows.find_lifts, session._feed.take
        n_broken = 0

        def broken_search(*a: Any, **k: Any) -> Any:
            if session._feed.now_s < 0.5 * (first_s + second_s):
                raise RuntimeError("nonsense")
            return search(*a, **k)

        def broken_take(*a: Any) -> Any:
            nonlocal n_broken
            n_broken += 1
            if n_broken == 200:
                raise RuntimeError("a torn packet")
            return take(*a)

        monkeypatch.setattr(windows, "find_lifts", broken_search)
        monkeypatch.setattr(session._feed, "take", broken_take)
        session.start()
        until(session, lambda s: any(r["stage"] == "first look" for r in s["reps"]))
        session.close()
        state = session.state()
    assert [r["stage"] for r in state["reps"]] == ["settled"]
    assert abs(state["reps"][0]["at_s"] - second_s) < 1.0
    assert any("stumbled over a movement (nonsense); the recording goes on" in m for m in state["messages"])
    assert any("a torn packet" in m for m in state["messages"])


@pytest.mark.parametrize("suffix", [".parquet", ".npz"])
@pytest.mark.parametrize("n_bar", [0, 1, 60])
def test_a_window_without_the_bars_samples_is_kept_and_says_so(
    day: Recording, tmp_path: Path, suffix: str, n_bar: int
) -> None:
    """A sensor that fell silent leaves an empty stream: its window is written, read, and measured with that reason."""
    assert day.bar is not None
    window = Recording(day.plate, sliced(day.bar, 0, n_bar))
    path = write_take(take_of_window(window, AttemptCard(), 0.0), tmp_path / f"window{suffix}")
    for lift in analyze(read(path)).lifts:
        assert (lift.measures["bar_dip_depth"].withheld or "").startswith("samples are missing there (the sensor on")
        assert lift.measures["dip_depth"].ok
