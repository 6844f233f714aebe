"""The linear propagation of a lift's errors against drawing them: the whole pipeline on perturbed recordings.

In the manner of JCGM 101:2008 (Monte Carlo propagation of distributions): each source that the device file states is
drawn from a normal distribution of its standard uncertainty, the recording is changed accordingly, and everything is
analysed again. What the person does (sway, breathing) is the same in every draw, so that the scatter of a measure must
equal the parts of its uncertainty that come from the plate alone.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from functools import cache

import msgspec
import numpy as np
import pytest

from forcekit.analysis.errors import LOCAL_SLOTS, LiftCurves
from forcekit.analysis.one_lift import _measure_curves
from forcekit.analysis.phases import Phases
from forcekit.analysis.segment import find_lifts, takeoff_threshold
from forcekit.mechanics.plate import read_plate
from forcekit.mechanics.plate_matrix import FZ
from forcekit.mechanics.uncertain import Uncertain
from forcekit.model import DeviceFile, FloatArray, Recording
from forcekit.simulate.faults import clean_plan
from forcekit.simulate.lifter import simulate_lift
from forcekit.simulate.sensors import PlateSensor, record_plate

N_DRAWS = 200
SAMPLING = 3.5 / np.sqrt(2.0 * N_DRAWS)
"""Three and a half sampling errors of a standard deviation from that many draws: 17.5 %."""
FLOOR = 0.03
"""For the curvature that the linear propagation leaves out: 3 %."""

PERFECT = PlateSensor(
    rate_hz=500.0, noise_n=0.0, noise_nm=0.0, zero_u_n=0.0, drift_u_nps=0.0, gain_u=0.0, position_u_m=0.0
)
CASES: dict[str, PlateSensor] = {
    "four cells": PERFECT,
    "six components": dataclasses.replace(PERFECT, kind="components"),
    "a plate under each foot": dataclasses.replace(PERFECT, two_plates=True),
}
GAIN_U, ZERO_U_N, DRIFT_U_NPS, NOISE_N, POSITION_U_M = 0.005, 3.0, 0.2, 1.0, 0.002
MOMENT_ARM_M = 0.25
"""A moment channel takes the zero, drift and noise of a force at a quarter of a metre."""


def stated(device: DeviceFile, share: float) -> DeviceFile:
    """Device file that states the drawn uncertainties, or a share of them."""
    plates = tuple(
        msgspec.structs.replace(
            plate,
            gain_u=share * GAIN_U,
            zero_u_n=share * ZERO_U_N,
            drift_u_nps=share * DRIFT_U_NPS,
            position_u_m=share * POSITION_U_M,
        )
        for plate in device.plates
    )
    return msgspec.structs.replace(device, plates=plates)


@cache
def clean(kind: str) -> Recording:
    """A push press of a lifter who stands perfectly still on a perfect plate, which is never empty."""
    plan = clean_plan(movement="push press", sway_m=0.0, breath_m=0.0, tremor_mps2=0.0, bar_whip_m=0.0, stance_s=2.5)
    recording = record_plate(simulate_lift(plan, 1), CASES[kind], 1)
    assert recording.plate is not None
    rng = np.random.default_rng(0)  # a stance without any noise would look like a frozen link
    raw = {n: v + 1e-6 * rng.standard_normal(v.size) for n, v in recording.plate.raw.items()}
    device = stated(recording.plate.device, 0.0)
    return dataclasses.replace(recording, plate=dataclasses.replace(recording.plate, raw=raw, device=device))


def perturbed(recording: Recording, rng: np.random.Generator) -> Recording:
    """The recording with gain, zero, drift and noise of every channel and the places of the cells drawn."""
    stream = recording.plate
    assert stream is not None
    raw: dict[str, FloatArray] = {}
    cells = stream.device.plates[0].cells
    share = 1.0 / np.sqrt(len(cells)) if cells else 1.0  # zero and drift are stated for the sum of a plate's cells
    for name, value in stream.raw.items():
        arm = MOMENT_ARM_M if name.rsplit("_")[-1].startswith("m") else 1.0
        gain, zero, drift = rng.standard_normal(3) * (
            GAIN_U,
            share * arm * ZERO_U_N,
            share * arm * DRIFT_U_NPS,
        )
        noise = arm * NOISE_N * rng.standard_normal(value.size)
        raw[name] = value * (1.0 + gain) + zero + drift * stream.t_s + noise
    device = moved(stated(stream.device, 1.0), rng)
    return dataclasses.replace(recording, plate=dataclasses.replace(stream, raw=raw, device=device))


def moved(device: DeviceFile, rng: np.random.Generator) -> DeviceFile:
    """The device file with the places of its cells, or of its origin, drawn anew."""
    plates = []
    for plate in device.plates:
        cells = []
        for cell in plate.cells:
            dx, dy = POSITION_U_M * rng.standard_normal(2)
            cells.append(msgspec.structs.replace(cell, x_m=(cell.x_m or 0.0) + dx, y_m=(cell.y_m or 0.0) + dy))
        x, y, z = plate.surface_from_origin_m
        dx, dy = POSITION_U_M * rng.standard_normal(2)
        plates.append(msgspec.structs.replace(plate, cells=tuple(cells), surface_from_origin_m=(x + dx, y + dy, z)))
    return msgspec.structs.replace(device, plates=tuple(plates))


@cache
def scatter(kind: str) -> tuple[dict[str, float], dict[str, float], dict[str, float]]:
    """Per measure: scatter over the draws, stated standard uncertainty of the draws, and that of the clean recording.

    The last is what reading a curve between its samples may cost. It is the same in every draw and does not scatter.
    """
    rng = np.random.default_rng(11)
    values: dict[str, list[float]] = {}
    uncertainties: dict[str, list[float]] = {}
    for _ in range(N_DRAWS):
        for name, x in plate_parts(perturbed(clean(kind), rng)).items():
            values.setdefault(name, []).append(x.value)
            uncertainties.setdefault(name, []).append(x.u)
    return (
        {name: float(np.std(v, ddof=1)) for name, v in values.items()},
        {name: float(np.sqrt(np.mean(np.square(u)))) for name, u in uncertainties.items()},
        {name: x.u for name, x in plate_parts(clean(kind)).items()},
    )


def plate_parts(recording: Recording) -> dict[str, Uncertain]:
    """All measures of a recording with the parts of their uncertainty that the plate and its noise are to blame for."""
    from forcekit.analysis.balance import balance
    from forcekit.analysis.tempo import Reading, tempo
    from forcekit.mechanics.foot import foot_frame

    stream = recording.plate
    assert stream is not None
    curves, phases = measured(recording)
    foot = foot_frame(recording.card, stream.device)
    readings = {**tempo(curves, phases, recording.card), **balance(curves, phases, foot)}
    kept = blamed(curves)
    return {
        name: Uncertain(
            r.estimate.value, np.append(r.estimate.parts[: kept.size] * kept, r.estimate.parts[kept.size :])
        )
        for name, r in readings.items()
        if isinstance(r, Reading)
    }


def measured(recording: Recording) -> tuple[LiftCurves, Phases]:
    """Curves and instants of the one lift, through the pipeline's own steps."""
    stream = recording.plate
    assert stream is not None
    signals = read_plate(stream)
    noise = float(np.linalg.norm(signals.matrix[FZ] * signals.noise))
    threshold = takeoff_threshold(signals.zero, noise)
    candidates, _, _ = find_lifts(signals.force_n, signals.rate_hz, noise, threshold, 9.80665)
    assert len(candidates) == 1
    return _measure_curves(signals, candidates[0], 9.80665, site_known=True)


def blamed(curves: LiftCurves) -> FloatArray:
    """1 for the sources that a draw of the plate changes; 0 for sway, slow wander, gravity, sampling and the foot."""
    keep = np.ones(curves.n_sources)
    n_plate = int(np.count_nonzero(curves.source_plate >= 0))
    keep[n_plate + 1 : n_plate + 4] = 0.0  # wander and the two ends of sway
    n_common = curves.n_sources - len(LOCAL_SLOTS)
    keep[n_common - 2 : n_common] = 0.0  # gravity and sampling
    for slot in ("heel line", "foot length", "stance pressure", "forward sway at start", "forward sway at end"):
        keep[n_common + LOCAL_SLOTS.index(slot)] = 0.0
    return keep


FORCE_NAMES = (
    "system_weight", "system_mass", "dip_depth", "peak_dip_velocity", "peak_drive_velocity", "lowest_at",
    "braking_start_at", "drive_end_at", "braking_time", "drive_time", "transition_time", "peak_force",
    "peak_force_of_weight", "lowest_force_of_weight", "force_at_lowest", "braking_rfd", "braking_impulse",
    "drive_impulse", "peak_power", "mean_drive_power",
)  # fmt: skip
PRESSURE_NAMES = ("stance_pressure", "shift_in_dip", "shift_in_drive", "shift_total", "side_shift")
HORIZONTAL_NAMES = ("forward_impulse_dip", "forward_impulse_drive", "push_angle")


def cases() -> Iterator[tuple[str, str]]:
    """Kind of plate and measure."""
    for kind in CASES:
        names = FORCE_NAMES + PRESSURE_NAMES
        names += HORIZONTAL_NAMES if kind == "six components" else ()
        names += ("left_share",) if kind == "a plate under each foot" else ()
        yield from ((kind, name) for name in names)


@pytest.mark.parametrize(("kind", "name"), list(cases()))
def test_stated_uncertainty_is_the_scatter_of_drawn_recordings(kind: str, name: str) -> None:
    """The stated standard uncertainty is the scatter of 200 draws and the cost of reading between samples, together."""
    drawn, stated_u, reading = scatter(kind)
    assert stated_u[name] == pytest.approx(float(np.hypot(drawn[name], reading[name])), rel=SAMPLING + FLOOR)


@pytest.mark.parametrize("kind", list(CASES))
def test_reading_between_samples_costs_little(kind: str) -> None:
    """What does not scatter is the smaller part of the uncertainty for motion and pressure."""
    drawn, _, reading = scatter(kind)
    names = ("dip_depth", "peak_dip_velocity", "peak_drive_velocity", "lowest_at", "shift_in_dip", "shift_total")
    assert [name for name in names if reading[name] > 0.5 * drawn[name]] == []
