"""Force platforms in C3D sample files against another reader's table and the format's own worked example.

An outsider can open the same files with any C3D reader that extracts force platforms and compare sample by sample.
The files, the table of another general-purpose reader (version 1.7.2 of an open-source C++ library) and the worked
example of a type 4 platform lie in the optional data folder ``../shared/open_data/c3d_force_plates``; where each
comes from stands in the SOURCE.md there. Nothing of them is in this repository.
"""

from __future__ import annotations

import csv
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from forcekit.acquire.c3d_file import C3dData, c3d_plates, load_c3d, read_c3d
from forcekit.mechanics.c3d_platform import pressure_point, wrench
from forcekit.mechanics.plate import read_plate
from forcekit.model import FloatArray

DATA = Path(__file__).parents[2].parent / "shared" / "open_data" / "c3d_force_plates"
pytestmark = pytest.mark.skipif(not DATA.is_dir(), reason="open data folder absent")

WALKS = [f"walk_type2_{machine}_{form}" for machine in ("pc", "dec", "sgi") for form in ("int", "real")]
IN_TABLE = [
    ("gait_type4_two_plates", 0),
    ("gait_type4_two_plates", 1),
    ("landing_type4_y_down", 0),
    ("step_type2", 0),
    ("step_type4", 0),
    ("walk_type2_pc_int", 0),
    ("walk_type2_pc_real", 1),
    ("walk_type2_dec_int", 1),
    ("walk_type2_dec_real", 0),
]


@cache
def data_of(name: str) -> C3dData:
    """Read a sample file once."""
    return load_c3d(DATA / f"{name}.c3d")


def rows(name: str, /, **wanted: str) -> list[dict[str, str]]:
    """Read the rows of a table beside the files."""
    with (DATA / name).open() as handle:
        return [r for r in csv.DictReader(handle) if all(r[k] == v for k, v in wanted.items())]


def table(some: list[dict[str, str]], *names: str) -> FloatArray:
    """Give columns of such rows as numbers."""
    return np.array([[float(r[n]) for n in names] for r in some])


@pytest.mark.parametrize(("name", "i"), IN_TABLE)
def test_against_another_reader(name: str, i: int) -> None:
    """Force, moment and pressure of about 60 loaded samples a plate are those of another reader."""
    found = rows("reader_reference.csv", file=name, plate=str(i))
    data = data_of(name)
    plate = c3d_plates(data, name, zero=False)[i]
    at = table(found, "sample")[:, 0].astype(int)
    per_metre = 1.0 if data.meta["point_units"] == "m" else 1000.0
    assert plate.centre_m is not None
    assert plate.axes is not None
    flat = pressure_point(plate.plate, least_n=10.0)[at]
    place = (plate.centre_m + np.column_stack([flat, np.zeros(at.size)]) @ plate.axes.T) * per_metre

    # The table has four decimals of N and mm and three of N mm, and 32-bit sums behind them.
    force_tol, moment_tol, place_tol = 6e-5, 8e-3, (1e-4, 1e-4, 6e-5)
    if name.startswith("step"):
        # The corners of this plate lie in no plane (1.6 mm on 464 mm): one reader lays the plate's x axis
        # along one edge, ours along the middle line, 0.8 mm / 464 mm / 4 = 3.5e-4 rad apart.
        force_tol, moment_tol, place_tol = 3.5e-4 * 400.0, 3.5e-4 * 400.0 * 300.0, (1e-4, 1e-4, 3.5e-4 * 250.0)
    assert np.abs(table(found, "Fx", "Fy", "Fz") - plate.lab.force_n[at]).max() < force_tol
    moments = plate.lab.moment_nm[at] * per_metre
    assert np.abs(table(found, "Mx", "My", "Mz") - moments).max() < moment_tol
    assert np.all(np.abs(table(found, "CoPx", "CoPy", "CoPz") - place).max(axis=0) < place_tol)


def test_six_encodings_of_one_trial() -> None:
    """Whole numbers and floats of three kinds of computer give the same forces, bit for bit within a kind."""
    plates = {name: c3d_plates(data_of(name), name) for name in WALKS}
    first = plates[WALKS[0]]
    for name in WALKS[1:]:
        for one, other in zip(first, plates[name], strict=True):
            assert np.array_equal(one.lab.force_n, other.lab.force_n), name
            assert np.array_equal(one.lab.moment_nm, other.lab.moment_nm), name


def test_type_4_worked_example() -> None:
    """The 22 rows of the example are exact: counts to volts, times the matrix with inputs as rows."""
    matrix = table(rows("type4_cal_matrix.csv"), "Fx", "Fy", "Fz", "Mx", "My", "Mz")
    found = rows("type4_worked_example.csv")
    counts = table(found, *(f"adc_{c}" for c in ("fx", "fy", "fz", "mx", "my", "mz")))
    scale = np.array([-0.12220625473777029] * 6)
    scale[2] = -0.12213817246862357
    expected = table(
        found, *(f"type4_{c}_N" for c in ("Fx", "Fy", "Fz")), *(f"type4_{c}_Nmm" for c in ("Mx", "My", "Mz"))
    )

    got = wrench(4, (counts - 2047.0) * scale, np.zeros(3), matrix.T)

    # Equal to the last digits of double precision (the largest number is 4e5).
    assert len(found) == 22
    assert np.abs(expected - np.hstack([got.force_n, got.moment_nm])).max() < 1e-9


def test_ignoring_the_cross_terms_costs_what_the_source_says() -> None:
    """The same step read as type 2 and as type 4 differs by 2 % of force and 17 mm of pressure."""
    force, place = {}, {}
    for name in ("step_type2", "step_type4"):
        plate = c3d_plates(data_of(name), name, zero=False)[0]
        assert plate.centre_m is not None
        assert plate.axes is not None
        flat = pressure_point(plate.plate, least_n=10.0)[1644]
        force[name] = float(plate.lab.force_n[1644, 2])
        place[name] = (plate.centre_m + np.array([*flat, 0.0]) @ plate.axes.T)[:2] * 1000.0

    assert force["step_type2"] == pytest.approx(397.85, abs=0.05)
    assert force["step_type4"] == pytest.approx(390.48, abs=0.05)
    assert place["step_type2"] == pytest.approx([319.76, 243.54], abs=0.01)
    assert place["step_type4"] == pytest.approx([337.20, 238.20], abs=0.01)


def test_landing_stands_at_its_weight() -> None:
    """The person who lands stands at 737.75 N (SD 11.4) plus the empty plate's offset; markers fall before it."""
    name = "landing_type4_y_down"
    stream = read_c3d(DATA / f"{name}.c3d").plate
    assert stream is not None
    signals = read_plate(stream)
    fz = (signals.channels @ signals.matrix.T)[:, 0]
    plain = c3d_plates(data_of(name), name, zero=False)[0].lab.force_n

    assert pytest.approx(plain[4500:5881, 1].mean(), abs=0.005) == -737.75
    assert pytest.approx(11.4, abs=0.05) == plain[4500:5881, 1].std(ddof=1)
    assert plain[:2800].mean(axis=0) == pytest.approx([5.12, 1.08, 13.30], abs=0.005)
    # Turned up, with the empty plate as zero: 737.75 + 1.08 N along y, the plate tilted by under 4 degrees.
    assert fz[4500:5881].mean() == pytest.approx(738.8, abs=3.0)
    # Independent witness of which way is up: the markers fall towards the plate before the landing (frame 420).
    height = data_of(name).points[:, 1]
    assert any("up is the laboratory's +y" in n for n in stream.notes)
    assert height[400] - height[415] > 0.1


def test_what_was_decided_is_shown() -> None:
    """Each file's notes say which way is up, whose force it is, the origin's sign, the unit and the zero."""
    notes = {n: " | ".join(read_c3d(DATA / f"{n}.c3d").plate.notes) for n in ("step_type4", "landing_type4_y_down")}  # type: ignore[union-attr]

    assert "ORIGIN pointed down and was turned over" in notes["step_type4"]
    assert "lengths and moments are in mm" in notes["step_type4"]
    assert "the numbers are the force on the lifter" in notes["step_type4"]
    assert "lengths and moments are in m and N m" in notes["landing_type4_y_down"]
    assert "the numbers are the force on the plate and were turned over" in notes["landing_type4_y_down"]
    assert "ZERO frames 1 to 16 was subtracted" in notes["landing_type4_y_down"]
    assert "inconsistent analog count" in notes["landing_type4_y_down"]
