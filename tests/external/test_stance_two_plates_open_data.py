"""Quiet standing with a plate under each foot: an outsider can check it with one force-weighted mean.

dos Santos, D. A., Fukuchi, C. A., Fukuchi, R. K. and Duarte, M. (2017), A data set with kinematic and ground reaction
forces of human balance, PeerJ 5:e3626, doi 10.7717/peerj.3626, data doi 10.6084/m9.figshare.4525082 (CC BY 4.0). Force
and pressure of each foot in, the published net pressure, its area and speed out. Axes there: X forward, Y up, Z right.
"""

from __future__ import annotations

import csv
from functools import cache

import numpy as np
import pytest
from helpers import open_data
from standing import ellipse_area, mean_speed

from forcekit.acquire.source import read_stream
from forcekit.mechanics.plate import PlateSignals, read_plate
from forcekit.mechanics.plate_matrix import pressure
from forcekit.model import Channel, DeviceFile, Plate, TimeAxis

TRIALS = ("PDS13OR1", "PDS13CR1")
SIDES = ("R", "L")


def channels(side: str) -> tuple[Channel, ...]:
    """Channels of one foot, turned to forcekit's axes: y to the left is minus their Z."""
    return (
        Channel(name=f"{side}f", column=f"{side}GRF_Y"),
        Channel(name=f"{side}fx", column=f"{side}GRF_X"),
        Channel(name=f"{side}fy", column=f"{side}GRF_Z", sign=-1),
        Channel(name=f"{side}x", column=f"{side}COP_X", unit="m"),
        Channel(name=f"{side}y", column=f"{side}COP_Z", unit="m", sign=-1),
    )


def plate(side: str) -> Plate:
    """A plate with a ready pressure in the laboratory's axes; its middle only tells which one is on the left."""
    return Plate(
        kind="pressure",
        force_z=f"{side}f",
        force_x=f"{side}fx",
        force_y=f"{side}fy",
        pressure_x=f"{side}x",
        pressure_y=f"{side}y",
    )


DEVICE = DeviceFile(
    name="two laboratory plates",
    kind="plate",
    time=TimeAxis(column="Time"),
    channels=channels("R") + channels("L"),
    plates=(plate("R"), plate("L")),
)


@cache
def columns(trial: str) -> dict[str, np.ndarray]:
    """The file's own columns by name."""
    path = open_data("stance_two_plates") / f"{trial}grf.txt"
    names = path.read_text(encoding="utf-8").split("\n", 1)[0].split()
    return dict(zip(names, np.loadtxt(path, skiprows=1).T, strict=True))


@cache
def signals(trial: str) -> PlateSignals:
    """One trial through reading and the plate's mathematics."""
    return read_plate(read_stream(open_data("stance_two_plates") / f"{trial}grf.txt", DEVICE))


def published(trial: str) -> dict[str, str]:
    """Row of the published table."""
    with (open_data("stance_two_plates") / "published_values.csv").open(encoding="utf-8") as file:
        return next(row for row in csv.DictReader(file) if row["Trial"] == trial)


def place(trial: str) -> tuple[np.ndarray, np.ndarray]:
    """Net centre of pressure in metres, y to the left."""
    s = signals(trial)
    return pressure(s.resultant(0, s.t_s.size), 100.0)


@pytest.mark.parametrize("trial", TRIALS)
def test_two_plates_add_up_to_the_published_force(trial: str) -> None:
    """Net vertical force in every row within the rounding of the columns (4e-5 N, SOURCE.md)."""
    assert np.max(np.abs(signals(trial).force_n - columns(trial)["GRFNET_Y"])) < 4e-5


@pytest.mark.parametrize("trial", TRIALS)
def test_net_pressure_is_the_published_one(trial: str) -> None:
    """Along and across in every row within 8e-6 m (one digit), what the set itself shows (SOURCE.md)."""
    x, y = place(trial)
    assert np.max(np.abs(x - columns(trial)["COPNET_X"])) < 8.5e-6
    assert np.max(np.abs(-y - columns(trial)["COPNET_Z"])) < 8.5e-6


@pytest.mark.parametrize("trial", TRIALS)
def test_area_and_speed_are_the_published_ones(trial: str) -> None:
    """COParea and COPvelo from the two feet.

    From the printed net columns the published numbers come out to 11 digits. Here the net is made of columns rounded to
    1e-6 m, which differ by up to 8e-6 m of steps of 1.4e-4 m: 1 part in 1000 of the area and of the speed.
    """
    row = published(trial)
    x, y = place(trial)
    assert ellipse_area(100.0 * x, 100.0 * y) == pytest.approx(float(row["COParea"]), rel=1e-3)
    assert mean_speed(100.0 * x, 100.0 * y, 60.0) == pytest.approx(float(row["COPvelo"]), rel=1e-3)


@pytest.mark.parametrize("trial", TRIALS)
def test_the_formulas_are_the_published_ones(trial: str) -> None:
    """The same formulas on the printed net columns agree to 11 digits: what differs above is rounding alone."""
    row, c = published(trial), columns(trial)
    x, z = 100.0 * c["COPNET_X"], 100.0 * c["COPNET_Z"]
    assert ellipse_area(x, z) == pytest.approx(float(row["COParea"]), rel=1e-10)
    assert mean_speed(x, z, 60.0) == pytest.approx(float(row["COPvelo"]), rel=1e-10)


@pytest.mark.parametrize(("trial", "weight_n", "right"), [("PDS13OR1", 635.39, 0.4555), ("PDS13CR1", 636.11, 0.4559)])
def test_weight_and_share_of_the_feet(trial: str, weight_n: float, right: float) -> None:
    """Mean force and the right foot's part of it (SOURCE.md); within 1 % of the scale's 65.35 kg."""
    s = signals(trial)
    n = s.t_s.size
    share = float(s.plate_force(0, 0, n).sum() / s.force_n.sum())
    assert float(np.mean(s.force_n)) == pytest.approx(weight_n, abs=0.005)
    assert share == pytest.approx(right, abs=5e-5)
    assert weight_n / 9.80665 == pytest.approx(float(published(trial)["Mass"]), rel=0.01)


@pytest.mark.parametrize(("trial", "net_cm"), [("PDS13OR1", 22.33), ("PDS13CR1", 22.66)])
def test_mean_net_pressure(trial: str, net_cm: float) -> None:
    """Mean along the foot as worked out beside the data, to the last digit given."""
    assert 100.0 * float(np.mean(place(trial)[0])) == pytest.approx(net_cm, abs=0.005)
