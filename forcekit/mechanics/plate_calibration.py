"""Calibration of a plate with four cells from known masses on a grid.

The places of the cells are known; only their four gains are fitted. A free matrix would have no unique answer: on
a rigid plate the four readings of a noise-free load are tied to one another, so they span three dimensions only.

Each loaded reading gives three equations: the cells' forces add up to the weight, and their moments about the two
axes are those of the weight at its place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import msgspec
import numpy as np
import numpy.typing as npt

from forcekit.constants import STANDARD_GRAVITY_MPS2
from forcekit.errors import InputError
from forcekit.mechanics.calibration_report import CalibrationReport, Limits, judge, report_of
from forcekit.model import Channel, DeviceFile, FloatArray

__all__ = [
    "AIR_BUOYANCY",
    "PlateCalibration",
    "Reading",
    "calibrate_plate",
    "calibrated_device",
]

AIR_BUOYANCY = 1.0 - 1.2 / 7850.0
"""Weight in air of iron over its weight in vacuum: density of air 1.2, of iron 7850 kg/m3 (tables, from memory)."""


@dataclass(frozen=True, slots=True)
class Reading:
    """Mean of the cells while nothing moves.

    Attributes
    ----------
    t_s : float, second
        When it was taken; readings stand in this order.
    counts : tuple of float
        Mean number of each cell.
    mass_kg : float
        Known mass on the plate; 0 is the empty plate.
    x_m, y_m : float, metre
        Where its middle stands, from the middle of the plate.
    falling : bool
        The load was greater before: one of the readings on the way down.
    """

    t_s: float
    counts: tuple[float, ...]
    mass_kg: float = 0.0
    x_m: float = 0.0
    y_m: float = 0.0
    falling: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class PlateCalibration:
    """Four gains, how sure they are, and what the report says of the plate.

    Attributes
    ----------
    gains : array, shape (4,), newton per count
    gains_cov : array, shape (4, 4)
        Covariance, with the common part of the masses' uncertainty.
    zero_counts : array, shape (4,)
        The last empty plate.
    report : CalibrationReport
    problems : tuple of str
        Why the calibration is refused; empty when it may be used.
    """

    gains: FloatArray
    gains_cov: FloatArray
    zero_counts: FloatArray
    report: CalibrationReport
    problems: tuple[str, ...]

    @property
    def ok(self) -> bool:
        """True when the calibration may be used."""
        return not self.problems

    @property
    def gain_u_frac(self) -> float:
        """Largest relative standard uncertainty of a gain."""
        return float(np.max(np.sqrt(np.diag(self.gains_cov)) / np.abs(self.gains)))


def calibrate_plate(
    readings: Sequence[Reading],
    cells_m: FloatArray,
    *,
    gravity_mps2: float = STANDARD_GRAVITY_MPS2,
    mass_u_frac: float = 0.0005,
    place_u_m: float = 0.002,
    limits: Limits | None = None,
    timed: bool = True,
) -> PlateCalibration:
    """Gains of four cells from known masses on a grid, with a report and, if need be, the reasons to refuse it.

    Parameters
    ----------
    readings : sequence of Reading
        In the order they were taken, an empty plate first and last and best between any two loads.
    cells_m : array, shape (4, 2), metre
        Places of the cells from the middle of the plate.
    gravity_mps2 : float
        Local gravity.
    mass_u_frac : float
        Relative standard uncertainty that all masses share (0.05 % for weighed discs; our choice).
    place_u_m : float, metre
        Standard uncertainty of a mass's place (2 mm by hand; our choice).
    limits : Limits, optional
        What is still accepted.
    timed : bool
        False where the readings' times tell no more than their order; the drift is then unknown.

    Notes
    -----
    The zero of a load is taken on the line between the empty plates before and after it. Weighted least squares;
    the scatter of the force equations and that of the moment equations are each estimated from their own residuals
    and the fit repeated with them, so neither has to be known beforehand. What all loads at a place have in common, as
    discs that are put on one another beside the mark, is told from the rest by an analysis of variance: many loads
    at one place make the gains no surer than that place is known.

    Raises
    ------
    InputError
        If there are too few readings to fit anything.
    """
    limits = limits or Limits()
    cells = np.asarray(cells_m, np.float64)
    loaded, empty = _split(readings, cells)
    counts = np.array([r.counts for r in loaded]) - _zero_of(loaded, empty)
    weight = np.array([r.mass_kg for r in loaded]) * gravity_mps2 * AIR_BUOYANCY
    place = np.array([[r.x_m, r.y_m] for r in loaded])
    matrix, target = _equations(counts, weight, place, cells)
    gains, cov = _fit(matrix, target, weight * place_u_m, _place_numbers(loaded))
    cov = cov + mass_u_frac**2 * np.outer(gains, gains)
    report = report_of(
        loaded=[(r.mass_kg, r.x_m, r.y_m, r.falling) for r in loaded],
        weight_n=weight,
        cell_force_n=counts * gains,
        cells_m=cells,
        empty_n=np.array([float(np.array(r.counts) @ gains) for r in empty]),
        empty_t_s=np.array([r.t_s for r in empty]),
        timed=timed,
        condition=_condition(matrix, weight, cells),
        place_u_m=place_u_m,
    )
    silent = _silent_cells(counts)
    problems = (*judge(report, limits, gains, silent),)
    return PlateCalibration(gains, cov, np.array(empty[-1].counts), report, problems)


def _split(readings: Sequence[Reading], cells: FloatArray) -> tuple[list[Reading], list[Reading]]:
    if cells.shape != (4, 2):
        raise ValueError("cells_m must have the shape (4, 2)")
    loaded = [r for r in readings if r.mass_kg > 0.0]
    empty = [r for r in readings if r.mass_kg == 0.0]
    places = {(round(r.x_m, 3), round(r.y_m, 3)) for r in loaded}
    if len(places) < 3 or not empty:
        raise InputError(
            f"the calibration has {len(loaded)} loaded readings at {len(places)} places and {len(empty)} of the "
            "empty plate; at least 3 places and an empty plate are needed, 3 by 3 places and two masses are good."
        )
    if any(len(r.counts) != 4 or not np.all(np.isfinite(r.counts)) for r in readings):
        raise InputError("a reading of the calibration has not four numbers; take that reading again.")
    return loaded, empty


def _zero_of(loaded: list[Reading], empty: list[Reading]) -> FloatArray:
    t = [r.t_s for r in empty]
    zeros = np.array([r.counts for r in empty])
    at = [r.t_s for r in loaded]
    return np.column_stack([np.interp(at, t, zeros[:, i]) for i in range(4)])


def _equations(
    counts: FloatArray, weight: FloatArray, place: FloatArray, cells: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Stack the rows force, moment along x, moment along y."""
    matrix = np.concatenate([counts, counts * cells[:, 0], counts * cells[:, 1]])
    target = np.concatenate([weight, weight * place[:, 0], weight * place[:, 1]])
    return matrix, target


def _place_numbers(loaded: list[Reading]) -> npt.NDArray[np.int64]:
    """Number of the place of each load, from 0."""
    places = [(round(r.x_m, 3), round(r.y_m, 3)) for r in loaded]
    return np.array([places.index(place) for place in places])


def _fit(
    matrix: FloatArray, target: FloatArray, placing_nm: FloatArray, place: npt.NDArray[np.int64]
) -> tuple[FloatArray, FloatArray]:
    """Gains and their covariance."""
    n = placing_nm.size
    sigma = np.concatenate([np.full(n, 0.1), np.maximum(placing_nm, 0.02), np.maximum(placing_nm, 0.02)])
    gains = np.zeros(4)
    for _ in range(4):
        scaled = matrix / sigma[:, None]
        gains = np.linalg.lstsq(scaled, target / sigma, rcond=None)[0]
        rest = (target - matrix @ gains) / sigma
        # Four gains are taken from 3 n equations; the loss is shared out evenly.
        share = 3.0 * n / max(3.0 * n - 4.0, 1.0)
        force_scale = max(float(np.sqrt(np.mean(rest[:n] ** 2) * share)), 1e-3)
        moment_scale = max(float(np.sqrt(np.mean(rest[n:] ** 2) * share)), 1e-3)
        sigma = sigma * np.concatenate([np.full(n, force_scale), np.full(2 * n, moment_scale)])
    scaled = matrix / sigma[:, None]
    inverse = np.linalg.pinv(scaled.T @ scaled)
    rest = (target - matrix @ gains) / sigma
    own, common = _scatter_of_places(rest[n:], np.concatenate([place, n + place]))
    middle = scaled[:n].T @ scaled[:n] + own * scaled[n:].T @ scaled[n:]
    for group in np.unique(place):
        for rows in (scaled[n : 2 * n][place == group], scaled[2 * n :][place == group]):
            middle += common * np.outer(rows.sum(axis=0), rows.sum(axis=0))
    return gains, inverse @ middle @ inverse


def _scatter_of_places(rest: FloatArray, group: npt.NDArray[np.int64]) -> tuple[float, float]:
    """Variance of the moments' residuals of a load's own, and that which all loads at a place have in common."""
    _, of, size = np.unique(group, return_inverse=True, return_counts=True)
    mean = np.bincount(of, rest) / size
    n_free = rest.size - size.size
    own = float(np.sum((rest - mean[of]) ** 2)) / n_free if n_free else 0.0
    # Two thirds of the equations are moments, and so many of the four gains are taken from them.
    between = float(np.sum(size * mean**2)) / (size.size - 8.0 / 3.0)
    return own, max(between - own, 0.0) / (rest.size / size.size)


def _condition(matrix: FloatArray, weight: FloatArray, cells: FloatArray) -> float:
    """Ratio of the best to the worst determined combination of gains, cells scaled alike.

    A matter of the places alone: forces are taken relative to the weight, moments relative to the weight at a cell.
    With the scatter as weights a quiet plate, whose forces are far better known than the places, would look bad.
    """
    arm = float(np.sqrt(np.mean(np.sum(cells**2, axis=1))))
    scaled = matrix / np.concatenate([weight, weight * arm, weight * arm])[:, None]
    lengths = np.linalg.norm(scaled, axis=0)
    if np.any(lengths == 0.0):
        return float("inf")
    return float(np.linalg.cond(scaled / lengths))


def _silent_cells(counts: FloatArray) -> list[int]:
    """Cells, from 1, that hardly answer to any load."""
    span = np.ptp(counts, axis=0)
    return [i + 1 for i in range(4) if span[i] < 0.02 * float(span.max())]


def calibrated_device(device: DeviceFile, calibration: PlateCalibration, *, plate: int = 0) -> DeviceFile:
    """Device file with the fitted gains, zeros and uncertainties in the place of the old ones.

    Parameters
    ----------
    device : DeviceFile
        Its plate must be of the kind ``cells`` with four of them, in the order of the calibration.
    calibration : PlateCalibration
    plate : int
        Which plate of the device.

    Raises
    ------
    InputError
        If the calibration was refused.
    """
    if not calibration.ok:
        raise InputError(
            f'the calibration of "{device.name}" is refused: {calibration.problems[0]}. Mend that and repeat it.'
        )
    old = device.plates[plate]
    numbers = zip(old.cells, calibration.gains.tolist(), calibration.zero_counts.tolist(), strict=True)
    fitted = {cell.channel: (gain, zero) for cell, gain, zero in numbers}
    channels = tuple(_with_gain(c, *fitted[c.name]) if c.name in fitted else c for c in device.channels)
    report = calibration.report
    new = msgspec.structs.replace(
        old,
        gain_u=calibration.gain_u_frac,
        zero_u_n=max(report.zero_u_n, 0.05),
        drift_u_nps=old.drift_u_nps if report.drift_nps is None else max(abs(report.drift_nps), 1e-4),
        position_u_m=max(report.pressure_u_m, 0.0005),
    )
    plates = tuple(new if i == plate else p for i, p in enumerate(device.plates))
    return msgspec.structs.replace(device, channels=channels, plates=plates)


def _with_gain(channel: Channel, gain: float, zero: float) -> Channel:
    sign: Literal[1, -1] = 1 if gain > 0.0 else -1
    return msgspec.structs.replace(channel, unit="N", scale=abs(gain), sign=sign, offset=zero)
