"""Columns of an unknown table to plates of single cells, and to a bar sensor."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from forcekit.acquire.propose_names import Meaning
from forcekit.acquire.propose_plates import Draft, DraftChannel, DraftPlate
from forcekit.acquire.propose_signal import force_unit, levels, rounded_offset
from forcekit.model import FloatArray

__all__ = ["draft_bar", "draft_cells"]


def draft_cells(plates: Sequence[Sequence[int]], columns: dict[int, FloatArray], meanings: Sequence[Meaning]) -> Draft:
    """Draft plates of vertical cells; their positions are left out, so no pressure is computed until they are known.

    Parameters
    ----------
    plates : sequence of sequence of int
        Columns of the cells of each plate.
    columns : dict of int to array, shape (n,)
    meanings : sequence of Meaning
    """
    draft = Draft("plate")
    everything = levels(np.sum([columns[i] for cells in plates for i in cells], axis=0))
    first = meanings[plates[0][0]]
    unit, remark = force_unit(abs(everything.load), first.unit)
    for k, cells in enumerate(plates):
        side = ("left", "right")[k] if len(plates) == 2 else ""
        out = DraftPlate("cells", f"the {side} foot (CHECK)" if side else "")
        for i in cells:
            place = meanings[i].place or str(cells.index(i) + 1)
            name = f"{side + '_' if side else ''}cell_{place.replace(' ', '_')}"
            channel = DraftChannel(name, i, unit, remark)
            if everything.load < 0.0:
                channel.sign, channel.sign_remark = -1, "seen: the numbers fall when the plate is loaded"
            if everything.offset_matters:
                channel.offset = rounded_offset(float(columns[i][everything.is_unloaded].mean()), everything.load)
            draft.channels.append(channel)
            out.cells.append((name, _where(place)))
        if side:
            y = 0.2 if side == "left" else -0.2
            out.keys.append(("centre_m", [0.0, y], "CHECK: middle of this plate (x, y) from the middle of both"))
        draft.plates.append(out)
    draft.comments.append(
        "The cells' positions are not in the file. Without them there is force but no pressure: measure them and add "
        "x_m (to the toes) and y_m (to the left), in metres from the middle of the plate, to every cell."
    )
    return draft


def _where(place: str) -> str:
    signs = {"front": "x_m = +", "rear": "x_m = -", "left": "y_m = +", "right": "y_m = -"}
    known = [f"{signs[word]}..." for word in place.split() if word in signs]
    return "CHECK: add " + (", ".join(known) if known else "x_m = ..., y_m = ...")


def draft_bar(columns: dict[int, FloatArray], meanings: Sequence[Meaning]) -> Draft | None:
    """Draft a bar sensor from accelerometer and gyroscope columns; None if there is no accelerometer of three axes.

    Parameters
    ----------
    columns : dict of int to array, shape (n,)
    meanings : sequence of Meaning
    """
    axes: dict[str, dict[str, int]] = {"acceleration": {}, "rate of turn": {}}
    for i in columns:
        m = meanings[i]
        if m.quantity in axes and m.axis in ("x", "y", "z"):
            axes[m.quantity].setdefault(m.axis, i)
    if len(axes["acceleration"]) < 3:
        return None
    draft = Draft("bar")
    for quantity, key, short in (("acceleration", "accel", "acc"), ("rate of turn", "gyro", "gyro")):
        found = axes[quantity]
        if len(found) < 3:
            continue
        values = np.array([columns[found[axis]] for axis in "xyz"])
        unit, remark = _sensor_unit(quantity, values, meanings[found["x"]].unit)
        draft.channels += [DraftChannel(f"{short}_{axis}", found[axis], unit, remark) for axis in "xyz"]
        draft.bar.append((key, [f"{short}_{axis}" for axis in "xyz"], ""))
    draft.bar.append(("from_middle_m", 0.0, "CHECK: from the bar's middle, positive to the lifter's left"))
    return draft


def _sensor_unit(quantity: str, values: FloatArray, stated: str | None) -> tuple[str, str]:
    """Unit of an inertial sensor: at rest an accelerometer shows gravity."""
    size = float(np.median(np.sqrt(np.sum(values**2, axis=0))))
    if quantity == "acceleration":
        for unit, at_rest in (("m/s2", 9.81), ("g", 1.0), ("mg", 1000.0)):
            if abs(size / at_rest - 1.0) < 0.15 and stated in (None, unit):
                known = "from the header" if stated else "CHECK: guessed"
                return unit, f"{known}; the median size is {size:.4g}, as gravity has it"
        return stated or "m/s2", f"CHECK: the median size is {size:.4g}, which is no gravity; scale is missing"
    if stated is not None:
        return stated, "from the header"
    fast = float(np.quantile(np.abs(values), 0.99))
    unit = "deg/s" if fast > 20.0 else "rad/s"
    return unit, f"CHECK: guessed, the fastest turns are {fast:.3g}"
