"""Quiet standing on one plate: an outsider can check it with -My/Fz, Mx/Fz, a covariance and a path length.

Santos, D. A. and Duarte, M. (2016), A public data set of human balance evaluations, PeerJ 4:e2648,
doi 10.7717/peerj.2648, data doi 10.6084/m9.figshare.3394432 (CC BY 4.0). Raw forces and moments in, published area and
speed of the centre of pressure out.
"""

from __future__ import annotations

import csv
from functools import cache

import numpy as np
import pytest
from helpers import open_data
from standing import ellipse_area, mean_speed

from forcekit.acquire.source import read_stream
from forcekit.analysis.pipeline import analyze
from forcekit.mechanics.plate import PlateSignals, read_plate
from forcekit.mechanics.plate_matrix import pressure
from forcekit.model import Channel, DeviceFile, Plate, Recording, Stream, TimeAxis

TRIALS = ("BDS00001", "BDS00010", "BDS00028", "BDS00034", "BDS00052", "BDS00055")
DEVICE = DeviceFile(
    name="laboratory plate",
    kind="plate",
    time=TimeAxis(column="Time[s]"),
    channels=tuple(
        [Channel(name=n, column=f"{n.capitalize()}[N]") for n in ("fx", "fy", "fz")]
        + [Channel(name=n, column=f"{n.capitalize()}[Nm]", unit="N m") for n in ("mx", "my", "mz")]
    ),
    plates=(
        Plate(
            kind="components",
            force_x="fx",
            force_y="fy",
            force_z="fz",
            moment_x="mx",
            moment_y="my",
            moment_z="mz",
        ),
    ),
)
"""Moments are given about the middle of the surface (CoPx = -My/Fz in the set's own columns)."""


@cache
def stream(trial: str) -> Stream:
    """One trial, read."""
    return read_stream(open_data("balance_cop") / f"{trial}.txt", DEVICE)


@cache
def signals(trial: str) -> PlateSignals:
    """One trial through the plate's mathematics."""
    return read_plate(stream(trial))


def published(trial: str) -> dict[str, str]:
    """Row of the published table."""
    with (open_data("balance_cop") / "published_values.csv").open(encoding="utf-8") as file:
        return next(row for row in csv.DictReader(file) if row["Trial"] == trial)


def place(trial: str) -> tuple[np.ndarray, np.ndarray]:
    """Centre of pressure in centimetres."""
    s = signals(trial)
    x, y = pressure(s.resultant(0, s.t_s.size), 100.0)
    return 100.0 * x, 100.0 * y


@pytest.mark.parametrize("trial", TRIALS)
def test_pressure_is_the_printed_column(trial: str) -> None:
    """Each of 6000 rows to the last printed digit (1e-6 cm), plus what 6 printed digits of moment and force leave.

    Half a digit of 5e-7 N m over 530 N is 1e-7 cm; half a digit of the column 5e-7 cm.
    """
    columns = np.loadtxt(open_data("balance_cop") / f"{trial}.txt", skiprows=1)
    x, y = place(trial)
    assert np.max(np.abs(x - columns[:, 7])) < 7e-7
    assert np.max(np.abs(y - columns[:, 8])) < 7e-7


@pytest.mark.parametrize("trial", TRIALS)
def test_area_and_speed_are_the_published_ones(trial: str) -> None:
    """COParea (cm²) and COPvelo (cm/s) to five decimals."""
    row = published(trial)
    x, y = place(trial)
    assert ellipse_area(x, y) == pytest.approx(float(row["COParea"]), abs=5e-6)
    assert mean_speed(x, y, 60.0) == pytest.approx(float(row["COPvelo"]), abs=5e-6)


@pytest.mark.parametrize("trial", TRIALS)
def test_mass_is_near_the_scale(trial: str) -> None:
    """Weighed mass less the scale's: between -0.14 and +1.11 kg over the set (SOURCE.md; foam is not always tared)."""
    mass = float(np.mean(signals(trial).force_n)) / 9.80665
    assert -0.145 <= mass - float(published(trial)["Weight"]) <= 1.115


@pytest.mark.parametrize("trial", TRIALS)
def test_the_clock_is_100_hz(trial: str) -> None:
    """6000 rows, 100 Hz, nothing missing."""
    s = signals(trial)
    assert (s.t_s.size, round(s.rate_hz, 6), bool(s.missing.any())) == (6000, 100.0, False)


@pytest.mark.parametrize("trial", TRIALS)
def test_standing_for_a_minute_is_no_lift(trial: str) -> None:
    """No lift is invented out of sway, and nothing is passed over as one."""
    found = analyze(Recording(plate=stream(trial)))
    assert (len(found), found.passed_over) == (0, ())
    assert found.reason
