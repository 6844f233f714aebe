"""The sample signals of the project: ``python -m forcekit.simulate.samples OUTDIR [DEMODIR]`` makes them.

They are always the same. The club, the lifters and all numbers are invented. Quarry Lane Barbell Club has built a
plate on four load cells with a converter that counts; two of its lifters are sampled, and now and then a guest plate
of another kind.
"""

from __future__ import annotations

import argparse
import dataclasses
import shutil
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from forcekit.model import AttemptCard, Outcome
from forcekit.simulate.bar_sensor import SimulatedBarSensor, record_bar
from forcekit.simulate.faults import faulty_plan
from forcekit.simulate.lifter import simulate_lift
from forcekit.simulate.motion import Motion
from forcekit.simulate.plan import LiftPlan
from forcekit.simulate.sensors import PlateSensor, attempt_card, record_plate
from forcekit.simulate.session import Step, same_lifter, simulate_session
from forcekit.simulate.write import CsvDialect, write_card, write_device, write_stream, write_truth

__all__ = ["main", "make_samples", "pack_demo"]

SEED = 20260
"""The seed of all sample signals."""

DEMO = "lost_in_front"
"""The sample that is also packed with the program."""

_PLATE_SEED = 4
_LATITUDE_DEG, _HEIGHT_M = 52.4, 95.0

_ODA = LiftPlan(
    body_mass_kg=63.4,
    stature_m=1.66,
    foot_length_m=0.247,
    stance_half_width_m=0.14,
    latitude_deg=_LATITUDE_DEG,
    height_m=_HEIGHT_M,
    bar_mass_kg=60.0,
    stance_s=2.0,
    hold_s=1.0,
)
_TAMO = LiftPlan(
    body_mass_kg=84.7,
    stature_m=1.78,
    foot_length_m=0.272,
    latitude_deg=_LATITUDE_DEG,
    height_m=_HEIGHT_M,
    bar_mass_kg=80.0,
    stance_s=2.0,
    hold_s=1.0,
)
_LIFTERS = {"Oda Brennek": _ODA, "Tamo Velling": _TAMO}

_CLUB_PLATE = PlateSensor(
    rate_hz=500.0, step_n=0.25, count_offset=8000.0, saturation_n=4000.0, noise_n=0.6, zero_u_n=1.5, gain_u=0.002
)
_COUNTS = CsvDialect(time_unit="ms", time_decimals=0, decimals=0)
_COMMENT = ("made by forcekit.simulate.samples; the people and the club are invented",)

_BAR_SENSOR = SimulatedBarSensor(
    rate_hz=200.0,
    mount_rotvec_rad=(0.0, -0.3, 0.0),
    offset_m=(0.0, 0.22, 0.02),
    accel_bias_mps2=(0.04, -0.03, 0.05),
    gyro_bias_radps=(0.004, -0.003, 0.002),
    accel_noise=0.002,
    gyro_noise=0.0001,
    counts_per_unit=1000.0,
    clock_offset_s=0.137,
    clock_drift_ppm=18.0,
)

_PLATE_PATTERNS = (
    "forward_in_dip",
    "forward_throughout",
    "toward_heels",
    "bar_floats",
    "slow_turnaround",
    "too_deep",
    "too_shallow",
    "double_dip",
    "side_to_side",
    "falls_short",
)
_BAR_PATTERNS = ("arms_early", "elbows_drop")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sample:
    """One file to be made."""

    stem: str
    athlete: str
    plan: LiftPlan
    sensor: PlateSensor = _CLUB_PLATE
    dialect: CsvDialect = _COUNTS
    outcome: Outcome = "made"
    with_bar: bool = False
    script: Sequence[Step] = ()
    note: str = ""


def _of(athlete: str, plan: LiftPlan, **changes: Any) -> LiftPlan:
    """Give a plan the body, site and tempo of the recording of one of the two lifters."""
    who = _LIFTERS[athlete]
    kept = {"stance_s": who.stance_s, "hold_s": who.hold_s, "bar_mass_kg": who.bar_mass_kg}
    return dataclasses.replace(same_lifter(plan, who), **(kept | changes))


def _samples() -> list[_Sample]:
    oda, tamo = "Oda Brennek", "Tamo Velling"
    lost = _of(tamo, faulty_plan("back_then_forward"), bar_forward_in_drive_m=0.034)
    out = [
        _Sample(
            stem=DEMO,
            athlete=tamo,
            plan=lost,
            sensor=dataclasses.replace(_CLUB_PLATE, rate_hz=1000.0),
            outcome="missed forward",
            with_bar=True,
            note="felt good out of the dip, then it was in front",
        )
    ]
    for athlete, loads in ((oda, (50.0, 60.0, 67.5)), (tamo, (70.0, 80.0, 92.5))):
        for i, load in enumerate(loads):
            plan = _of(athlete, LiftPlan(dip_depth_of_stature=0.096 + 0.004 * i, drive_velocity_mps=1.62 - 0.09 * i))
            plan = dataclasses.replace(plan, bar_mass_kg=load, shift_in_drive_of_foot=0.008 * i)
            out.append(_Sample(stem=f"{athlete.split()[0].lower()}_{load:g}_kg", athlete=athlete, plan=plan))
    for i, pattern in enumerate(_PLATE_PATTERNS):
        athlete = (oda, tamo)[i % 2]
        out.append(_Sample(stem=f"pattern_{pattern}", athlete=athlete, plan=_of(athlete, faulty_plan(pattern))))
    for i, pattern in enumerate(_BAR_PATTERNS):
        athlete = (oda, tamo)[i % 2]
        plan = _of(athlete, faulty_plan(pattern))
        out.append(_Sample(stem=f"pattern_{pattern}", athlete=athlete, plan=plan, with_bar=True))
    return [*out, *_guests(), _session()]


def _guests() -> list[_Sample]:
    """Other plates and other ways to write a table."""
    six = PlateSensor(
        kind="components", rate_hz=500.0, z_axis="down", acts_on="plate", turn_deg=90.0, noise_n=1.0, gain_u=0.003
    )
    pair = PlateSensor(kind="pressure", two_plates=True, rate_hz=250.0)
    plan = LiftPlan(movement="push press", forward_velocity_mps=0.08, bar_forward_in_drive_m=0.02)
    return [
        _Sample(
            stem="guest_six_components",
            athlete="Oda Brennek",
            plan=_of("Oda Brennek", LiftPlan(forward_velocity_mps=0.09)),
            sensor=six,
            dialect=CsvDialect(
                delimiter=";", decimal=",", units_row=True, decimals=1, time_decimals=3, byte_order_mark=True,
                comments=("Quarry Lane Barbell Club; guest plate",), line_end="\r\n", state_layout=False,
            ),
        ),
        _Sample(
            stem="guest_two_plates",
            athlete="Tamo Velling",
            plan=_of("Tamo Velling", plan, left_share=0.53),
            sensor=pair,
            dialect=CsvDialect(delimiter="\t", header=False, time_unit=None, decimals=4),
        ),
    ]  # fmt: skip


def _session() -> _Sample:
    """Three lifts of Oda's between all that goes on around them."""
    who = "Oda Brennek"
    lifts = [
        _of(who, LiftPlan(stance_s=1.5)),
        _of(who, faulty_plan("forward_in_dip"), stance_s=1.5),
        _of(who, LiftPlan(movement="push press", stance_s=1.5), landing=1.0),
    ]
    script = [
        Step(name="empty", seconds=1.5),
        Step(name="step on"),
        Step(name="unrack"),
        Step(name="walk out"),
        Step(name="regrip"),
        Step(name="lift", plan=lifts[0]),
        Step(name="aborted dip"),
        Step(name="lift", plan=lifts[1]),
        Step(name="shrug"),
        Step(name="lift", plan=lifts[2]),
        Step(name="walk in"),
        Step(name="rerack"),
        Step(name="chat", seconds=2.5),
        Step(name="step off"),
        Step(name="spotter", seconds=3.0),
        Step(name="empty", seconds=1.5),
    ]
    sensor = dataclasses.replace(_CLUB_PLATE, drop_probability=0.0005)
    return _Sample(stem="session_of_oda", athlete=who, plan=_ODA, sensor=sensor, script=script)


def make_samples(folder: Path) -> list[Path]:
    """Write all sample signals into a folder and give their paths.

    Parameters
    ----------
    folder : Path
        Made if it is not there; files of the same names are replaced.
    """
    folder.mkdir(parents=True, exist_ok=True)
    made: list[Path] = []
    for i, sample in enumerate(_samples()):
        made += _write(sample, SEED + i, folder)
    return sorted(set(made))


def _write(sample: _Sample, seed: int, folder: Path) -> list[Path]:
    lift_only = not sample.script
    motion = simulate_lift(sample.plan, seed) if lift_only else simulate_session(sample.script, sample.plan, seed)
    card = _card(sample, motion, seed)
    recording = record_plate(motion, sample.sensor, seed, card, plate_seed=_PLATE_SEED)
    assert recording.plate is not None
    table, card_path = folder / f"{sample.stem}.csv", folder / f"{sample.stem}.card.toml"
    truth, device_path = folder / f"{sample.stem}.truth.json", folder / f"{_device_name(sample)}.toml"
    device = write_stream(recording.plate, table, sample.dialect)
    write_device(device, device_path, comments=_COMMENT)
    write_card(card, card_path, comments=_COMMENT)
    write_truth(motion, truth)
    made = [table, device_path, card_path, truth]
    if sample.with_bar:
        sensor = dataclasses.replace(_BAR_SENSOR, gravity_mps2=motion.gravity_mps2)
        stream = record_bar(motion, sensor, seed)
        bar_table, bar_device = folder / f"{sample.stem}.bar.csv", folder / "club_bar.toml"
        dialect = CsvDialect(time_unit="us", time_decimals=0, decimals=3)
        write_device(write_stream(stream, bar_table, dialect), bar_device, comments=_COMMENT)
        made += [bar_table, bar_device]
    return made


def _device_name(sample: _Sample) -> str:
    if sample.sensor.kind == "cells":
        return "club_plate_1000_hz" if sample.sensor.rate_hz == 1000.0 else "club_plate"
    return sample.stem


def _card(sample: _Sample, motion: Motion, seed: int) -> AttemptCard:
    import msgspec

    drawn = attempt_card(motion, np.random.default_rng([seed, 79]))
    return msgspec.structs.replace(
        drawn,
        athlete=sample.athlete,
        foot_length_m=round(drawn.foot_length_m or 0.0, 3),
        outcome=sample.outcome,
        note=sample.note,
        movement=None if sample.script else drawn.movement,
    )


def pack_demo(folder: Path, package: Path) -> None:
    """Copy the demo sample and what explains it to where the program finds it."""
    package.mkdir(parents=True, exist_ok=True)
    names = [f"{DEMO}.csv", f"{DEMO}.bar.csv", f"{DEMO}.card.toml", f"{DEMO}.truth.json"]
    for name in [*names, "club_plate_1000_hz.toml", "club_bar.toml"]:
        shutil.copyfile(folder / name, package / name)


def main(arguments: Sequence[str]) -> int:
    """Make the sample signals in the first folder named and copy the demo sample to the second, if there is one."""
    parser = argparse.ArgumentParser("python -m forcekit.simulate.samples", description="Make the sample signals.")
    parser.add_argument("folder", type=Path, help="where the files go, for example sample_signals")
    parser.add_argument("package", type=Path, nargs="?", help="where the demo's own go, too")
    given = parser.parse_args(arguments)
    make_samples(given.folder)
    if given.package is not None:
        pack_demo(given.folder, given.package)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
