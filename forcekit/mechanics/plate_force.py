"""Force and pressure on all plates of a device as they come, before any correction."""

from __future__ import annotations

import numpy as np

from forcekit.mechanics.plate_matrix import calibrated, has_positions, plate_channels
from forcekit.mechanics.timebase import Timebase
from forcekit.model import FloatArray, Stream

__all__ = ["resultant_as_it_comes", "vertical_force"]


def vertical_force(stream: Stream) -> FloatArray:
    """Vertical force on all plates of a device as it comes, shape (n,), without any correction of its zero.

    Notes
    -----
    Channel is added to channel, so that packets of any size give the same numbers to the last digit.
    """
    force = np.zeros(stream.t_s.size)
    for plate in stream.device.plates:
        if plate.kind == "cells":
            for cell in plate.cells:
                force += calibrated(stream, cell.channel, "force")
            continue
        sign = 1.0
        if plate.kind == "components":
            sign = (-1.0 if plate.acts_on == "plate" else 1.0) * (-1.0 if plate.z_axis == "down" else 1.0)
        force += sign * calibrated(stream, plate.force_z or "", "force")
    return force


def resultant_as_it_comes(stream: Stream) -> FloatArray | None:
    """Force and moments (Fz, Fx, Fy, Mx, My) about the middle of the surface, shape (n, 5), for a running display.

    None when the plates cannot say where the pressure is. For numbers use `forcekit.mechanics.plate.read_plate`.
    """
    if not all(has_positions(plate) for plate in stream.device.plates):
        return None
    n = stream.t_s.size
    as_given = Timebase(stream.t_s, 0.0, np.arange(n), np.zeros(n, dtype=bool), stream.t_s, False)
    total = np.zeros((n, 5))
    for plate in stream.device.plates:
        channels, matrix = plate_channels(stream, plate, as_given)
        total += np.column_stack(channels) @ matrix.T
    return total
