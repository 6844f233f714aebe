"""The check of every day: the empty plate and one known mass today, held against the calibration."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from forcekit.constants import STANDARD_GRAVITY_MPS2
from forcekit.errors import InputError
from forcekit.mechanics.plate_calibration import AIR_BUOYANCY
from forcekit.model import FloatArray
from forcekit.numbers import signed

__all__ = ["DailyCheck", "Gains", "daily_check"]


class Gains(Protocol):
    """What a check needs of a calibration: `PlateCalibration` has it, and a device file gives it."""

    @property
    def gains(self) -> FloatArray:
        """Newton per count, shape (k,)."""

    @property
    def gains_cov(self) -> FloatArray:
        """Their covariance, shape (k, k)."""

    @property
    def zero_counts(self) -> FloatArray:
        """The empty plate, shape (k,)."""


@dataclass(frozen=True, slots=True)
class DailyCheck:
    """What the check of today found.

    Attributes
    ----------
    zero_shift_n : float, newton
        Empty plate today less the empty plate of the calibration.
    mass_kg : float
        What the plate says the known mass is.
    error_frac : float
        Relative error of that mass.
    error_u_frac : float
        Its standard uncertainty: gains, noise and the known mass.
    place_error_m : float or None
        Distance of the pressure from where the mass stands; None if that was not given.
    verdict : "good", "doubtful" or "bad"
    sentence : str
    """

    zero_shift_n: float
    mass_kg: float
    error_frac: float
    error_u_frac: float
    place_error_m: float | None
    verdict: str
    sentence: str


def daily_check(
    calibration: Gains,
    cells_m: FloatArray,
    empty_counts: FloatArray,
    loaded_counts: FloatArray,
    mass_kg: float,
    *,
    mass_u_kg: float = 0.05,
    at_m: tuple[float, float] | None = None,
    gravity_mps2: float = STANDARD_GRAVITY_MPS2,
    bad_frac: float = 0.01,
    bad_place_m: float = 0.010,
    bad_zero_n: float = 100.0,
) -> DailyCheck:
    """Compare the empty plate and one known mass, or the lifter's scale weight, with the calibration.

    Parameters
    ----------
    calibration : Gains
    cells_m : array, shape (4, 2), metre
    empty_counts, loaded_counts : array, shape (n, 4)
        Samples of about half a minute each; steady.
    mass_kg, mass_u_kg : float
        Known mass and its standard uncertainty (0.05 kg for a weighed disc, 0.3 kg for a bathroom scale).
    at_m : (x, y), optional
        Where the mass stands.
    bad_frac, bad_place_m, bad_zero_n : float
        Beyond these the plate must not be used (1 %, 10 mm, 100 N; our choice).

    Notes
    -----
    ``good`` when the error lies within twice its uncertainty, ``doubtful`` beyond that, ``bad`` when it is beyond
    `bad_frac` for certain. A zero that moved is no fault by itself, for every recording finds its own; far off
    it means a plate that touches something or a cell that was overloaded.
    """
    empty = np.atleast_2d(np.asarray(empty_counts, np.float64))
    loaded = np.atleast_2d(np.asarray(loaded_counts, np.float64))
    if mass_kg <= 0.0:
        raise InputError(f"the known mass is {mass_kg:g} kg; a mass above 0 is needed for the check.")
    g = calibration.gains
    zero_shift = float((empty.mean(axis=0) - calibration.zero_counts) @ g)
    cells_n = (loaded.mean(axis=0) - empty.mean(axis=0)) * g
    force = float(cells_n.sum())
    found_kg = force / (gravity_mps2 * AIR_BUOYANCY)
    error = found_kg / mass_kg - 1.0
    share = cells_n / g / force
    gain_u = float(np.sqrt(share @ calibration.gains_cov @ share))
    noise = np.array([(part @ g).std() / np.sqrt(max(part.shape[0], 1)) for part in (empty, loaded)])
    u = float(np.sqrt(gain_u**2 + np.sum((noise / force) ** 2) + (mass_u_kg / mass_kg) ** 2))
    place_error = None
    if at_m is not None:
        pressure = cells_n @ np.asarray(cells_m, np.float64) / force
        place_error = float(np.hypot(*(pressure - np.array(at_m))))
    verdict, sentence = _say(found_kg, mass_kg, error, u, place_error, zero_shift, (bad_frac, bad_place_m, bad_zero_n))
    return DailyCheck(zero_shift, found_kg, error, u, place_error, verdict, sentence)


def _say(
    found_kg: float,
    mass_kg: float,
    error: float,
    u: float,
    place_error_m: float | None,
    zero_shift_n: float,
    bad: tuple[float, float, float],
) -> tuple[str, str]:
    what = f"{mass_kg:g} kg reads {found_kg:.2f} kg ({signed(100 * error, 2)} %, expected within {200 * u:.2f} %)"
    if abs(error) - 2.0 * u > bad[0]:
        return "bad", f"{what}; do not use the plate: look for something that touches it and calibrate again."
    if place_error_m is not None and place_error_m > bad[1]:
        return "bad", f"the pressure lies {1000 * place_error_m:.0f} mm from the mass; check cells and cabling."
    if abs(zero_shift_n) > bad[2]:
        return (
            "bad",
            f"the empty plate reads {signed(zero_shift_n, 0)} N; free it of what lies on or against it.",
        )
    if abs(error) > 2.0 * u:
        return "doubtful", f"{what}; repeat the check, and calibrate again if it stays so."
    return "good", f"{what}."
