"""C3D files: what they leave open is decided by rules that are shown; bad ones are refused in words."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from forcekit.acquire.c3d_file import load_c3d, read_c3d
from forcekit.errors import InputError
from forcekit.mechanics.plate import read_plate
from forcekit.mechanics.plate_matrix import pressure
from forcekit.model import FloatArray
from tests.acquire.c3d_writer import write_c3d

# A plate of 0.6 m by 0.4 m with its z down: corner 1 is (+x, +y) of a frame whose y is the laboratory's -y.
CORNERS_M = np.array([[0.3, -0.2, 0.0], [-0.3, -0.2, 0.0], [-0.3, 0.2, 0.0], [0.3, 0.2, 0.0]])
ORIGIN_M = np.array([0.001, -0.002, -0.04])
CHANNEL = np.arange(1, 7)[None, :]
N = 400


def standing() -> FloatArray:
    """Six channels about the origin, plate frame (z down): nothing for 0.1 s, then 800 N at (0.05, -0.03)."""
    force = np.tile([20.0, -10.0, -800.0], (N, 1))
    arm = ORIGIN_M + np.array([0.05, 0.03, 0.0])  # laboratory y = -0.03 is plate y = +0.03
    channels = np.hstack([force, np.cross(arm, force)])
    channels[:100] = 0.0
    return channels


def platform(**changes: Any) -> dict[str, Any]:
    """Give the parameters of that plate in millimetres."""
    plain = {
        "USED": 1,
        "TYPE": np.array([2]),
        "CHANNEL": CHANNEL,
        "CORNERS": CORNERS_M[None] * 1000.0,
        "ORIGIN": ORIGIN_M[None] * 1000.0,
        "ZERO": np.array([1, 50]),
    }
    return {k: v for k, v in (plain | changes).items() if v is not None}


def in_mm(channels: FloatArray) -> FloatArray:
    """Give moments in newton millimetre."""
    return channels * np.array([1.0, 1.0, 1.0, 1000.0, 1000.0, 1000.0])


def reading(path: Path, **options: Any) -> tuple[FloatArray, FloatArray, FloatArray, tuple[str, ...]]:
    """Read a file with the plate mathematics: resultant and pressure in the lifter's axes, notes."""
    stream = read_c3d(path, **options).plate
    assert stream is not None
    signals = read_plate(stream)
    resultant = signals.channels @ signals.matrix.T
    x, y = pressure(resultant, 100.0)
    return resultant, x, y, stream.notes


def said(notes: tuple[str, ...], text: str) -> bool:
    """Tell whether one of the notes says this."""
    return any(text in n for n in notes)


# Files hold 32-bit numbers: 2^-24 of 800 N and of 0.3 m, summed.
TOLERANCE_N, TOLERANCE_M = 2e-4, 1e-6


def test_standing_is_pushed_up_where_the_feet_are(tmp_path: Path) -> None:
    """Force, pressure and horizontal force come out in the lifter's axes, with the decisions shown."""
    r, x, y, notes = reading(write_c3d(tmp_path / "a.c3d", in_mm(standing()), platform()))

    assert np.allclose(r[150:, 0], 800.0, atol=TOLERANCE_N)
    assert np.allclose(r[150:, 1], 20.0, atol=TOLERANCE_N)
    assert np.allclose(r[150:, 2], 10.0, atol=TOLERANCE_N)
    assert np.allclose(x[150:], 0.05, atol=TOLERANCE_M)
    assert np.allclose(y[150:], -0.03, atol=TOLERANCE_M)
    assert said(notes, "up is the laboratory's +z, against the plate's z axis")
    assert said(notes, "forward is the laboratory's +x (assumed")
    assert said(notes, "the numbers are the force on the lifter")
    assert said(notes, "mean of the ZERO frames 1 to 50 was subtracted")


@pytest.mark.parametrize(
    ("change", "note"),
    [
        ({"ORIGIN": -ORIGIN_M[None] * 1000.0}, "ORIGIN pointed down and was turned over"),
        ({"ZERO": np.array([200, 260])}, "the plate is loaded in the ZERO frames 200 to 260"),
        ({"ZERO": np.array([1, 0])}, "the file names no ZERO frames"),
        ({"ZERO": None}, "the file names no ZERO frames"),
        ({"ZERO": np.array([900, 950])}, "lie outside the recording"),
    ],
)
def test_pitfalls_do_not_change_the_answer(tmp_path: Path, change: dict[str, Any], note: str) -> None:
    """An origin turned round and unusable ZERO frames are met, said, and give the same numbers."""
    _, x, y, notes = reading(write_c3d(tmp_path / "a.c3d", in_mm(standing()), platform(**change)))

    assert np.allclose(x[150:], 0.05, atol=TOLERANCE_M)
    assert np.allclose(y[150:], -0.03, atol=TOLERANCE_M)
    assert said(notes, note)


def test_force_on_the_plate_is_turned_over(tmp_path: Path) -> None:
    """A file that holds the force on the plate gives the same force on the lifter and the same pressure."""
    r, x, _, notes = reading(write_c3d(tmp_path / "a.c3d", -in_mm(standing()), platform()))

    assert np.allclose(r[150:, 0], 800.0, atol=TOLERANCE_N)
    assert np.allclose(x[150:], 0.05, atol=TOLERANCE_M)
    assert said(notes, "the numbers are the force on the plate and were turned over")


def test_metres(tmp_path: Path) -> None:
    """A file in metres gives the same numbers; without a unit it is told by the size of the plate."""
    meters = platform(CORNERS=CORNERS_M[None], ORIGIN=ORIGIN_M[None])
    for units, note in (("m", "in m and N m, as POINT:UNITS says"), ("", "POINT:UNITS is missing; m was assumed")):
        _, x, _, notes = reading(write_c3d(tmp_path / "a.c3d", standing(), meters, units=units))

        assert np.allclose(x[150:], 0.05, atol=TOLERANCE_M)
        assert said(notes, note)


def test_a_vertical_that_is_not_z(tmp_path: Path) -> None:
    """In a laboratory whose y points up, and with a marker above the plate, the numbers are the same."""
    turn = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]])  # z becomes y
    path = write_c3d(
        tmp_path / "a.c3d",
        in_mm(standing()),
        platform(CORNERS=(CORNERS_M @ turn.T)[None] * 1000.0),
        marker=(0.0, 900.0, 0.0),
    )

    r, x, y, notes = reading(path)

    assert np.allclose(r[150:, 0], 800.0, atol=TOLERANCE_N)
    assert np.allclose(x[150:], 0.05, atol=TOLERANCE_M)
    assert np.allclose(y[150:], -0.03, atol=TOLERANCE_M)
    assert said(notes, "up is the laboratory's +y, the side of the plate on which the markers are")


def test_forward_is_chosen(tmp_path: Path) -> None:
    """Who faces the laboratory's -y has its -y as x and its x as y; the vertical is refused as forward."""
    path = write_c3d(tmp_path / "a.c3d", in_mm(standing()), platform())

    _, x, y, notes = reading(path, forward="-y")

    assert np.allclose(x[150:], 0.03, atol=TOLERANCE_M)
    assert np.allclose(y[150:], 0.05, atol=TOLERANCE_M)
    assert said(notes, "forward is the laboratory's -y (as asked for)")
    with pytest.raises(InputError, match="is the vertical of this laboratory; name another axis"):
        read_c3d(path, forward="z")


def test_two_platforms(tmp_path: Path) -> None:
    """Two plates side by side: forces add, the pressure lies between them in one frame."""
    both = np.hstack([standing(), standing() * 0.5])
    shift = np.array([0.0, 0.5, 0.0])
    two = platform(
        USED=2,
        TYPE=np.array([2, 2]),
        CHANNEL=np.arange(1, 13).reshape(2, 6),
        CORNERS=np.stack([CORNERS_M, CORNERS_M + shift]) * 1000.0,
        ORIGIN=np.stack([ORIGIN_M, ORIGIN_M]) * 1000.0,
    )
    scale = np.tile([1.0, 1.0, 1.0, 1000.0, 1000.0, 1000.0], 2)

    r, x, y, _ = reading(write_c3d(tmp_path / "a.c3d", both * scale, two))

    assert np.allclose(r[150:, 0], 1200.0, atol=2 * TOLERANCE_N)
    assert np.allclose(x[150:], 0.05, atol=TOLERANCE_M)
    # Two thirds at -0.25 - 0.03 and one third at +0.25 - 0.03 from the middle of both plates.
    assert np.allclose(y[150:], -0.03 - 0.25 / 3.0, atol=TOLERANCE_M)


def test_no_geometry(tmp_path: Path) -> None:
    """A file without corners gives the vertical force, and says why there is no pressure."""
    path = write_c3d(tmp_path / "a.c3d", in_mm(standing()), platform(CORNERS=None))

    r, _, _, notes = reading(path)

    stream = read_c3d(path).plate
    assert stream is not None
    assert not read_plate(stream).has_pressure
    assert np.allclose(r[150:, 0], 800.0, atol=TOLERANCE_N)
    assert said(notes, "no CORNERS: the place of the plate is not known, so no pressure is given")


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"USED": 0}, "there is no force platform in this file"),
        ({"TYPE": np.array([7])}, "type 7 is not known; types 1 to 4 are"),
        ({"CHANNEL": np.array([[1, 2, 3, 4, 5, 60]])}, "needs 6 channels, FORCE_PLATFORM:CHANNEL names"),
        ({"TYPE": np.array([4])}, "type 4 needs FORCE_PLATFORM:CAL_MATRIX"),
        ({"CORNERS": np.ones((1, 4, 3))}, "the corners of the plate span no rectangle"),
    ],
)
def test_what_cannot_be_understood(tmp_path: Path, change: dict[str, Any], sentence: str) -> None:
    """Parameters that contradict themselves are refused with the name of the parameter."""
    with pytest.raises(InputError, match=sentence):
        read_c3d(write_c3d(tmp_path / "a.c3d", in_mm(standing()), platform(**change)))


def test_cut_short(tmp_path: Path) -> None:
    """A file that ends in the middle of its data gives what is there and says so."""
    path = write_c3d(tmp_path / "a.c3d", in_mm(standing()), platform())
    path.write_bytes(path.read_bytes()[:7000])

    r, _, _, notes = reading(path)

    assert 150 < r.shape[0] < N
    assert np.allclose(r[150:, 0], 800.0, atol=TOLERANCE_N)
    assert said(notes, f"it ends after frame {r.shape[0] // 10} of 40")


def test_foreign_bytes(tmp_path: Path) -> None:
    """Noise, an empty file and a file without its data are refused; a crash of the reader stays in its process."""
    path = tmp_path / "a.c3d"
    whole = write_c3d(path, in_mm(standing()), platform()).read_bytes()
    for data in (b"", np.random.default_rng(1).bytes(3000), whole[:700], whole[:1030]):
        path.write_bytes(data)
        with pytest.raises(InputError, match=r"a\.c3d: it cannot be read as C3D \(.+\); export it again"):
            load_c3d(path)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"USED": 3}, "USED says 3 platforms, but 1 are described"),
        ({"CORNERS": CORNERS_M[:2][None] * 1000.0}, "CORNERS holds 6 numbers, 12 are needed"),
        ({"ORIGIN": np.array([[0.0, 0.0]])}, "ORIGIN holds 2 numbers, 3 are needed"),
        ({"TYPE": np.array([4]), "CAL_MATRIX": np.eye(5)[None]}, "CAL_MATRIX holds 25 numbers, 36 are needed"),
    ],
)
def test_parameters_that_hold_too_little(tmp_path: Path, change: dict[str, Any], sentence: str) -> None:
    """A file whose parameters are cut short is refused with the parameter."""
    path = write_c3d(tmp_path / "a.c3d", in_mm(standing()), platform(**change))
    with pytest.raises(InputError, match=sentence):
        read_c3d(path)


def test_samples_that_hold_no_number_are_missing(tmp_path: Path) -> None:
    """Samples without a finite number leave a gap; the force around it is as it was."""
    channels = in_mm(standing())
    channels[200:203, 2] = np.nan
    stream = read_c3d(write_c3d(tmp_path / "a.c3d", channels, platform())).plate
    assert stream is not None
    signals = read_plate(stream)

    assert said(stream.notes, "3 samples hold no finite number and were left out")
    assert [200, 201, 202] == np.flatnonzero(signals.missing).tolist()
    assert np.allclose(signals.force_n[150:], 800.0, atol=TOLERANCE_N)
