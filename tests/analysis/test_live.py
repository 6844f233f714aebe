"""The running analysis gives what the analysis of the file gives, whatever the packets, and bears what goes wrong."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Iterator, Sequence
from functools import cache

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from forcekit.analysis.findings import load_cue_book
from forcekit.analysis.live import Changed, Due, Event, LiveAnalysis, Measured, Trouble, measured
from forcekit.analysis.pipeline import Settings, analyze, sliced
from forcekit.analysis.sensor_watch import SensorWatch
from forcekit.analysis.tail import Tail
from forcekit.analysis.windows import WHOLE_S
from forcekit.model import BarSensor, Channel, DeviceFile, FloatArray, OwnClock, Recording, Stream, TimeAxis
from forcekit.results import Lift
from forcekit.simulate.bar_sensor import SimulatedBarSensor, record_bar
from forcekit.simulate.plan import LiftPlan
from forcekit.simulate.sensors import PlateSensor, record_plate
from forcekit.simulate.session import Step, random_script, simulate_session

RATE_HZ = 200.0
BOOK = load_cue_book()
AS_DRAWN = (Phase.explicit, Phase.generate)
"""A failing case is shown as it was drawn; making it smaller would take minutes."""


@cache
def session() -> tuple[Recording, tuple[float, ...]]:
    """A messy session of three lifts with plate and bar on one clock, and when its lifts are lowest."""
    lifter = LiftPlan()
    script = random_script(np.random.default_rng(5), lifter, 3)
    motion = simulate_session(script, lifter, 5, rate_hz=1000.0)
    plate = record_plate(motion, PlateSensor(rate_hz=RATE_HZ, noise_n=0.6), 5).plate
    sensor = SimulatedBarSensor(rate_hz=RATE_HZ, accel_noise=0.002, gyro_noise=0.0001, gravity_mps2=motion.gravity_mps2)
    bar = record_bar(motion, sensor, 5)
    assert plate is not None
    recording = Recording(dataclasses.replace(plate, common_clock=True), dataclasses.replace(bar, common_clock=True))
    return recording, tuple(t.measures["lowest_at"] for t in motion.truths)


def columns(stream: Stream) -> FloatArray:
    """Raw numbers of a stream as a device sends them, shape (n, k)."""
    return np.column_stack([stream.raw[c.name] for c in stream.device.channels])


def pieces(n: int, sizes: Sequence[int]) -> Iterator[tuple[int, int]]:
    """First and last+1 sample of each packet; the sizes are used over and over."""
    a = i = 0
    while a < n:
        b = min(n, a + sizes[i % len(sizes)])
        yield a, b
        a, i = b, i + 1


def run(
    recording: Recording, sizes: Sequence[int] = (40,), bar_sizes: Sequence[int] = (40,), lag_s: float = 0.0
) -> tuple[LiveAnalysis, list[Event]]:
    """Play a recording into a running analysis, the bar behind the plate by `lag_s`."""
    plate, bar = recording.plate, recording.bar
    assert plate is not None
    live = LiveAnalysis(plate.device, None if bar is None else bar.device)
    raw = columns(plate)
    events: list[Event] = []
    parts = list(pieces(bar.t_s.size, bar_sizes)) if bar is not None else []
    bar_raw = columns(bar) if bar is not None else np.zeros((0, 1))
    for a, b in pieces(plate.t_s.size, sizes):
        events += live.push_plate(plate.t_s[a:b], raw[a:b])
        while bar is not None and parts and bar.t_s[parts[0][1] - 1] <= plate.t_s[b - 1] - lag_s:
            c, d = parts.pop(0)
            events += live.push_bar(bar.t_s[c:d], bar_raw[c:d])
    for c, d in parts:
        assert bar is not None
        events += live.push_bar(bar.t_s[c:d], bar_raw[c:d])
    return live, events + live.finish()


def dues(events: Sequence[Event], stage: str) -> list[Due]:
    """What is due of one stage."""
    return [e for e in events if isinstance(e, Due) and e.window.stage == stage]


def lifts(events: Sequence[Event], stage: str) -> list[Lift]:
    """Lifts of one stage, measured; the card is empty as in the recording."""
    made = [measured(d, d.recording.card, Settings(), BOOK) for d in dues(events, stage)]
    return [m.lift for m in made if isinstance(m, Measured)]


def seen(lift: Lift) -> tuple[object, ...]:
    """Everything of a lift that is a result."""
    return lift.measures, lift.quality, lift.findings, lift.instants


def same(a: Due, b: Due) -> bool:
    """Two windows hold the same samples, to the last bit."""
    pairs = [(a.recording.plate, b.recording.plate), (a.recording.bar, b.recording.bar)]
    for one, other in pairs:
        if (one is None) != (other is None):
            return False
        if one is not None and other is not None:
            if not np.array_equal(one.t_s, other.t_s):
                return False
            if any(not np.array_equal(one.raw[k], other.raw[k]) for k in one.raw):
                return False
    return a.window == b.window


@cache
def played() -> tuple[Event, ...]:
    """What the session says in packets of 40 samples."""
    return tuple(run(session()[0])[1])


@cache
def reference() -> tuple[Due, ...]:
    """Windows of the session in packets of 40 samples."""
    return tuple(d for d in played() if isinstance(d, Due))


@cache
def plate_alone() -> tuple[Lift, ...]:
    """Settled lifts of the session without its bar."""
    return tuple(lifts(run(Recording(session()[0].plate))[1], "settled"))


def test_live_is_the_analysis_of_the_file_to_the_last_digit() -> None:
    """Settled lifts with plate and bar are those of the whole file: measures, intervals, checks, findings, instants."""
    recording, truth = session()
    assert recording.plate is not None
    assert recording.plate.t_s[-1] > WHOLE_S
    offline = analyze(recording)
    live = [m.lift for d in reference() if d.window.stage == "settled"
            and isinstance(m := measured(d, recording.card, Settings(), BOOK), Measured)]  # fmt: skip
    assert len(live) == len(truth) == len(offline.lifts)
    for a, b in zip(live, offline.lifts, strict=True):
        assert seen(a) == seen(b)
        assert a.measures["bar_dip_depth"].ok
    assert np.abs(np.array(truth) - [x.instants.lowest_s for x in live]).max() < 0.02


@pytest.mark.parametrize("size", [37, 600])
def test_a_bar_with_its_own_clock_is_the_same_in_the_file(size: int) -> None:
    """The bar's clock is laid anew every 10 s and restarts once: the file, which keeps how, gives the same numbers."""
    recording, _ = session()
    plate, bar = recording.plate, recording.bar
    assert plate is not None
    assert bar is not None
    raw, bar_raw = columns(plate), columns(bar)
    restart = int(np.searchsorted(bar.t_s, 0.6 * plate.t_s[-1]))
    run_of = (np.arange(bar.t_s.size) >= restart).astype(np.int64)
    first_s = np.array([bar.t_s[0], bar.t_s[restart]])
    own_s = (bar.t_s - first_s[run_of]) / 1.00006
    live = LiveAnalysis(plate.device, bar.device)
    events: list[Event] = []
    c = laid = 0
    for a, b in pieces(plate.t_s.size, (size,)):
        events += live.push_plate(plate.t_s[a:b], raw[a:b])
        d = int(np.searchsorted(bar.t_s, plate.t_s[b - 1], "right"))
        for part in (slice(c, min(d, restart)), slice(max(c, restart), d)):
            if part.start >= part.stop:
                continue
            run_now = int(run_of[part.start])
            if part.start == restart:
                live.forget_bar()
            # Off by up to 0.4 ms, another way each time, as a fit to arrivals is.
            laid = int(plate.t_s[b - 1] // 10)
            live.set_bar_clock(first_s[run_now] + 1e-4 * (laid % 5), 1.00006 + 1e-6 * (laid % 3), run_now)
            events += live.push_bar(own_s[part], bar_raw[part])
        c = d
    due = [d for d in [*events, *live.finish()] if isinstance(d, Due) and d.window.stage == "settled"]
    then = tuple(d.bar_clock for d in due if d.bar_clock is not None)
    assert {c.run for c in then} == {0, 1}
    kept = dataclasses.replace(bar, own=OwnClock(own_s, run_of, then))
    offline = analyze(Recording(plate, kept)).lifts
    found = [m.lift for d in due if isinstance(m := measured(d, recording.card, Settings(), BOOK), Measured)]
    assert [seen(a) for a in found] == [seen(b) for b in offline]
    assert sum(x.measures["bar_dip_depth"].ok for x in found) >= 2


@settings(max_examples=8, deadline=None, derandomize=True, phases=AS_DRAWN)
@given(
    sizes=st.lists(st.integers(1, 600), min_size=1, max_size=5),
    bar_sizes=st.lists(st.integers(1, 200), min_size=1, max_size=5),
    lag_s=st.floats(0.0, 0.4),
)
def test_packets_and_a_late_bar_change_nothing(sizes: list[int], bar_sizes: list[int], lag_s: float) -> None:
    """Packets of any size and a bar that is late by less than its patience give the same windows, bit for bit."""
    if sum(sizes) / len(sizes) < 20:
        sizes = [s * 20 for s in sizes]
    if sum(bar_sizes) / len(bar_sizes) < 20:
        bar_sizes = [s * 20 for s in bar_sizes]
    _, events = run(session()[0], sizes, bar_sizes, lag_s)
    found = [e for e in events if isinstance(e, Due)]
    # A settled window may wait for the bar while a first look comes: the order of two lifts may differ, nothing else.
    key = lambda d: (d.window.number, d.window.stage)  # noqa: E731
    for a, b in zip(sorted(found, key=key), sorted(reference(), key=key), strict=True):
        assert same(a, b)


def test_packets_of_one_sample_change_nothing() -> None:
    """Sample by sample the windows are those of large packets."""
    recording, _ = session()
    assert recording.plate is not None
    part = Recording(sliced(recording.plate, 0, int(45 * RATE_HZ)))
    one, many = run(part, (1,))[1], run(part, (997,))[1]
    assert dues(one, "settled")
    pairs = zip(
        dues(one, "first look") + dues(one, "settled"), dues(many, "first look") + dues(many, "settled"), strict=True
    )
    for a, b in pairs:
        assert same(a, b)


def test_a_first_look_is_the_analysis_of_the_file_so_far() -> None:
    """A first look equals the analysis of the plate's recording cut at its last sample."""
    recording, _ = session()
    assert recording.plate is not None
    firsts = [d for d in reference() if d.window.stage == "first look"]
    assert len(firsts) == 3
    for d in firsts:
        so_far = analyze(Recording(sliced(recording.plate, 0, d.window.last)))
        made = measured(d, recording.card, Settings(), BOOK)
        assert isinstance(made, Measured)
        assert seen(made.lift) == seen(so_far.lifts[-1])


def test_a_first_look_comes_with_the_confirmed_take_off() -> None:
    """The samples end less than 70 ms after the drive: 20 ms without load, blocks of 20 ms, the fall from weight."""
    for d in reference():
        if d.window.stage == "first look" and d.window.why == "take-off":
            assert d.recording.plate is not None
            made = measured(d, d.recording.card, Settings(), BOOK)
            assert isinstance(made, Measured)
            assert float(d.recording.plate.t_s[-1]) - made.lift.instants.drive_end_s < 0.07


def test_a_session_that_is_one_window_is_measured_as_one() -> None:
    """A recording shorter than a window gives at its end what its file gives, all of it being one window."""
    recording, _ = session()
    assert recording.plate is not None
    assert recording.bar is not None
    n = int(60 * RATE_HZ)
    short = Recording(sliced(recording.plate, 0, n), sliced(recording.bar, 0, n))
    offline = analyze(short).lifts
    assert len(offline) > 0
    last = dues(run(short)[1], "settled")[-len(offline) :]
    for d, b in zip(last, offline, strict=True):
        made = measured(d, short.card, Settings(), BOOK)
        assert isinstance(made, Measured)
        assert seen(made.lift) == seen(b)


@settings(max_examples=4, deadline=None, derandomize=True, phases=AS_DRAWN)
@given(
    at=st.lists(st.tuples(st.floats(3.0, 90.0), st.floats(0.01, 4.0)), min_size=1, max_size=4),
    size=st.integers(30, 700),
)
def test_gaps_leave_live_and_file_alike(at: list[tuple[float, float]], size: int) -> None:
    """Whatever stretches are lost, live and file give the same lifts."""
    recording, _ = session()
    plate = recording.plate
    assert plate is not None
    there = np.ones(plate.t_s.size, dtype=bool)
    for start, length in at:
        there &= (plate.t_s < start) | (plate.t_s > start + length)
    raw = {k: v[there] for k, v in plate.raw.items()}
    part = Recording(dataclasses.replace(plate, t_s=plate.t_s[there], raw=raw))
    offline = analyze(part)
    found = lifts(run(part, (size,))[1], "settled")
    assert [seen(a) for a in found] == [seen(b) for b in offline.lifts]


def test_packets_in_the_wrong_order_are_left_out() -> None:
    """A packet that comes after a later one is left out, as the file leaves it out; the rest goes on."""
    plate = session()[0].plate
    assert plate is not None
    live = LiveAnalysis(plate.device)
    raw = columns(plate)
    order = list(pieces(plate.t_s.size, (50,)))
    order[20], order[21] = order[21], order[20]
    events: list[Event] = []
    for a, b in order:
        events += live.push_plate(plate.t_s[a:b], raw[a:b])
    events += live.finish()
    lost = np.ones(plate.t_s.size, dtype=bool)
    lost[20 * 50 : 21 * 50] = False
    kept = dataclasses.replace(plate, t_s=plate.t_s[lost], raw={k: v[lost] for k, v in plate.raw.items()})
    assert live.n_late == 50
    assert [seen(x) for x in lifts(events, "settled")] == [seen(x) for x in analyze(Recording(kept)).lifts]


@pytest.mark.parametrize("at_s", [0.3, 30.0, 60.0])
def test_a_bar_that_dies_is_named_and_the_plate_goes_on(at_s: float) -> None:
    """Lifts after the bar's end are all there with the numbers of the plate, and the trouble is said once."""
    recording, truth = session()
    assert recording.plate is not None
    assert recording.bar is not None
    dead = Recording(recording.plate, sliced(recording.bar, 0, int(at_s * RATE_HZ)))
    _, events = run(dead)
    found = lifts(events, "settled")
    troubles = [e for e in events if isinstance(e, Trouble)]
    assert [(t.sensor, t.words, t.over) for t in troubles] == [
        ("bar", "the sensor on the bar has stopped sending", False)
    ]
    assert abs(troubles[0].t_s - at_s - 1.0) < 0.5
    assert len(found) == len(truth)
    for a, b in zip(found, plate_alone(), strict=True):
        plate_only = {n: m for n, m in b.measures.items() if m.ok}
        assert {n: a.measures[n] for n in plate_only} == plate_only
    said = found[-1].measures["bar_dip_depth"].withheld or ""
    assert said.startswith("samples are missing there (the sensor on the bar was not recording during this lift,")
    assert [seen(x) for x in found] == [seen(x) for x in analyze(dead).lifts]


def test_a_dead_cell_is_named() -> None:
    """A load cell that stops changing while the others move is said by name, with a lifter on the plate."""
    plate = session()[0].plate
    assert plate is not None
    name = plate.device.channels[1].name
    raw = {k: v.copy() for k, v in plate.raw.items()}
    raw[name][int(20 * RATE_HZ) :] = raw[name][int(20 * RATE_HZ)]
    _, events = run(Recording(dataclasses.replace(plate, raw=raw)))
    assert f'channel "{name}" no longer changes' in [e.words for e in events if isinstance(e, Trouble)]
    assert not [e for e in run(Recording(plate))[1] if isinstance(e, Trouble)]


def test_what_the_plate_looks_like_is_told_in_order() -> None:
    """Empty, then a lifter, still, ready, a dip, and at the end the plate unloaded again."""
    events = played()
    words = [e.sight.state for e in events if isinstance(e, Changed)]
    assert words[0] == words[-1] == "empty"
    places = [words.index(w) for w in ("empty", "still", "ready", "dip")]
    assert places == sorted(places)
    assert all(a != b for a, b in itertools.pairwise(words))


def test_standing_still_again_is_no_dip() -> None:
    """A lifter who has stood still for a second is ready, also right after a movement that began like a dip."""
    steps = [Step(name="empty", seconds=2.0), Step(name="step on"), Step(name="unrack"), Step(name="walk out")]
    steps += [Step(name="lift", plan=LiftPlan()), Step(name="stand", seconds=4.0)]
    motion = simulate_session(steps, LiftPlan(), 2, rate_hz=500.0)
    plate = record_plate(motion, PlateSensor(rate_hz=250.0), 2).plate
    assert plate is not None
    _, events = run(Recording(plate), (5,))
    sights = [e.sight for e in events if isinstance(e, Changed)]
    end_s = motion.truths[0].measures["drive_end_at"]
    after = [s for s in sights if s.t_s > end_s]
    assert after[-1].state == "ready"
    assert after[-1].t_s < float(plate.t_s[-1]) - 1.0


def test_no_rep_is_missed_and_none_is_made_up() -> None:
    """In messy sessions with spotters, discs, false starts and chatting all lifts are found, and nothing else."""
    for seed in (11, 12):
        lifter = LiftPlan(bar_mass_kg=80.0)
        script = random_script(np.random.default_rng(seed), lifter, 10)
        motion = simulate_session(script, lifter, seed, rate_hz=500.0)
        plate = record_plate(motion, PlateSensor(rate_hz=250.0), seed).plate
        _, events = run(Recording(plate), (100,))
        truth = [t.measures["lowest_at"] for t in motion.truths]
        for stage in ("first look", "settled"):
            found = [d.window.lowest_s for d in dues(events, stage)]
            assert len(found) == len(truth)
            assert np.abs(np.array(found) - truth).max() < 0.7


def test_a_spotter_beside_the_lifter_makes_no_rep() -> None:
    """Somebody stepping on beside a standing lifter with the bar in the rack, and off again, is no lift."""
    plan = LiftPlan()
    steps = [Step(name="empty", seconds=2.0), Step(name="step on"), Step(name="stand", seconds=2.0)]
    steps += [Step(name="spotter", seconds=3.0), Step(name="stand", seconds=2.0)] * 6
    motion = simulate_session([*steps, Step(name="step off"), Step(name="empty", seconds=2.0)], plan, 3, rate_hz=500.0)
    _, events = run(Recording(record_plate(motion, PlateSensor(rate_hz=250.0), 3).plate))
    assert not [e for e in events if isinstance(e, Due)]


def test_a_tail_keeps_the_newest_rows_and_no_more() -> None:
    """Rows are asked for by their number since the start; the memory stays what it was."""
    tail = Tail(100, 2)
    for a in range(0, 5000, 7):
        tail.add(np.column_stack([np.arange(a, a + 7.0), -np.arange(a, a + 7.0)]))
    assert tail.end == 5005
    np.testing.assert_array_equal(tail.part(4990, 4993)[:, 0], [4990.0, 4991.0, 4992.0])
    assert tail.part(0, 10).size == 0
    assert 100 <= tail.end - tail.first <= 200


def test_memory_does_not_grow_with_the_session() -> None:
    """After ten rounds of the session the running analysis remembers no more rows than after three."""
    plate = session()[0].plate
    assert plate is not None
    raw, span = columns(plate), float(plate.t_s[-1]) + 1.0 / RATE_HZ
    live = LiveAnalysis(plate.device)
    sizes = []
    for turn in range(6):
        for a, b in pieces(plate.t_s.size, (800,)):
            live.push_plate(plate.t_s[a:b] + turn * span, raw[a:b])
        sizes.append(live.n_remembered)
    assert max(sizes[2:]) <= sizes[2] + 2 * 800
    assert max(sizes) <= 2 * (100.0 * RATE_HZ + 5000)


def test_a_stuck_channel_is_told_after_the_clock_restarted() -> None:
    """A sensor whose clock began anew is watched from its first second on, not from where it was before."""
    bar = DeviceFile(
        name="b",
        kind="bar",
        channels=tuple(Channel(name=n, unit="m/s2") for n in "abc"),
        bar=BarSensor(accel=("a", "b", "c")),
        time=TimeAxis(rate_hz=100.0),
    )
    watch = SensorWatch(bar)
    rng = np.random.default_rng(1)
    t_s = np.arange(0.0, 0.5, 0.01)
    assert [] == watch.add(3600.0 + t_s, rng.standard_normal((t_s.size, 3)))
    told = [words for i in range(10) for words, _ in watch.add(0.5 * i + t_s, np.ones((t_s.size, 3)))]

    assert ["all channels stand still"] == told
