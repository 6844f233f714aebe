"""Instants of one lift: what defines each of them, in noise and in the cases that mislead."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from helpers import HalfSines, only_lift, simulated, vertical_recording

from forcekit.analysis.pipeline import analyze
from forcekit.results import Lift
from forcekit.simulate.faults import clean_plan, faulty_plan, random_plan
from forcekit.simulate.sensors import PlateSensor

DIP = HalfSines()


def with_force(change: np.ndarray) -> Lift:
    """The closed-form lift at 1000 Hz with something added to its force and 1 N of noise."""
    stream = DIP.recording(1000.0, noise_n=1.0).plate
    assert stream is not None
    return only_lift(vertical_recording(stream.t_s, stream.raw["fz"] + change))


def bump(at_s: float, size_n: float, width_s: float) -> np.ndarray:
    """Half sine of force on the samples of the closed-form lift."""
    stream = DIP.recording(1000.0).plate
    assert stream is not None
    x = (stream.t_s - at_s) / width_s
    return np.where((x > 0.0) & (x < 1.0), size_n * np.sin(np.pi * np.clip(x, 0.0, 1.0)), 0.0)


@pytest.mark.parametrize("seed", range(4))
def test_instants_come_in_order_and_times_are_their_differences(seed: int) -> None:
    """Onset, braking start, lowest point, end of the drive; every duration is the difference of its two instants."""
    _, recording = simulated(random_plan(np.random.default_rng([seed, 9])), seed)
    lift = only_lift(recording)
    at = lift.instants
    assert at.stance_end_s <= at.onset_s < at.braking_start_s < at.lowest_s < at.drive_end_s
    durations = {
        "unweighting_time": at.braking_start_s - at.onset_s,
        "braking_time": at.lowest_s - at.braking_start_s,
        "dip_time": at.lowest_s - at.onset_s,
        "drive_time": at.drive_end_s - at.lowest_s,
    }
    for name, expected in durations.items():
        assert lift[name].value == pytest.approx(expected, abs=1e-12)


def test_a_breath_before_the_dip_is_not_its_onset() -> None:
    """A push of 40 N for 0.2 s that ends a second before the dip does not move the onset.

    The half sine of the dip leaves the band of 5 N after 1 ms; 12 ms leave room for the noise of the rule (its own span
    is 5 to 6 ms to either side).
    """
    stream = DIP.recording(1000.0, stance_s=3.0, noise_n=1.0).plate
    assert stream is not None
    x = (stream.t_s - 1.6) / 0.2
    breath = np.where((x > 0.0) & (x < 1.0), 40.0 * np.sin(np.pi * np.clip(x, 0.0, 1.0)), 0.0)
    lift = only_lift(vertical_recording(stream.t_s, stream.raw["fz"] + breath))
    assert lift["onset_at"].value == pytest.approx(3.0, abs=0.012)


def test_a_breath_too_near_the_dip_is_not_passed_over_in_silence() -> None:
    """With only 0.5 s of stillness between breath and dip the lift is counted, or the reason names the stance."""
    stream = DIP.recording(1000.0, noise_n=1.0).plate
    assert stream is not None
    found = analyze(vertical_recording(stream.t_s, stream.raw["fz"] + bump(1.3, 40.0, 0.2)))
    told = " ".join([found.reason or "", *(p.why for p in found.passed_over)])
    assert len(found) == 1 or "0.8 s" in told, told


def test_a_small_rise_just_before_the_dip_belongs_to_it() -> None:
    """A lifter who rises a little before dipping begins the movement with the rise (the band has two sides)."""
    lift = with_force(bump(1.9, 60.0, 0.1))
    assert lift["onset_at"].value == pytest.approx(1.9, abs=0.012)
    # The rise gives 60·2/pi·0.1 N s, 32 mm/s over 120 kg; at 11 m/s² the lowest point comes 2.9 ms earlier.
    assert lift["lowest_at"].value == pytest.approx(2.0 + DIP.T1 + DIP.turn - 0.0318 / 11.0, abs=3e-4)


def test_the_onset_is_moved_back_at_most_30_ms() -> None:
    """With a very slow start the rule (Owen et al. 2014) gives at most 30 ms before the threshold of 5 SD."""
    t = np.arange(4000) / 1000.0
    force = 1500.0 - np.clip(t - 2.0, 0.0, None) ** 3 * 2.0e4
    i = int(np.searchsorted(t, 2.35))
    force[i:] = 1500.0 + np.interp(t[i:], [2.35, 2.5, 2.8, 2.9, 3.1], [force[i] - 1500.0, 1300.0, 1300.0, -200.0, 0.0])
    noisy = force + np.random.default_rng(4).standard_normal(t.size)
    lift = only_lift(vertical_recording(t, noisy))
    leaves = 2.0 + (5.0 / 2.0e4) ** (1.0 / 3.0)
    assert leaves - 0.030 - 0.006 <= (lift["onset_at"].value or 0.0) <= leaves + 0.006


def test_transition_time_is_the_time_within_a_tenth_of_a_metre_per_second() -> None:
    """By the closed form: the times at which the speed passes -0.1 and +0.1 m/s around the lowest point."""
    tau = np.linspace(0.0, DIP.T2, 200_001)
    speed = DIP.slowest + DIP.B * DIP.T2 / np.pi * (1.0 - np.cos(np.pi * tau / DIP.T2))
    expected = float(np.interp(0.1, speed, tau) - np.interp(-0.1, speed, tau))
    # Speeds are known to what the trapezoid rule loses (1.4e-5 m/s) over 11 m/s², for each side.
    lift = only_lift(DIP.recording(1000.0))
    assert lift["transition_time"].value == pytest.approx(expected, abs=5e-6)


@pytest.mark.parametrize("pause_s", [0.1, 0.25])
def test_a_pause_lengthens_the_transition_by_itself(pause_s: float) -> None:
    """Sitting at the bottom adds its length to the turnaround, within its interval."""
    plan = dataclasses.replace(clean_plan(), pause_s=pause_s)
    motion, recording = simulated(plan, 2)
    m, true = only_lift(recording)["transition_time"], motion.truths[0].measures["transition_time"]
    assert true > pause_s
    assert (m.low or 1.0) <= true <= (m.high or 0.0)


def test_of_a_double_dip_the_second_is_the_lift() -> None:
    """The drive comes after the second dip: lowest point of the second, onset of the first, and it is said."""
    motion, recording = simulated(faulty_plan("double_dip"), 1)
    lift = only_lift(recording)
    truth = motion.truths[0].measures
    assert lift["lowest_at"].value == pytest.approx(truth["lowest_at"], abs=0.005)
    assert lift["onset_at"].value == pytest.approx(truth["onset_at"], abs=0.05)
    assert "double_dip" in [f.pattern for f in lift.findings]


def test_take_off_is_where_the_feet_leave() -> None:
    """At 1000 Hz take-off of simulated jerks comes out within 0.3 ms and inside its interval."""
    for seed in range(3):
        motion, recording = simulated(random_plan(np.random.default_rng([seed, 10]), movement="jerk"), seed)
        m, true = only_lift(recording)["takeoff_at"], motion.truths[0].measures["takeoff_at"]
        assert m.value == pytest.approx(true, abs=3e-4)


def test_a_foot_that_drags_is_no_take_off() -> None:
    """A force that falls to 250 N and comes back means the feet did not leave; the drive ends at its peak speed."""
    _, recording = simulated(clean_plan(), 1, PlateSensor(kind="vertical"))
    assert recording.plate is not None
    t = recording.plate.t_s
    dragging = np.maximum(recording.plate.raw["force"], 250.0 + 20.0 * np.sin(2.0 * np.pi * 9.0 * t))
    lift = only_lift(vertical_recording(t, dragging))
    assert lift.instants.takeoff_s is None
    assert lift["takeoff_velocity"].withheld == "the feet did not leave the plate"
    assert lift["drive_end_at"].value is not None


def test_drive_of_feet_that_stay_ends_at_the_peak_speed() -> None:
    """Without take-off the end of the drive and the peak upward speed are one instant."""
    lift = only_lift(simulated(clean_plan(movement="push press"), 1)[1])
    c = lift.curves
    i = int(np.argmax(c.velocity_mps))
    assert lift.instants.drive_end_s == pytest.approx(float(c.t_s[i]), abs=0.002)
