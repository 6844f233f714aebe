"""An invented lifter's season as files: ``python -m forcekit.simulate.season FOLDER`` makes it.

Eight sessions of Tamo Velling at Quarry Lane Barbell Club, one CSV with its attempt card for each jerk. His dips are
good, and in the drive the pressure runs to the toes, the more the heavier the bar; from the sixth session on his coach
gives a cue. In the last session a sensor is on the bar. Club, lifter and numbers are invented; the same command gives
the same files. Each file carries the time of its lift, so that an analysis takes the day from it.
"""

from __future__ import annotations

import argparse
import dataclasses
import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from forcekit.model import AttemptCard, Outcome
from forcekit.simulate.bar_sensor import SimulatedBarSensor, record_bar
from forcekit.simulate.lifter import simulate_lift
from forcekit.simulate.plan import LiftPlan
from forcekit.simulate.sensors import PlateSensor, record_plate
from forcekit.simulate.write import CsvDialect, write_card, write_device, write_stream

__all__ = ["CUE", "LIFTER", "SeasonRep", "main", "make_season"]

LIFTER = "Tamo Velling"
CUE = "Push the floor away through the whole foot until the knees are straight."
"""The cue that is tried; it stands in the cue book, so that `forcekit trial` knows what it is meant to change."""

_BODY = LiftPlan(
    body_mass_kg=84.7, stature_m=1.78, foot_length_m=0.272, latitude_deg=52.4, height_m=95.0, stance_s=1.6, hold_s=0.4
)
_PLATE = PlateSensor(rate_hz=500.0, noise_n=0.6, zero_u_n=1.5, gain_u=0.002)
_BAR = SimulatedBarSensor(
    rate_hz=200.0, mount_rotvec_rad=(0.0, -0.3, 0.0), offset_m=(0.0, 0.22, 0.02), accel_bias_mps2=(0.04, -0.03, 0.05),
    gyro_bias_radps=(0.004, -0.003, 0.002), accel_noise=0.002, gyro_noise=0.0001, counts_per_unit=1000.0,
    clock_offset_s=0.137, clock_drift_ppm=18.0,
)  # fmt: skip
_LOADS_KG = ((70.0, 80.0, 80.0, 80.0), (70.0, 80.0, 80.0, 87.5), (80.0, 80.0, 87.5), (70.0, 80.0, 80.0, 87.5))
_FIRST_DAY = datetime(2024, 2, 6, 17, 30, tzinfo=UTC)
_SEED = 5150
_N_SESSIONS = 8
_WITH_CUE = 5
"""Sessions before the cue."""


@dataclass(frozen=True, slots=True)
class SeasonRep:
    """One jerk of the season on disk; `at` is when it was lifted, seconds since 1970 (UTC)."""

    path: Path
    device: Path
    card: AttemptCard
    at: float
    bar: Path | None = None
    bar_device: Path | None = None


def make_season(folder: Path, *, n_sessions: int = _N_SESSIONS, with_bar: bool = True) -> list[SeasonRep]:
    """Write the season into a folder and give its jerks in order of time.

    Parameters
    ----------
    folder : Path
        Made if it is not there; files of the same names are replaced.
    n_sessions : int
        Only so many of its sessions, the last ones.
    with_bar : bool
        Whether there is a sensor on the bar in the last session.
    """
    folder.mkdir(parents=True, exist_ok=True)
    reps = []
    for session in range(_N_SESSIONS - n_sessions, _N_SESSIONS):
        for i, load in enumerate(_LOADS_KG[session % len(_LOADS_KG)] + ((80.0, 80.0) if session == 7 else ())):
            began = _FIRST_DAY + timedelta(days=7 * session, minutes=6 * i)
            reps.append(_write(folder, session, i, load, began, with_bar and session == _N_SESSIONS - 1))
    return reps


def _write(folder: Path, session: int, i: int, load_kg: float, began: datetime, with_bar: bool) -> SeasonRep:
    seed = _SEED + 10 * session + i
    rng = np.random.default_rng(seed)
    cued = session >= _WITH_CUE
    drive = (0.07 if cued else 0.125) + 0.0035 * (load_kg - 80.0) + 0.022 * float(rng.standard_normal())
    plan = dataclasses.replace(
        _BODY,
        bar_mass_kg=load_kg,
        dip_depth_of_stature=0.101 + 0.003 * float(rng.standard_normal()),
        unweighting_s=0.27 + 0.009 * float(rng.standard_normal()) - 0.002 * session,
        braking_s=0.155 + 0.005 * float(rng.standard_normal()),
        drive_velocity_mps=1.55 - 0.008 * (load_kg - 70.0) + 0.02 * float(rng.standard_normal()),
        shift_in_dip_of_foot=-0.02 + 0.008 * float(rng.standard_normal()),
        shift_in_drive_of_foot=drive,
        forward_velocity_mps=0.6 * max(drive, 0.0),
        forward_in_dip_frac=0.05,
        bar_forward_in_drive_m=0.22 * drive - 0.008,
    )
    outcome: Outcome = "missed forward" if drive > 0.15 else "made"
    card = AttemptCard(
        athlete=LIFTER, movement="jerk", load_kg=load_kg, body_mass_kg=84.6, stature_m=1.78, foot_length_m=0.271,
        cue=CUE if cued else None, outcome=outcome,
    )  # fmt: skip
    motion = simulate_lift(plan, seed)
    stem = f"jerk_{began:%m_%d}_{i + 1}"
    recording = record_plate(motion, _PLATE, seed, card, plate_seed=4)
    assert recording.plate is not None
    made, device = folder / f"{stem}.csv", folder / "device.toml"
    dialect = CsvDialect(time_unit="ms", time_decimals=0, decimals=1)
    write_device(write_stream(recording.plate, made, dialect), device)
    write_card(card, folder / f"{stem}.card.toml")
    bar = bar_device = None
    if with_bar:
        bar, bar_device = folder / f"{stem}.bar.csv", folder / f"{stem}.bar.device.toml"
        stream = record_bar(motion, dataclasses.replace(_BAR, gravity_mps2=motion.gravity_mps2), seed)
        write_device(write_stream(stream, bar, CsvDialect(time_unit="us", time_decimals=0, decimals=3)), bar_device)
    at = began.timestamp()
    for path in (made, *([] if bar is None else [bar])):
        os.utime(path, (at, at))
    return SeasonRep(made, device, card, at, bar, bar_device)


def main(arguments: Sequence[str]) -> int:
    """Make the season in the folder named."""
    parser = argparse.ArgumentParser("python -m forcekit.simulate.season", description="Make an invented season.")
    parser.add_argument("folder", type=Path, help="where the files go, for example season")
    make_season(parser.parse_args(arguments).folder)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
