"""Plate calibration: true gains come back within their uncertainty, bad plates are refused for the right reason."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from forcekit.errors import InputError
from forcekit.mechanics.calibration_report import Limits
from forcekit.mechanics.daily_check import daily_check
from forcekit.mechanics.plate_calibration import (
    AIR_BUOYANCY,
    PlateCalibration,
    Reading,
    calibrate_plate,
    calibrated_device,
)
from forcekit.model import Cell, Channel, DeviceFile, FloatArray, Plate

CELLS = np.array([[0.25, -0.2], [0.25, 0.2], [-0.25, -0.2], [-0.25, 0.2]])
GAINS = np.array([0.0125, 0.0118, 0.0131, 0.0127])
ZERO = np.array([812.0, -90.0, 120.0, 455.0])
G = 9.81
GRID = [(x, y) for x in (-0.18, 0.0, 0.18) for y in (-0.14, 0.0, 0.14)]

Fault = Callable[[FloatArray, FloatArray, bool], FloatArray]


def share(weight: float, x: float, y: float, twist: float) -> FloatArray:
    """Share a weight among four cells of a rigid plate; `twist` is the part statics leaves open."""
    rows = np.vstack([np.ones(4), CELLS.T])
    return np.linalg.pinv(rows) @ (weight * np.array([1.0, x, y])) + twist * np.array([1.0, -1.0, -1.0, 1.0])


def session(
    seed: int,
    *,
    masses: tuple[float, ...] = (20.0, 60.0),
    grid: list[tuple[float, float]] = GRID,
    place_sd_m: float = 0.001,
    noise_counts: float = 8.0,
    drift_nps: float = 0.0005,
    fault: Fault | None = None,
    stacked: bool = False,
) -> list[Reading]:
    """Make a session: each place up and down through the masses, an empty plate between places.

    With `stacked` all discs of a place stand beside its mark alike, else each by an error of its own.
    """
    rng = np.random.default_rng(seed)
    t = 0.0
    made = []

    def take(mass: float, x: float, y: float, falling: bool) -> None:
        nonlocal t
        t += 20.0
        at = np.array([x, y]) + (beside if stacked else rng.normal(0.0, place_sd_m, 2))
        # Feet on a floor that is not quite flat: the share of the cells wanders by 2 % of the weight.
        force = share(mass * G * AIR_BUOYANCY, *at, twist=rng.normal(0.0, 0.02) * mass * G)
        if fault is not None:
            force = fault(force, at, falling)
        counts = ZERO + (force + drift_nps * t / 4.0) / GAINS + rng.normal(0.0, noise_counts, 4)
        made.append(Reading(t, tuple(counts.tolist()), mass, x, y, falling))

    beside = np.zeros(2)
    take(0.0, 0.0, 0.0, False)
    for x, y in grid:
        beside = rng.normal(0.0, place_sd_m, 2) if stacked else beside
        for mass in masses:
            take(mass, x, y, False)
        for mass in masses[-2::-1]:
            take(mass, x, y, True)
        take(0.0, 0.0, 0.0, False)
    return made


def calibrate(readings: list[Reading], **options: object) -> PlateCalibration:
    """Calibrate with local gravity and exact masses."""
    return calibrate_plate(readings, CELLS, gravity_mps2=G, place_u_m=0.001, **options)  # type: ignore[arg-type]


def test_without_noise_it_is_exact() -> None:
    """Gains come back to the last digits although the four readings are statically indeterminate."""
    found = calibrate(session(1, place_sd_m=0.0, noise_counts=0.0, drift_nps=0.0))

    assert found.gains == pytest.approx(GAINS, rel=1e-10)
    assert found.ok
    assert found.report.condition < 10.0
    assert found.report.pressure_error_m < 1e-9


def test_a_free_matrix_would_have_no_answer() -> None:
    """Without twist the readings span three dimensions only, which is why the places of the cells are used."""
    forces = np.array([share(200.0, x, y, 0.0) for x, y in GRID])

    assert np.linalg.matrix_rank(forces, tol=1e-9) == 3


@pytest.mark.parametrize("stacked", [False, True])
def test_gains_lie_within_their_uncertainty(stacked: bool) -> None:
    """Over 100 sessions the normalised errors of the gains have the spread they claim, stacked discs or not."""
    scores = []
    for seed in range(100):
        found = calibrate(session(seed, stacked=stacked), mass_u_frac=1e-9)
        scores.append((found.gains - GAINS) / np.sqrt(np.diag(found.gains_cov)))
    z = np.array(scores)

    # 100 sessions of 4 gains that hang together: about 150 free numbers, so the spread is known to 6 %.
    assert np.sqrt(np.mean(z**2)) == pytest.approx(1.0, abs=0.25)
    assert np.mean(np.abs(z) < 1.96) > 0.90


def test_report_of_a_good_plate() -> None:
    """Every figure of a good plate is small, and the uncertainties are those that were put in."""
    found = calibrate(session(3, drift_nps=0.005))
    r = found.report

    assert found.problems == ()
    assert r.full_scale_n == pytest.approx(60.0 * G, rel=1e-3)
    assert r.linearity_frac < 0.001
    assert r.hysteresis_frac is not None
    assert r.hysteresis_frac < 0.002
    # Placing by 1 mm a coordinate: the distance has 1.41 mm root mean square.
    assert r.pressure_rms_m == pytest.approx(0.00141, rel=0.3)
    # An empty plate has 8 counts of noise a cell, 0.2 N in all; ten of them over 800 s: u = 2.5e-4 N/s.
    assert r.drift_nps == pytest.approx(0.005, abs=7.5e-4)
    assert 0.0 < found.gain_u_frac < 0.002


def lagging(force: FloatArray, _: FloatArray, falling: bool) -> FloatArray:
    """Stick: the plate holds on to 8 N on the way down."""
    return force + (2.0 if falling else 0.0)


def bending(force: FloatArray, _: FloatArray, __: bool) -> FloatArray:
    """Give 3 % less at full load."""
    return force * (1.0 - 0.03 * force.sum() / 590.0)


def touching(force: FloatArray, at: FloatArray, _: bool) -> FloatArray:
    """Rest on something at one edge: a part of the load goes past the cells."""
    return force * (0.9 if at[0] > 0.1 else 1.0)


@pytest.mark.parametrize(
    ("fault", "reason"),
    [
        (lagging, r"hysteresis is 1\.\d+ %, at most 0\.50 % is accepted; free the feet"),
        (bending, r"linearity error is \d\.\d+ %"),
        (touching, r"corner error is \d\.\d+ %"),
        (lambda f, _, __: f * np.array([1.0, 0.0, 1.0, 1.0]), "cell 2 hardly answers to any load"),
        (lambda f, _, __: f * np.array([1.0, 1.0, -1.0, 1.0]), "cell 3 answers the wrong way round"),
    ],
)
def test_bad_plates_are_refused(fault: Fault, reason: str) -> None:
    """A plate that sticks, bends, touches, or has a dead or crossed cell is refused and the reason named."""
    found = calibrate(session(5, fault=fault))

    assert not found.ok
    assert any(re.search(reason, p) for p in found.problems), found.problems


def test_mistakes_of_the_hand_are_named() -> None:
    """A mass or a place written down wrongly is named by its reading, not blamed on the plate."""
    readings = session(6)
    which = [i for i, r in enumerate(readings) if r.mass_kg == 60.0]
    heavy, moved = list(readings), list(readings)
    heavy[which[4]] = replace(readings[which[4]], mass_kg=50.0)
    moved[which[2]] = replace(readings[which[2]], y_m=0.0)

    assert "60 kg" not in calibrate(heavy).problems[0]
    assert "50 kg at 0, 0 cm) is +" in calibrate(heavy).problems[0]
    assert "did it stand there?" in calibrate(moved).problems[0]


def test_too_little_is_refused() -> None:
    """Too few places or masses are refused; nothing at all to fit is an error."""
    few = calibrate(session(7, grid=GRID[:4]))
    one = calibrate(session(7, masses=(60.0,)))

    assert any("only 4 places were loaded" in p for p in few.problems)
    assert any("only 1 mass was used" in p for p in one.problems)
    with pytest.raises(InputError, match="at least 3 places and an empty plate are needed"):
        calibrate(session(7, grid=GRID[:2]))


def test_all_in_the_middle_is_ill_conditioned() -> None:
    """Places near the middle do not tell the gains apart; the condition says so."""
    near = [(0.02 * x, 0.02 * y) for x in (-1, 0, 1) for y in (-1, 0, 1)]
    found = calibrate(session(8, grid=near, fault=lambda f, _, __: np.full(4, f.mean())))

    assert found.report.condition > 20.0
    assert any("do not tell the four gains apart" in p for p in found.problems)


def test_the_device_file_gets_gains_and_uncertainties() -> None:
    """A good calibration changes scale, zero and uncertainties of its channels; a refused one is not written."""
    channels = tuple(Channel(name=n, unit="kgf", sign=-1) for n in ("fr", "fl", "br", "bl"))
    cells = tuple(Cell(channel=c.name, x_m=x, y_m=y) for c, (x, y) in zip(channels, CELLS.tolist(), strict=True))
    device = DeviceFile(name="p", kind="plate", channels=channels, plates=(Plate(kind="cells", cells=cells),))
    found = calibrate(session(3))

    made = calibrated_device(device, found)

    assert [c.scale * c.sign for c in made.channels] == pytest.approx(found.gains.tolist())
    assert [c.offset for c in made.channels] == found.zero_counts.tolist()
    assert {c.unit for c in made.channels} == {"N"}
    assert made.plates[0].gain_u == found.gain_u_frac
    assert made.plates[0].cells == cells
    with pytest.raises(InputError, match="is refused: hysteresis is"):
        calibrated_device(device, calibrate(session(5, fault=lagging)))


def counts_of(mass: float, at: tuple[float, float], seed: int, gain: float = 1.0) -> FloatArray:
    """Make samples of half a minute with a mass on the plate."""
    rng = np.random.default_rng(seed)
    force = share(mass * G * AIR_BUOYANCY, *at, twist=0.0) if mass else np.zeros(4)
    return ZERO + gain * force / GAINS + rng.normal(0.0, 80.0, (3000, 4))


@pytest.mark.parametrize(
    ("gain", "at", "verdict", "words"),
    [
        (1.0, (0.05, 0.0), "good", "20 kg reads"),
        (1.006, (0.05, 0.0), "doubtful", "repeat the check"),
        (1.05, (0.05, 0.0), "bad", "do not use the plate"),
        (1.0, (0.05, 0.03), "bad", "the pressure lies 30 mm from the mass"),
    ],
)
def test_daily_check(gain: float, at: tuple[float, float], verdict: str, words: str) -> None:
    """The daily check passes a good plate, doubts one that is 0.6 % off and forbids one that is 5 % off."""
    calibration = calibrate(session(9))

    found = daily_check(
        calibration,
        CELLS,
        counts_of(0.0, (0, 0), 1),
        counts_of(20.0, at, 2, gain),
        20.0,
        mass_u_kg=0.01,
        at_m=(0.05, 0.0),
        gravity_mps2=G,
    )

    assert found.verdict == verdict
    assert words in found.sentence
    assert abs(found.error_frac - (gain - 1.0)) < 3.0 * found.error_u_frac


def test_daily_check_of_the_zero() -> None:
    """Something heavy left on the plate is found by its zero."""
    calibration = calibrate(session(9))
    empty = counts_of(15.0, (0.0, 0.0), 1)

    found = daily_check(calibration, CELLS, empty, empty + 20.0 * G / 4 / GAINS, 20.0, mass_u_kg=0.2, gravity_mps2=G)

    assert found.verdict == "bad"
    assert "the empty plate reads +147 N" in found.sentence
    with pytest.raises(InputError, match="a mass above 0 is needed"):
        daily_check(calibration, CELLS, empty, empty, 0.0)


def test_limits_are_settings() -> None:
    """Who accepts more hysteresis may say so."""
    readings = session(5, fault=lagging)

    assert not calibrate(readings).ok
    loose = Limits(
        hysteresis_frac=0.02, linearity_frac=0.02, corner_frac=0.05, zero_return_frac=0.02, pressure_error_m=0.02
    )
    assert calibrate(readings, limits=loose).ok
