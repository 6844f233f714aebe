"""The matrix that ties the channels of a force plate to the force on the lifter and where its pressure is.

Whatever the plate is made of, its channels c and the resultant R = (Fz, Fx, Fy, Mx, My) of the force on the
lifter about the middle of the standing surface are tied by one fixed matrix: R = A c. Four vertical cells, six
components with an origin below the surface, two plates side by side differ only in A. The centre of pressure is
then (-My/Fz, Mx/Fz), and every error of a channel (gain, zero, drift, noise) reaches R through the same matrix.
"""

from __future__ import annotations

import numpy as np

from forcekit.constants import unit_factor
from forcekit.mechanics.timebase import Timebase, fill
from forcekit.model import BoolArray, FloatArray, Plate, Stream

__all__ = [
    "FX",
    "FY",
    "FZ",
    "MX",
    "MY",
    "PRESSURE_FLOOR_FRAC",
    "PRESSURE_FLOOR_N",
    "calibrated",
    "component_matrix",
    "has_positions",
    "plate_channels",
    "pressure",
    "pressure_floor",
    "product_channels",
]

PRESSURE_FLOOR_N = 100.0
PRESSURE_FLOOR_FRAC = 0.10
"""No pressure is given below the larger of 100 N and 10 % of the system weight: with 1 N of noise a cell and 0.25 m
to the cells it is uncertain by 5 mm there (own derivation: u = half-length · 2σ/F)."""

FZ, FX, FY, MX, MY = range(5)


def pressure_floor(weight_n: float) -> float:
    """Vertical force (N) below which no pressure is given."""
    return max(PRESSURE_FLOOR_N, PRESSURE_FLOOR_FRAC * weight_n)


def pressure(resultant: FloatArray, floor_n: float) -> tuple[FloatArray, FloatArray]:
    """Centre of pressure (x, y) in metres; NaN where the vertical force is below the floor.

    Parameters
    ----------
    resultant : array, shape (n, 5), N and N m
    floor_n : float, newton
    """
    fz = np.where(resultant[:, FZ] >= floor_n, resultant[:, FZ], np.nan)
    return -resultant[:, MY] / fz, resultant[:, MX] / fz


def component_matrix(plate: Plate) -> FloatArray:
    """Matrix from (Fx, Fy, Fz, Mx, My) in the plate's own axes to R about the middle of its surface.

    Notes
    -----
    M at the surface = M - o x F with o from the origin to the middle of the surface (own derivation, see the
    worked case in the tests). An axis pointing down turns y and z over; a force on the plate is the lifter's
    with the other sign.
    """
    ox, oy, oz = plate.surface_from_origin_m
    fx, fy, fz, mx, my = np.eye(5)
    mx_surface = mx - (oy * fz - oz * fy)
    my_surface = my - (oz * fx - ox * fz)
    sign = -1.0 if plate.acts_on == "plate" else 1.0
    flip = -1.0 if plate.z_axis == "down" else 1.0
    return np.asarray(sign * np.array([flip * fz, fx, flip * fy, mx_surface, flip * my_surface]))


def _placed(matrix: FloatArray, plate: Plate) -> FloatArray:
    """Turn a plate's matrix about the vertical and move it to where the plate stands."""
    c, s = np.cos(np.radians(plate.turn_deg)), np.sin(np.radians(plate.turn_deg))
    out = matrix.copy()
    out[FX], out[FY] = c * matrix[FX] - s * matrix[FY], s * matrix[FX] + c * matrix[FY]
    out[MX], out[MY] = c * matrix[MX] - s * matrix[MY], s * matrix[MX] + c * matrix[MY]
    x, y = plate.centre_m
    out[MX] += y * matrix[FZ]
    out[MY] -= x * matrix[FZ]
    return out


def calibrated(stream: Stream, name: str, kind: str | tuple[str, ...]) -> FloatArray:
    """One channel in SI units, shape (m,), on the sensor's own stamps."""
    channel = stream.device.channel(name)
    factor = unit_factor(channel.unit, kind, f'{stream.device.name}, channel "{name}"')
    if channel.offset == 0.0 and channel.sign * channel.scale * factor == 1.0:
        return stream.raw[name]
    return (stream.raw[name] - channel.offset) * (channel.sign * channel.scale * factor)


def plate_channels(stream: Stream, plate: Plate, timebase: Timebase) -> tuple[list[FloatArray], FloatArray]:
    """Channels of one plate on the clock, k of shape (n,), and its placed matrix (5, k)."""

    def get(name: str, kind: str | tuple[str, ...]) -> FloatArray:
        return fill(timebase, calibrated(stream, name, kind))

    if plate.kind == "cells":
        columns = [get(cell.channel, "force") for cell in plate.cells]
        matrix = np.zeros((5, len(columns)))
        matrix[FZ] = 1.0
        if has_positions(plate):
            matrix[MX] = [cell.y_m or 0.0 for cell in plate.cells]
            matrix[MY] = [-(cell.x_m or 0.0) for cell in plate.cells]
    elif plate.kind == "components":
        names = (plate.force_x, plate.force_y, plate.force_z, plate.moment_x, plate.moment_y)
        kinds = ("force", "force", "force", "moment", "moment")
        used = [i for i, name in enumerate(names) if name is not None]
        columns = [get(names[i] or "", kinds[i]) for i in used]
        matrix = component_matrix(plate)[:, used]
    elif plate.kind == "pressure":
        fz = get(plate.force_z or "", "force")
        x = get(plate.pressure_x or "", "length")
        y = get(plate.pressure_y, "length") if plate.pressure_y else np.zeros_like(x)
        columns = [fz, fz * y, -fz * x]
        rows = [FZ, MX, MY]
        for name, row in ((plate.force_x, FX), (plate.force_y, FY)):
            if name is not None:
                columns.append(get(name, "force"))
                rows.append(row)
        matrix = np.zeros((5, len(columns)))
        matrix[rows, np.arange(len(columns))] = 1.0
    else:
        columns = [get(plate.force_z or "", "force")]
        matrix = np.zeros((5, 1))
        matrix[FZ] = 1.0
    return columns, _placed(matrix, plate)


def has_positions(plate: Plate) -> bool:
    """True when the plate can say where the pressure is."""
    if plate.kind == "cells":
        return all(cell.x_m is not None and cell.y_m is not None for cell in plate.cells)
    return plate.kind in ("components", "pressure")


def product_channels(plates: tuple[Plate, ...]) -> BoolArray:
    """Mark (True) the channels that are products Fz·position and must not be zeroed by subtraction."""
    marks: list[bool] = []
    for plate in plates:
        if plate.kind == "pressure":
            extra = sum(name is not None for name in (plate.force_x, plate.force_y))
            marks += [False, True, True] + [False] * extra
        elif plate.kind == "cells":
            marks += [False] * len(plate.cells)
        elif plate.kind == "components":
            names = (plate.force_x, plate.force_y, plate.force_z, plate.moment_x, plate.moment_y)
            marks += [False for name in names if name is not None]
        else:
            marks.append(False)
    return np.array(marks, dtype=bool)
