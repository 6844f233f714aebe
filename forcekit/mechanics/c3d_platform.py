"""Force platforms of the C3D format, types 1 to 4: channels to force, moment and pressure, plate to laboratory.

::

    plate frame, seen from above          corners: quadrants of the plate's x-y plane
        2 ------- 1                       1 (+,+)  2 (-,+)  3 (-,-)  4 (+,-)
        |    y    |                       x = mid(1,4) - mid(2,3)
        |    |_x  |                       y = mid(1,2) - mid(3,4)
        3 ------- 4                       z = x cross y; by convention it points down, into the plate

Everything here is in SI units; moments are given about the middle of the standing surface.

References
----------
C3D format, documentation of the FORCE_PLATFORM group (seen as carried in an open-source C3D library).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forcekit.errors import InputError
from forcekit.model import FloatArray

__all__ = ["CHANNELS", "Wrench", "flip_origin", "free_moment", "plate_axes", "pressure_point", "wrench"]

CHANNELS = {1: 6, 2: 6, 3: 8, 4: 6}
"""Type of platform -> channels it needs."""


@dataclass(frozen=True, slots=True, eq=False)
class Wrench:
    """Force and its moment about the middle of the surface, in one frame.

    Attributes
    ----------
    force_n : array, shape (n, 3), newton
    moment_nm : array, shape (n, 3), newton metre
    """

    force_n: FloatArray
    moment_nm: FloatArray

    def turned(self, axes: FloatArray) -> Wrench:
        """Give the same in another frame; the columns of `axes` are this frame's axes in that one."""
        return Wrench(self.force_n @ axes.T, self.moment_nm @ axes.T)


def plate_axes(corners_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Middle of a plate and its axes in the laboratory.

    Parameters
    ----------
    corners_m : array, shape (4, 3), metre
        Corners 1 to 4.

    Returns
    -------
    centre : array, shape (3,)
    axes : array, shape (3, 3)
        Columns are the plate's x, y, z.

    Raises
    ------
    InputError
        If the corners span no rectangle.
    """
    c = np.asarray(corners_m, np.float64)
    x = (c[0] + c[3] - c[1] - c[2]) / 2.0
    y = (c[0] + c[1] - c[2] - c[3]) / 2.0
    lengths = np.linalg.norm(x), np.linalg.norm(y)
    if not np.all(np.isfinite(c)) or min(lengths) < 0.05 or abs(x @ y) > 0.1 * lengths[0] * lengths[1]:
        raise InputError(
            f"the corners of the plate span no rectangle (sides {lengths[0]:.3g} m and {lengths[1]:.3g} m); "
            "correct FORCE_PLATFORM:CORNERS or its unit POINT:UNITS."
        )
    z = np.cross(x, y)
    z /= np.linalg.norm(z)
    x = x / lengths[0]
    # Corners are measured and a little skew: y is made square to x, as z already is.
    return c.mean(axis=0), np.column_stack([x, np.cross(z, x), z])


def flip_origin(origin_m: FloatArray) -> tuple[FloatArray, bool]:
    """Origin with the sign that a plate whose z points down must have, and whether it was changed.

    Notes
    -----
    The vector goes from the point where a force makes no moment, which lies inside the plate, up to the
    surface: with z down its third number is negative. Files with the vector the other way round are common;
    then all three numbers are turned.
    """
    if origin_m[2] > 0.0:
        return -origin_m, True
    return origin_m, False


def wrench(kind: int, channels: FloatArray, origin_m: FloatArray, cal: FloatArray | None = None) -> Wrench:
    """Force and moment in the plate's frame from the channels of a platform.

    Parameters
    ----------
    kind : 1, 2, 3 or 4
        1: Fx Fy Fz Px Py Tz. 2: Fx Fy Fz Mx My Mz about the origin. 3: fx12 fx34 fy14 fy23 fz1 fz2 fz3 fz4.
        4: six voltages, to be multiplied with `cal`.
    channels : array, shape (n, 6) or (n, 8)
        In N, N m and m; type 4 in V.
    origin_m : array, shape (3,), metre
        From the plate's origin to the middle of the surface; for type 3 the half spacings a and b of the
        sensors and the depth.
    cal : array, shape (6, 6)
        Type 4 only: force = cal @ voltage, rows Fx to Mz in N/V and N m/V.

    Raises
    ------
    InputError
        For another type, or if type 4 has no matrix.
    """
    c = np.asarray(channels, np.float64)
    o = np.asarray(origin_m, np.float64)
    if kind == 1:
        force, px, py = c[:, :3], c[:, 3], c[:, 4]
        twist = c[:, 5] + px * c[:, 1] - py * c[:, 0]
        return Wrench(force, np.column_stack([py * c[:, 2], -px * c[:, 2], twist]))
    if kind == 4:
        if cal is None:
            raise InputError(
                "a platform of type 4 needs its 6 x 6 matrix; write FORCE_PLATFORM:CAL_MATRIX into the file."
            )
        c = c[:, :6] @ np.asarray(cal, np.float64).T
    elif kind == 3:
        c = _eight_to_six(c, float(o[0]), float(o[1]))
        o = np.array([0.0, 0.0, o[2]])
    elif kind != 2:
        raise InputError(f"platforms of type {kind} are not known; types 1, 2, 3 and 4 are, so export as type 2.")
    return Wrench(c[:, :3], c[:, 3:6] - np.cross(o, c[:, :3]))


def _eight_to_six(c: FloatArray, a: float, b: float) -> FloatArray:
    """Sums of a plate with four three-component sensors at (±a, ±b)."""
    fx12, fx34, fy14, fy23, f1, f2, f3, f4 = c.T
    return np.column_stack(
        [
            fx12 + fx34,
            fy14 + fy23,
            f1 + f2 + f3 + f4,
            b * (f1 + f2 - f3 - f4),
            a * (-f1 + f2 + f3 - f4),
            b * (-fx12 + fx34) + a * (fy14 - fy23),
        ]
    )


def pressure_point(w: Wrench, *, least_n: float) -> FloatArray:
    """Centre of pressure on the surface, in the plate's frame from its middle.

    Parameters
    ----------
    w : Wrench
        In the plate's frame.
    least_n : float, newton
        Below this vertical force there is none (NaN): its uncertainty grows as one over the force.

    Returns
    -------
    array, shape (n, 2), metre
    """
    fz = np.where(np.abs(w.force_n[:, 2]) >= least_n, w.force_n[:, 2], np.nan)
    return np.column_stack([-w.moment_nm[:, 1] / fz, w.moment_nm[:, 0] / fz])


def free_moment(w: Wrench, point_m: FloatArray) -> FloatArray:
    """Moment about the vertical through the centre of pressure, in newton metre; shape (n,)."""
    px, py = point_m.T
    twist: FloatArray = w.moment_nm[:, 2] - px * w.force_n[:, 1] + py * w.force_n[:, 0]
    return twist
