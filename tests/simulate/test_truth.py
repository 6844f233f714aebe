"""The truth table of a lift, against closed forms and against force alone."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from forcekit.registry import MEASURES
from forcekit.simulate.faults import clean_plan, faulty_plan
from forcekit.simulate.lifter import LiftPlan, Motion, simulate_lift, stance_truth
from forcekit.simulate.motion import Chunk, LiftMarks, assemble
from forcekit.simulate.truth import lift_truth

# Closed-form dip (own derivation, methods 1.8): a = −A sin(πt/T1), then +B sin(π(t − T1)/T2).
A_MPS2, B_MPS2, T1_S, T2_S = 4.0, 12.0, 0.28, 0.30
ONSET_S = 1.5


def closed_form_motion(rate_hz: float = 5000.0) -> Motion:
    """Body and bar move as one through the closed-form dip; the pressure and the push follow simple formulas."""
    plan = LiftPlan(
        movement="push press", sway_m=0.0, breath_m=0.0, tremor_mps2=0.0, bar_whip_m=0.0, shoulders_per_body=1.0
    )
    t = np.arange(int(2.6 * rate_hz)) / rate_hz
    u = t - ONSET_S
    v1 = -2.0 * A_MPS2 * T1_S / math.pi
    s1 = -A_MPS2 * T1_S**2 / math.pi
    v2 = v1 + 2.0 * B_MPS2 * T2_S / math.pi
    w = u - T1_S
    first, second, after = (u >= 0) & (u < T1_S), (w >= 0) & (w <= T2_S), w > T2_S
    z = np.zeros((3, t.size))
    k1, k2 = math.pi / T1_S, math.pi / T2_S
    z[2, first] = -A_MPS2 * np.sin(k1 * u[first])
    z[1, first] = -A_MPS2 / k1 * (1.0 - np.cos(k1 * u[first]))
    z[0, first] = -A_MPS2 / k1 * (u[first] - np.sin(k1 * u[first]) / k1)
    z[2, second] = B_MPS2 * np.sin(k2 * w[second])
    z[1, second] = v1 + B_MPS2 / k2 * (1.0 - np.cos(k2 * w[second]))
    z[0, second] = s1 + v1 * w[second] + B_MPS2 / k2 * (w[second] - np.sin(k2 * w[second]) / k2)
    # Afterwards a braking half sine, so that the peak velocity is at the end of the drive.
    s2 = s1 + v1 * T2_S + B_MPS2 * T2_S / k2
    r, k3 = w[after] - T2_S, math.pi / 0.4
    z[2, after] = -5.0 * np.sin(k3 * r)
    z[1, after] = v2 - 5.0 / k3 * (1.0 - np.cos(k3 * r))
    z[0, after] = s2 + v2 * r - 5.0 / k3 * (r - np.sin(k3 * r) / k3)
    still, one, zero = np.zeros((3, t.size)), np.ones(t.size), np.zeros(t.size)
    chunk = Chunk(
        z_body=z + np.array([[1.0], [0.0], [0.0]]),
        z_bar=z + np.array([[1.4], [0.0], [0.0]]),
        x_body=still,
        x_bar=still,
        shaft=still,
        gap=zero,
        cop_x_m=0.10 + 0.05 * np.clip(u, 0.0, 1.0),
        left=0.52 * one,
        on_plate=one,
        support_n=zero,
        extra_n=zero,
        alive=zero,
        bar_kg=plan.bar_mass_kg,
        lift=LiftMarks(plan, 0.0, ONSET_S, ONSET_S + 0.393, ONSET_S + T1_S + T2_S, None),
    )
    motion = assemble([chunk], plan, np.random.default_rng(0), rate_hz=rate_hz)
    return dataclasses.replace(motion, truths=tuple(lift_truth(motion, m) for m in motion.marks))


CLOSED = closed_form_motion()


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("braking_start_at", ONSET_S + 0.28),
        ("lowest_at", ONSET_S + 0.3930064986),
        ("drive_end_at", ONSET_S + 0.58),
        ("unweighting_time", 0.28),
        ("braking_time", 0.1130064986),
        ("drive_time", 0.1869935014),
        ("peak_dip_velocity", 0.7130141450),
        ("peak_drive_velocity", 1.5788170355),
        ("dip_depth", 0.1522192451),
        ("bar_dip_depth", 0.1522192451),
        ("bar_peak_velocity", 1.5788170355),
        ("bar_lead", 0.0),
        ("left_share", 0.52),
    ],
)
def test_closed_form_dip(name: str, expected: float) -> None:
    """Instants within 0.02 ms and motion within 1 µm of the closed form (numbers of methods 1.8)."""
    tolerance = 2e-5 if name.endswith(("_at", "_time", "_lead")) else 1e-6
    assert CLOSED.truths[0].measures[name] == pytest.approx(expected, abs=tolerance)


def test_closed_form_forces() -> None:
    """Peak, least and bottom force are weight plus mass times A, B and the acceleration at the bottom."""
    m, g = CLOSED.plan.system_mass_kg, CLOSED.gravity_mps2
    truth = CLOSED.truths[0].measures
    assert truth["peak_force"] == pytest.approx(m * (g + 12.0), abs=1e-3)
    assert truth["lowest_force_of_weight"] == pytest.approx(1.0 - 4.0 / g, abs=1e-6)
    assert truth["force_at_lowest"] == pytest.approx(m * (g + 11.1107555499), abs=0.01)
    assert truth["braking_rfd"] == pytest.approx(m * 11.1107555499 / 0.1130064986, rel=1e-4)


def test_closed_form_impulses_and_power() -> None:
    """Impulses are mass times velocity; the drive's mean power is its gain of energy over its time."""
    m, g = CLOSED.plan.system_mass_kg, CLOSED.gravity_mps2
    truth = CLOSED.truths[0].measures
    rise = 0.1522192451 + 0.0300484533
    work = 0.5 * m * 1.5788170355**2 + m * g * rise
    assert truth["braking_impulse"] == pytest.approx(m * 0.7130141450, rel=1e-6)
    assert truth["drive_impulse"] == pytest.approx(m * 1.5788170355, rel=1e-6)
    assert truth["mean_drive_power"] == pytest.approx(work / 0.1869935014, rel=1e-5)


def test_closed_form_turnaround() -> None:
    """The band of ±0.10 m/s around the bottom is left where the closed-form velocity says."""
    v1, k2 = -2.0 * A_MPS2 * T1_S / math.pi, math.pi / T2_S

    def when(v: float) -> float:
        return math.acos(1.0 - (v - v1) * k2 / B_MPS2) / k2

    assert CLOSED.truths[0].measures["transition_time"] == pytest.approx(when(0.1) - when(-0.1), abs=1e-7)


def test_closed_form_pressure() -> None:
    """With pressure rising 5 cm/s from the onset, lowest and drive values follow from the instants alone."""
    truth = CLOSED.truths[0].measures
    assert truth["stance_pressure"] == pytest.approx(0.10, abs=1e-12)
    assert truth["pressure_at_lowest"] == pytest.approx(0.10 + 0.05 * 0.3930064986, abs=1e-6)
    # Force-weighted mean until v = 0.8 v_end, by the closed form on a much finer grid.
    v1, k2 = -2.0 * A_MPS2 * T1_S / math.pi, math.pi / T2_S
    w0, w1 = (math.acos(1.0 - (v - v1) * k2 / B_MPS2) / k2 for v in (0.0, 0.8 * 1.5788170355))
    w = np.linspace(w0, w1, 200001)
    weight = CLOSED.gravity_mps2 + B_MPS2 * np.sin(k2 * w)
    mean = np.trapezoid(weight * (0.10 + 0.05 * (w + T1_S)), w) / np.trapezoid(weight, w)
    assert truth["pressure_in_drive"] == pytest.approx(float(mean), abs=1e-6)


@pytest.mark.parametrize("pattern", ["forward_in_dip", "bar_floats", "slow_turnaround", "double_dip", "falls_short"])
def test_impulses_from_force_agree_with_velocities_from_motion(pattern: str) -> None:
    """Braking impulse is mass times peak dip velocity; drive impulse is mass times take-off velocity."""
    truth = simulate_lift(faulty_plan(pattern), 1).truths[0].measures
    assert truth["braking_impulse"] == pytest.approx(truth["system_mass"] * truth["peak_dip_velocity"], abs=0.01)
    assert truth["drive_impulse"] == pytest.approx(truth["system_mass"] * truth["takeoff_velocity"], abs=0.01)


def test_forward_impulse_is_forward_momentum() -> None:
    """Forward impulses of dip and drive add up to mass times the forward velocity at take-off, sway aside."""
    truth = simulate_lift(clean_plan(forward_velocity_mps=0.12, sway_m=0.0), 1).truths[0].measures
    total = truth["forward_impulse_dip"] + truth["forward_impulse_drive"]
    assert total == pytest.approx(truth["system_mass"] * truth["forward_velocity_at_takeoff"], abs=1e-3)
    assert truth["forward_velocity_at_takeoff"] == pytest.approx(0.12, abs=1e-9)


def test_truth_does_not_hang_on_the_grid() -> None:
    """Four times as fine a grid moves instants by less than 0.02 ms and depths by less than 0.01 mm."""
    coarse, fine = (simulate_lift(clean_plan(sway_m=0.0, breath_m=0.0, tremor_mps2=0.0, bar_whip_m=0.0), 1,
                                  rate_hz=rate).truths[0].measures for rate in (5000.0, 20000.0))  # fmt: skip
    for name, value in coarse.items():
        size = {"s": 2e-5, "m": 1e-5, "m/s": 1e-5, "N/s": 5.0}.get(MEASURES[name].unit, 2e-4 * max(abs(value), 1e-3))
        assert fine[name] == pytest.approx(value, abs=size), name


@pytest.mark.parametrize("movement", ["jerk", "push press"])
def test_every_truth_is_a_registered_measure(movement: str) -> None:
    """The truth table speaks the registry's names, and all measures that apply are there."""
    plan = clean_plan(movement=movement)
    names = set(simulate_lift(plan, 1).truths[0].measures)
    only_in_flight = {"takeoff_at", "takeoff_velocity", "forward_velocity_at_takeoff", "bar_velocity_at_takeoff"}
    assert names == set(MEASURES) - (set() if plan.feet_leave else only_in_flight)


def test_stance_truth_follows_the_window() -> None:
    """For the last second before the onset it is the table's own; for another window the stance mean moves."""
    motion = simulate_lift(clean_plan(stance_s=4.0), 3)
    onset = motion.marks[0].onset_s
    own, other = stance_truth(motion, onset - 1.0, onset), stance_truth(motion, 0.5, 1.5)
    assert {name: motion.truths[0].measures[name] for name in own} == own
    window = (motion.t_s >= 0.5) & (motion.t_s < 1.5)
    assert other["stance_pressure"] == pytest.approx(float(np.mean(motion.cop_x_m[window])), abs=1e-12)
    assert other["shift_in_drive"] == own["shift_in_drive"]
    assert other["shift_total"] + other["stance_pressure"] == pytest.approx(
        own["shift_total"] + own["stance_pressure"], abs=1e-12
    )
