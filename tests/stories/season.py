"""An invented lifter's season as files on disk: CSV recordings of one club plate, with days and outcomes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from forcekit.simulate.lifter import simulate_lift
from forcekit.simulate.plan import LiftPlan
from forcekit.simulate.sensors import PlateSensor, record_plate
from forcekit.simulate.write import CsvDialect, write_device, write_stream

LIFTER = LiftPlan(
    body_mass_kg=71.5, stature_m=1.70, foot_length_m=0.255, bar_mass_kg=80.0, stance_s=1.6, hold_s=0.3, takeoff=True
)
SENSOR = PlateSensor(rate_hz=250.0, noise_n=0.6)


@dataclass(frozen=True, slots=True)
class Rep:
    """One recording of the season, ready for `analyze`."""

    path: Path
    device: Path
    load_kg: float
    day: str
    outcome: str


def scattered(load_kg: float, rng: np.random.Generator) -> LiftPlan:
    """One usual rep: depth and tempo differ by a few per cent from rep to rep."""
    return replace(
        LIFTER,
        bar_mass_kg=load_kg,
        dip_depth_of_stature=0.105 + 0.003 * float(rng.standard_normal()),
        unweighting_s=0.27 + 0.008 * float(rng.standard_normal()),
    )


def write_rep(folder: Path, name: str, plan: LiftPlan, seed: int, day: str, outcome: str = "made") -> Rep:
    """Simulate one lift and write its recording and the plate's device file."""
    stream = record_plate(simulate_lift(plan, seed), SENSOR, seed).plate
    assert stream is not None
    path, device = folder / f"{name}.csv", folder / "plate.toml"
    described = write_stream(stream, path, CsvDialect(time_unit="ms", time_decimals=0, decimals=1))
    if not device.exists():
        write_device(described, device)
    return Rep(path, device, plan.bar_mass_kg, day, outcome)


def season(folder: Path, *, loads: tuple[float, ...] = (70.0, 80.0), days: int = 5) -> list[Rep]:
    """Usual reps at these loads on several days."""
    rng = np.random.default_rng(11)
    reps = []
    for i in range(days):
        for load in loads:
            seed = len(reps) + 1
            day = f"2024-03-{3 * i + 1:02d}T18:{seed:02d}"
            reps.append(write_rep(folder, f"rep_{seed}", scattered(load, rng), seed, day))
    return reps
