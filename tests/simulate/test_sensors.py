"""Simulated plates: exact when nothing is wrong, and wrong by exactly what is declared otherwise."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from forcekit.constants import UNITS
from forcekit.model import FloatArray, Plate, Recording
from forcekit.simulate.faults import faulty_plan
from forcekit.simulate.lifter import LiftPlan, simulate_lift
from forcekit.simulate.sensors import PlateSensor, record_plate

MOTION = simulate_lift(LiftPlan(forward_velocity_mps=0.3, side_shift_m=0.03), 1)
PERFECT = {
    "noise_n": 0.0, "noise_nm": 0.0, "noise_pressure_m": 0.0, "zero_u_n": 0.0, "drift_u_nps": 0.0, "gain_u": 0.0,
    "position_u_m": 0.0, "heel_line_u_m": 0.0, "anti_alias": False,
}  # fmt: skip


def in_si(recording: Recording) -> dict[str, FloatArray]:
    """Channels in SI by the device file's formula, worked out here."""
    assert recording.plate is not None
    out = {}
    for channel in recording.plate.device.channels:
        raw = recording.plate.raw[channel.name]
        out[channel.name] = channel.sign * channel.scale * (raw - channel.offset) * UNITS[channel.unit][1]
    return out


def resolve(recording: Recording) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Force up and forward and its moments (force times pressure) along and across, in the lifter's axes."""
    assert recording.plate is not None
    si = in_si(recording)
    n = recording.plate.t_s.size
    up, forward, along, across = (np.zeros(n) for _ in range(4))
    for plate in recording.plate.device.plates:
        f, m_x, m_y, fx = _one(plate, si, n)
        up, forward = up + f, forward + fx
        along, across = along + m_x + f * plate.centre_m[0], across + m_y + f * plate.centre_m[1]
    return up, forward, along, across


def _one(plate: Plate, si: dict[str, FloatArray], n: int) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    if plate.kind == "cells":
        cells = [(si[c.channel], c.x_m or 0.0, c.y_m or 0.0) for c in plate.cells]
        return (
            sum(f for f, _, _ in cells),
            sum(f * x for f, x, _ in cells),
            sum(f * y for f, _, y in cells),
            np.zeros(n),
        )  # type: ignore[return-value]
    c, s = np.cos(np.deg2rad(plate.turn_deg)), np.sin(np.deg2rad(plate.turn_deg))
    back = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    flip = np.array([[1.0], [-1.0], [-1.0]]) if plate.z_axis == "down" else np.ones((3, 1))
    if plate.kind == "pressure":
        f = si[str(plate.force_z)]
        place = back @ (flip * np.stack([si[str(plate.pressure_x)], si[str(plate.pressure_y)], np.zeros(n)]))
        return f, f * place[0], f * place[1], np.zeros(n)
    sign = -1.0 if plate.acts_on == "plate" else 1.0
    force = sign * np.stack([si[str(k)] for k in (plate.force_x, plate.force_y, plate.force_z)])
    moment = sign * np.stack([si[str(k)] for k in (plate.moment_x, plate.moment_y, plate.moment_z)])
    o = np.array(plate.surface_from_origin_m)[:, None]
    # M about the surface's middle = M − o × F; force times pressure = (−M_y, M_x), z cancels its own turn-over.
    about = moment - np.cross(np.broadcast_to(o, force.shape), force, axis=0)
    place = back @ (flip * np.stack([-about[1], about[0], np.zeros(n)]) * flip[2])
    level = back @ (flip * force)
    return level[2], place[0], place[1], level[0]


COMBINATIONS = [
    *[("cells", two, "up", "lifter", 0.0) for two in (False, True)],
    *[
        ("components", *rest)
        for rest in itertools.product((False, True), ("up", "down"), ("lifter", "plate"), (0.0, 30.0))
    ],
    *[("pressure", *rest) for rest in itertools.product((False, True), ("up",), ("lifter",), (0.0, 90.0))],
]


@pytest.mark.parametrize(("kind", "two", "axis", "on", "turn"), COMBINATIONS)
def test_a_perfect_plate_tells_the_truth(kind: str, two: bool, axis: str, on: str, turn: float) -> None:
    """Force and pressure of a plate with nothing wrong come back by the plate mathematics, written out here."""
    sensor = PlateSensor(kind=kind, two_plates=two, z_axis=axis, acts_on=on, turn_deg=turn, **PERFECT)  # type: ignore[arg-type]
    recording = record_plate(MOTION, sensor, 1)
    assert recording.plate is not None
    up, forward, along, across = resolve(recording)
    t = recording.plate.t_s
    loaded = up > 50.0
    assert np.max(np.abs(up - np.interp(t, MOTION.t_s, MOTION.force_up_n))) < 1e-9
    expected_x = np.interp(t, MOTION.t_s, MOTION.cop_x_m) + sensor.heel_line_m
    expected_y = np.interp(t, MOTION.t_s, MOTION.cop_y_m)
    assert np.max(np.abs(along / np.where(loaded, up, 1.0) - expected_x)[loaded]) < 1e-9
    # Two plates tell the place across from the two forces and half widths: sums and products of interpolated values.
    assert np.max(np.abs(across / np.where(loaded, up, 1.0) - expected_y)[loaded]) < 1e-5
    if kind == "components":
        assert np.max(np.abs(forward - np.interp(t, MOTION.t_s, MOTION.force_forward_n))) < 1e-9


def test_vertical_plates_under_each_foot_tell_the_share() -> None:
    """Left over both is the true left share."""
    si = in_si(record_plate(MOTION, PlateSensor(kind="vertical", two_plates=True, **PERFECT), 1))  # type: ignore[arg-type]
    both = si["left_force"] + si["right_force"]
    loaded = both > 50.0
    t = np.arange(both.size) / 1000.0
    share = np.interp(t, MOTION.t_s, MOTION.left_share)
    assert np.max(np.abs(si["left_force"][loaded] / both[loaded] - share[loaded])) < 1e-5


@pytest.mark.parametrize("unit", ["N", "kN", "kgf", "lbf"])
@pytest.mark.parametrize("step", [None, 0.5])
def test_units_counts_and_sign_are_told_by_the_device_file(unit: str, step: float | None) -> None:
    """Whatever unit, sign and counting the file has, the device file's formula gives newtons, within half a count."""
    sensor = PlateSensor(
        kind="vertical", unit=unit, sign=-1, step_n=step, count_offset=0.0 if step is None else 120.0, **PERFECT  # type: ignore[arg-type]
    )  # fmt: skip
    recording = record_plate(MOTION, sensor, 1)
    truth = MOTION.force_up_n[::5]
    assert recording.plate is not None
    raw = recording.plate.raw["force"]
    assert np.max(np.abs(in_si(recording)["force"] - truth)) <= (step or 1e-9) / 2.0 + 1e-9
    assert (step is None) or bool(np.all(raw == np.round(raw)))
    assert raw[0] < 0.0


def test_errors_are_drawn_with_the_declared_uncertainty() -> None:
    """Over 400 plates, gain, zero, drift and heel line scatter as the device file says.

    The standard deviation of 400 normal draws is known to 1/sqrt(2·399) = 3.5 %; the limits are 4 of these.
    """
    motion = simulate_lift(LiftPlan(stance_s=1.5), 1, rate_hz=500.0)
    sensor = PlateSensor(
        kind="pressure", rate_hz=50.0, noise_n=0.0, noise_pressure_m=0.0, anti_alias=False, position_u_m=0.0
    )
    truth = motion.force_up_n[::10]
    t = np.arange(truth.size) / 50.0
    design = np.stack([truth, np.ones(t.size), t], axis=1)
    found, heels = [], []
    for seed in range(400):
        recording = record_plate(motion, sensor, seed)
        assert recording.plate is not None
        si = in_si(recording)
        found.append(np.linalg.lstsq(design, si["force"], rcond=None)[0])
        heels.append(si["pressure_x"][0] - motion.cop_x_m[0] - sensor.heel_line_m)
    gain, zero, drift = np.std(np.array(found), axis=0)
    for value, declared in (
        (gain, sensor.gain_u),
        (zero, sensor.zero_u_n),
        (drift, sensor.drift_u_nps),
        (float(np.std(heels)), sensor.heel_line_u_m),
    ):
        assert value == pytest.approx(declared, rel=0.14)


def test_four_cells_together_have_the_declared_zero() -> None:
    """The zero of the sum of four cells scatters with the plate's `zero_u_n`, not with twice or half of it."""
    motion = simulate_lift(LiftPlan(stance_s=0.5), 1, rate_hz=500.0)
    sensor = PlateSensor(rate_hz=50.0, noise_n=0.0, drift_u_nps=0.0, gain_u=0.0, position_u_m=0.0, anti_alias=False)
    truth = motion.force_up_n[::10]
    zeros = [float(np.mean(sum(in_si(record_plate(motion, sensor, s)).values()) - truth)) for s in range(400)]
    assert float(np.std(zeros)) == pytest.approx(sensor.zero_u_n, rel=0.14)


def test_the_same_plate_keeps_its_gains() -> None:
    """With a plate seed, gains stay while noise and zero change from recording to recording."""
    quiet = PlateSensor(kind="vertical", noise_n=0.0, zero_u_n=0.0, drift_u_nps=0.0)
    one, other = (in_si(record_plate(MOTION, quiet, s, plate_seed=5))["force"] for s in (1, 2))
    third = in_si(record_plate(MOTION, quiet, 1, plate_seed=6))["force"]
    assert np.array_equal(one, other)
    assert not np.array_equal(one, third)


def test_noise_has_the_stated_size() -> None:
    """Against the same plate without noise, a channel scatters by `noise_n`."""
    loud, quiet = (
        in_si(
            record_plate(MOTION, PlateSensor(kind="vertical", noise_n=n, zero_u_n=0.0, gain_u=0.0, drift_u_nps=0.0), 3)
        )
        for n in (1.5, 0.0)
    )
    # 6700 samples: the standard deviation is known to 0.9 %; the limit is 4 of these.
    assert float(np.std(loud["force"] - quiet["force"])) == pytest.approx(1.5, rel=0.036)


def test_saturation_stops_the_numbers_and_is_declared() -> None:
    """No number passes the limits in the device file, and the peaks reach them."""
    recording = record_plate(MOTION, PlateSensor(kind="vertical", saturation_n=2500.0), 1)
    assert recording.plate is not None
    channel = recording.plate.device.channels[0]
    assert float(recording.plate.raw["force"].max()) == channel.highest == 2500.0


def test_lost_samples_and_gaps_leave_holes_in_the_stamps() -> None:
    """Every lost sample is a longer step between stamps; a gap is one long step."""
    recording = record_plate(MOTION, PlateSensor(drop_probability=0.01, gap=(1.0, 1.2)), 2)
    assert recording.plate is not None
    steps = np.diff(recording.plate.t_s)
    assert float(steps.min()) > 0.0009
    assert float(steps.max()) >= 0.2
    assert 30 < int(np.sum(steps > 0.0015)) < 110


def test_coarse_stamps_lie_on_their_grid() -> None:
    """Stamps of 2 ms at 400 Hz are multiples of 2 ms and still increase."""
    recording = record_plate(MOTION, PlateSensor(rate_hz=400.0, stamp_step_s=0.002), 2)
    assert recording.plate is not None
    ticks = recording.plate.t_s / 0.002
    assert np.max(np.abs(ticks - np.round(ticks))) < 1e-9
    assert float(np.min(np.diff(recording.plate.t_s))) > 0.0


def test_stamps_coarser_than_the_rate_are_refused() -> None:
    """Two samples must not share a stamp."""
    with pytest.raises(ValueError, match="must not exceed one sample period"):
        PlateSensor(rate_hz=1000.0, stamp_step_s=0.002)


def test_small_forces_can_be_shown_as_nothing() -> None:
    """Some plates show zero below a limit."""
    si = in_si(record_plate(MOTION, PlateSensor(kind="vertical", clip_to_zero_below_n=30.0), 2))
    takeoff = MOTION.marks[0].takeoff_s
    assert takeoff is not None
    flight = slice(int((takeoff + 0.01) * 1000), int((takeoff + 0.15) * 1000))
    assert np.array_equal(si["force"][flight], np.zeros(si["force"][flight].size))


def test_averaging_keeps_the_impulse() -> None:
    """Means over the sample period keep the integral of the force: 100 Hz agrees with the fine grid."""
    motion = simulate_lift(faulty_plan("slow_turnaround"), 1)
    sensor = PlateSensor(kind="vertical", **(PERFECT | {"anti_alias": True, "rate_hz": 100.0}))  # type: ignore[arg-type]
    force = in_si(record_plate(motion, sensor, 1))["force"]
    t = np.arange(force.size) / 100.0
    ends = np.minimum(t + 0.005, motion.t_s[-1])
    widths = ends - np.maximum(t - 0.005, 0.0)
    covered = motion.t_s <= ends[-1] + 1e-9
    fine = float(np.trapezoid(motion.force_up_n[covered], motion.t_s[covered]))
    # The last period may end between two samples of the fine grid: 0.2 ms of 2 kN is 0.4 N s.
    assert float(force @ widths) == pytest.approx(fine, abs=0.4)


def test_recording_is_repeatable() -> None:
    """The same seed gives the same numbers."""
    one, again, other = (record_plate(MOTION, PlateSensor(), s).plate for s in (4, 4, 5))
    assert one is not None
    assert again is not None
    assert other is not None
    assert all(np.array_equal(one.raw[k], again.raw[k]) for k in one.raw)
    assert not np.array_equal(one.raw["cell_1"], other.raw["cell_1"])
