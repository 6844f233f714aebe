"""What a calibration says of a plate, in the terms of force standards, and when it is refused."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forcekit.model import FloatArray
from forcekit.numbers import decimal, signed

__all__ = ["CalibrationReport", "Limits", "judge", "report_of"]


@dataclass(frozen=True, slots=True)
class Limits:
    """What is still accepted; all our choice, wide enough for a home-made plate and tight enough for its use.

    The terms follow the general words of force standards (ISO 376, from memory): fractions are of full scale,
    the greatest weight of the calibration.
    """

    linearity_frac: float = 0.005
    hysteresis_frac: float = 0.005
    repeatability_frac: float = 0.003
    zero_return_frac: float = 0.003
    corner_frac: float = 0.01
    pressure_error_m: float = 0.006
    condition: float = 20.0
    n_places: int = 9
    n_masses: int = 2


@dataclass(frozen=True, slots=True, eq=False)
class CalibrationReport:
    """How well the plate holds to its gains.

    Attributes
    ----------
    full_scale_n : float
        Greatest weight.
    linearity_frac : float
        Greatest mean deviation of a rising load, over all its places, from the fitted line.
    hysteresis_frac : float or None
        Greatest difference between rising and falling load at one place; None if no load was taken both ways.
    repeatability_frac : float or None
        Standard deviation of the same load at the same place; None if nothing was repeated.
    zero_return_frac : float
        Greatest change of the empty plate from one reading to the next.
    corner_frac : float
        Greatest mean deviation of a place from the rising loads on it (not of full scale).
    pressure_error_m, pressure_rms_m : float
        Greatest and root-mean-square distance of the pressure from the mass.
    pressure_u_m : float
        What is left of that, a coordinate, when the placing by hand is taken off.
    zero_u_n : float
        Standard deviation of the empty plate about its drift.
    drift_nps : float or None
        Drift of the empty plate; None if the readings have no times.
    condition : float
        Ratio of the best to the worst determined combination of gains.
    n_places, n_masses, n_loaded : int
    odd : tuple of str
        Readings that do not fit the others, in words.
    """

    full_scale_n: float
    linearity_frac: float
    hysteresis_frac: float | None
    repeatability_frac: float | None
    zero_return_frac: float
    corner_frac: float
    pressure_error_m: float
    pressure_rms_m: float
    pressure_u_m: float
    zero_u_n: float
    drift_nps: float | None
    condition: float
    n_places: int
    n_masses: int
    n_loaded: int
    odd: tuple[str, ...]


Load = tuple[float, float, float, bool]


def report_of(
    *,
    loaded: Sequence[Load],
    weight_n: FloatArray,
    cell_force_n: FloatArray,
    cells_m: FloatArray,
    empty_n: FloatArray,
    empty_t_s: FloatArray,
    timed: bool = True,
    condition: float,
    place_u_m: float,
) -> CalibrationReport:
    """Compare what the fitted plate says with what stood on it.

    Parameters
    ----------
    loaded : sequence of (mass kg, x m, y m, falling)
    weight_n : array, shape (n,)
    cell_force_n : array, shape (n, 4)
    cells_m : array, shape (4, 2)
    empty_n, empty_t_s : array, shape (m,)
        Sum of the empty plate with the fitted gains, and when.
    timed : bool
        False where `empty_t_s` tells no more than the order.
    condition : float
    place_u_m : float
    """
    force = cell_force_n.sum(axis=1)
    error = force - weight_n
    full = float(weight_n.max())
    place = np.array([[x, y] for _, x, y, _ in loaded])
    pressure = cell_force_n @ cells_m / force[:, None]
    offset = pressure - place
    distance = np.hypot(*offset.T)
    rms = float(np.sqrt(np.mean(offset**2)))
    zero_u, drift = _zero_noise(empty_n, empty_t_s)
    # Rising loads only: what the way down adds is hysteresis and has its own figure.
    rising = np.array([not f for *_, f in loaded])
    by_place = _groups([(x, y) for _, x, y, f in loaded if not f], (error / weight_n)[rising])
    by_load = _groups([m for m, _, _, f in loaded if not f], error[rising])
    return CalibrationReport(
        full_scale_n=full,
        linearity_frac=_worst(by_load) / full,
        hysteresis_frac=_hysteresis(loaded, force, full),
        repeatability_frac=_repeatability(loaded, force, full),
        zero_return_frac=float(np.abs(np.diff(empty_n)).max()) / full if empty_n.size > 1 else 0.0,
        corner_frac=_worst(by_place),
        pressure_error_m=float(distance.max()),
        pressure_rms_m=float(np.sqrt(np.mean(distance**2))),
        pressure_u_m=float(np.sqrt(max(rms**2 - place_u_m**2, 0.0))),
        zero_u_n=zero_u,
        drift_nps=drift if timed else None,
        condition=condition,
        n_places=len(by_place),
        n_masses=len({m for m, *_ in loaded}),
        n_loaded=len(loaded),
        odd=_odd(loaded, error, distance),
    )


def judge(report: CalibrationReport, limits: Limits, gains: FloatArray, silent: Sequence[int]) -> tuple[str, ...]:
    """Give the reasons to refuse a calibration, the root of the matter first; none when it may be used."""
    found = [f"cell {i} hardly answers to any load; check its cable" for i in silent]
    if not found:
        turned = [i + 1 for i in range(4) if gains[i] * np.median(gains) < 0.0]
        found = [f"cell {i} answers the wrong way round; exchange its signal wires" for i in turned]
    found += report.odd
    if report.n_places < limits.n_places:
        found.append(f"only {report.n_places} places were loaded; take at least {limits.n_places}, 3 by 3")
    if report.n_masses < limits.n_masses:
        found.append(f"only {report.n_masses} mass was used; take at least {limits.n_masses} different ones")
    if not report.condition <= limits.condition:
        found.append(
            f"the places do not tell the four gains apart (condition {report.condition:.0f}, at most "
            f"{limits.condition:.0f}); load nearer to the corners"
        )
    for value, limit, what, hint in (
        (report.linearity_frac, limits.linearity_frac, "linearity error", "check for a cell at its stop"),
        (report.hysteresis_frac, limits.hysteresis_frac, "hysteresis", "free the feet and the edges of the plate"),
        (report.repeatability_frac, limits.repeatability_frac, "repeatability", "tighten what is loose"),
        (report.zero_return_frac, limits.zero_return_frac, "return to zero", "let it warm up and free the edges"),
        (report.corner_frac, limits.corner_frac, "corner error", "check the places of the cells"),
    ):
        if value is not None and value > limit:
            found.append(f"{what} is {100 * value:.2f} %, at most {100 * limit:.2f} % is accepted; {hint}")
    if report.pressure_error_m > limits.pressure_error_m:
        found.append(
            f"the pressure is up to {1000 * report.pressure_error_m:.1f} mm off, at most "
            f"{1000 * limits.pressure_error_m:.1f} mm is accepted; check the places of cells and masses"
        )
    return tuple(found)


def _groups(keys: Sequence[object], values: FloatArray) -> dict[object, list[float]]:
    table: dict[object, list[float]] = defaultdict(list)
    for key, value in zip(keys, values.tolist(), strict=True):
        table[key].append(value)
    return table


def _worst(groups: dict[object, list[float]]) -> float:
    return max((abs(float(np.mean(v))) for v in groups.values()), default=0.0)


def _hysteresis(loaded: Sequence[Load], force: FloatArray, full: float) -> float | None:
    up = _groups([(m, x, y) for m, x, y, f in loaded if not f], force[[not f for *_, f in loaded]])
    down = _groups([(m, x, y) for m, x, y, f in loaded if f], force[[f for *_, f in loaded]])
    both = up.keys() & down.keys()
    if not both:
        return None
    return max(abs(float(np.mean(up[k]) - np.mean(down[k]))) for k in both) / full


def _repeatability(loaded: Sequence[Load], force: FloatArray, full: float) -> float | None:
    again = [v for v in _groups(list(loaded), force).values() if len(v) > 1]
    if not again:
        return None
    squares = sum(float(np.sum((np.array(v) - np.mean(v)) ** 2)) for v in again)
    return float(np.sqrt(squares / sum(len(v) - 1 for v in again))) / full


def _zero_noise(empty_n: FloatArray, t_s: FloatArray) -> tuple[float, float]:
    """Standard deviation of the empty plate about its drift, and the drift per second."""
    if empty_n.size < 3 or float(np.ptp(t_s)) == 0.0:
        return float(np.ptp(empty_n)), 0.0
    slope, level = np.polyfit(t_s - t_s.mean(), empty_n, 1)
    rest = empty_n - level - slope * (t_s - t_s.mean())
    return float(np.sqrt(np.sum(rest**2) / (empty_n.size - 2))), float(slope)


def _odd(loaded: Sequence[Load], error: FloatArray, distance: FloatArray) -> tuple[str, ...]:
    """Readings far from all others: a mass or a place written down wrongly, or a hand on the plate."""
    said = []
    usual = max(1.4826 * float(np.median(np.abs(error))), 1.0)
    usual_m = max(float(np.median(distance)), 0.001)
    for i, (mass, x, y, _) in enumerate(loaded):
        name = f"loaded reading {i + 1} ({mass:g} kg at {decimal(100 * x, 0)}, {decimal(100 * y, 0)} cm)"
        if abs(error[i]) > 8.0 * usual and abs(error[i]) > 0.03 * mass * 9.81:
            said.append(f"{name} is {signed(error[i] / 9.81, 2)} kg off; was that mass on the plate?")
        elif distance[i] > 8.0 * usual_m and distance[i] > 0.03:
            said.append(f"{name} has its pressure {100 * distance[i]:.0f} cm away; did it stand there?")
    return tuple(said)
