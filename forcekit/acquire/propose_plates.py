"""Columns of an unknown table to plates or a bar sensor: which kind, which axis is up, which sign, which unit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from forcekit.acquire.propose_names import Meaning
from forcekit.acquire.propose_signal import Levels, force_unit, length_unit, levels, rounded_offset
from forcekit.constants import UNITS
from forcekit.model import BoolArray, FloatArray

__all__ = ["Draft", "DraftChannel", "DraftPlate", "draft_plates", "group_columns"]

_UP = {
    "z": {"x": ("x", 1), "y": ("y", 1), "z": ("z", 1)},
    "y": {"x": ("x", 1), "y": ("z", -1), "z": ("y", 1)},
    "x": {"x": ("y", 1), "y": ("z", 1), "z": ("x", 1)},
}
"""Axis of the file that points up -> for each of our axes, the file's axis and its sign (right-handed stays so)."""

NEAR_M = 0.0003
"""A centre of pressure agrees with one computed from the moments within 0.3 mm: printed whole millimetres are off by
0.25 mm at the median, an origin 40 mm below the surface by more (our choice)."""
APART_M = 0.08
"""Mean pressures of the two feet further apart than this are given in one common frame (our choice)."""


@dataclass(slots=True)
class DraftChannel:
    """One channel to be written, with what is to be said about its settings."""

    name: str
    i_column: int
    unit: str = "N"
    unit_remark: str = ""
    offset: float = 0.0
    sign: int = 1
    sign_remark: str = ""


@dataclass(slots=True)
class DraftPlate:
    """One plate to be written: (key, value, remark) in order, and cells as (channel, remark)."""

    kind: str
    kind_remark: str = ""
    keys: list[tuple[str, object, str]] = field(default_factory=list)
    cells: list[tuple[str, str]] = field(default_factory=list)


@dataclass(slots=True)
class Draft:
    """Everything a proposal says beyond layout and time."""

    kind: str
    channels: list[DraftChannel] = field(default_factory=list)
    plates: list[DraftPlate] = field(default_factory=list)
    bar: list[tuple[str, object, str]] = field(default_factory=list)
    comments: list[str] = field(default_factory=list)

    def say(self, comment: str) -> None:
        """Add a comment once."""
        if comment not in self.comments:
            self.comments.append(comment)


def group_columns(meanings: Sequence[Meaning], usable: Sequence[int]) -> dict[str, dict[tuple[str, str], int]]:
    """Sort columns by plate: group -> (quantity, axis) -> column; numbers become groups when there are several.

    Parameters
    ----------
    meanings : sequence of Meaning
    usable : sequence of int
        Columns to look at.
    """
    known = [i for i in usable if meanings[i].quantity in ("force", "moment", "pressure", "free moment")]
    several = len({meanings[i].place for i in known if meanings[i].place.isdigit()}) > 1
    groups: dict[str, dict[tuple[str, str], int]] = {}
    for i in known:
        m = meanings[i]
        group = m.place if several and not m.group else m.group
        groups.setdefault(group, {}).setdefault((m.quantity, m.axis), i)
    return {name: columns for name, columns in groups.items() if any(q == "force" for q, _ in columns)}


def draft_plates(
    groups: dict[str, dict[tuple[str, str], int]], columns: dict[int, FloatArray], meanings: Sequence[Meaning]
) -> Draft:
    """Draft one plate or two from columns sorted by `group_columns`.

    Parameters
    ----------
    groups : dict
    columns : dict of int to array, shape (n,)
    meanings : sequence of Meaning
    """
    draft = Draft("plate")
    names = [name for name in groups if name not in ("", "sum")]
    if len(names) == 2:
        names.sort(key=lambda name: (name != "left", name))
        if len(groups) > 2:
            draft.comments.append(_about_sum(groups, names, columns))
    else:
        names = ["sum"] if "sum" in groups else ["" if "" in groups else names[0]]
        if len(groups) > 1:
            draft.comments.append("More than two groups of forces were found; only one is used.")
    ups = {name: _vertical_axis(groups[name], columns) for name in names}
    found = {name: levels(columns[groups[name]["force", ups[name]]]) for name in names}
    total = abs(sum(level.load for level in found.values()))
    for k, name in enumerate(names):
        prefix = "" if len(names) == 1 else (f"{name}_" if not name.isdigit() else f"plate{name}_")
        side = {"left": "left", "right": "right"}.get(name, ("left", "right")[k]) if len(names) == 2 else ""
        plate = _Plate(groups[name], columns, meanings, ups[name], found[name], total, prefix)
        _draft_plate(draft, plate, side, is_named=name in ("left", "right"))
    if len(names) == 2:
        _place_two(draft, columns)
    return draft


def _about_sum(
    groups: dict[str, dict[tuple[str, str], int]], names: Sequence[str], columns: dict[int, FloatArray]
) -> str:
    """Say whether the columns that are neither of the two plates are their sum."""
    other = next(name for name in groups if name not in names)
    up = _vertical_axis(groups[other], columns)
    parts = [groups[name].get(("force", up)) for name in names]
    if None in parts:
        return "CHECK: there are forces besides those of the two plates; they are not used."
    both = np.sum([columns[i] for i in parts if i is not None], axis=0)
    apart = float(np.median(np.abs(columns[groups[other]["force", up]] - both)))
    if apart < 0.01 * float(np.median(np.abs(both))):
        return f"Seen: the force of both plates together is the sum of the two within {apart:.2g}, so it is not used."
    return f"CHECK: the columns of both plates together differ from the sum of the two by {apart:.3g}; not used."


@dataclass(frozen=True, slots=True, eq=False)
class _Plate:
    """One plate while it is being drafted."""

    of: dict[tuple[str, str], int]
    columns: dict[int, FloatArray]
    meanings: Sequence[Meaning]
    up: str
    level: Levels
    total_load: float
    prefix: str

    @property
    def i_up(self) -> int:
        """Column of the vertical force."""
        return self.of["force", self.up]

    @property
    def loaded(self) -> BoolArray:
        """True for samples with at least half of the load."""
        values = self.columns[self.i_up] - (self.level.unloaded or 0.0)
        return np.asarray(values * np.sign(self.level.load) > 0.5 * abs(self.level.load))

    def column(self, quantity: str, axis: str) -> tuple[int, int] | None:
        """Column and sign of one of our axes, None if the table has none."""
        theirs, sign = _UP.get(self.up, _UP["z"])[axis]
        i = self.of.get((quantity, theirs))
        return None if i is None else (i, sign)


def _vertical_axis(of: dict[tuple[str, str], int], columns: dict[int, FloatArray]) -> str:
    """Axis of the file that carries the weight."""
    loads = {axis: abs(levels(columns[i]).load) for (quantity, axis), i in of.items() if quantity == "force"}
    return max(loads, key=lambda axis: (loads[axis], axis in ("z", "v")))


def _draft_plate(draft: Draft, plate: _Plate, side: str, *, is_named: bool) -> None:
    unit, remark = force_unit(plate.total_load, plate.meanings[plate.i_up].unit)
    negative = plate.level.load < 0.0
    moments = [plate.column("moment", axis) for axis in "xy"]
    ready = plate.column("pressure", "x")
    kind = "components" if None not in moments else "pressure" if ready else "vertical"
    out = DraftPlate(kind)
    up = DraftChannel(f"{plate.prefix}force_z", plate.i_up, unit, remark)
    if plate.level.offset_matters:
        up.offset = rounded_offset(plate.level.unloaded or 0.0, plate.level.load)
    if negative and kind != "components":
        up.sign, up.sign_remark = -1, "seen: the numbers fall when the plate is loaded"
    if side:
        sure = "from the headers" if is_named else "CHECK: which plate is under which foot is guessed"
        out.kind_remark = f"the {side} foot, {sure}"
    draft.channels.append(up)
    if plate.up in ("x", "y"):
        draft.say(
            f"Seen: {plate.up.upper()} carries the weight, so it points up in this file; its axes were turned to "
            "x forward, y left, z up."
        )
    for axis in "xy":
        _add(draft, out, plate, "force", axis, unit, "as the vertical force")
    if kind == "components":
        for axis in "xy":
            _add(draft, out, plate, "moment", axis, *_moment_unit(plate, axis, unit))
        if negative:
            out.keys.append(
                (
                    "z_axis",
                    "down",
                    'CHECK: Fz is negative under load; or is it the force on the plate (acts_on = "plate")?',
                )
            )
        _compare_pressure(draft, out, plate, unit)
    elif kind == "pressure":
        for axis in "xy":
            found = plate.column("pressure", axis)
            if found is not None:
                inside = plate.columns[found[0]][plate.loaded]
                _add(draft, out, plate, "pressure", axis, *length_unit(inside, plate.meanings[found[0]].unit))
    if kind != "vertical":
        draft.say(
            "CHECK the directions: lean to the toes and the pressure must move to larger x, lean to the left and it "
            "must move to larger y; otherwise turn the plate (turn_deg) or the signs."
        )
    out.keys.insert(0, ("force_z", up.name, ""))
    draft.plates.append(out)


def _add(draft: Draft, out: DraftPlate, plate: _Plate, quantity: str, axis: str, unit: str, remark: str) -> None:
    """Add the channel of one quantity and axis, if the table has it."""
    found = plate.column(quantity, axis)
    if found is None:
        return
    i, sign = found
    stated = plate.meanings[i].unit
    if stated is not None and UNITS[stated][0] == UNITS[unit][0]:
        unit, remark = stated, "from the header"
    name = f"{plate.prefix}{quantity}_{axis}"
    why = "" if sign == 1 else "turned, so that y points to the left"
    draft.channels.append(DraftChannel(name, i, unit, remark, sign=sign, sign_remark=why))
    key = f"{quantity}_{axis}"
    out.keys.append(
        (key, name, {"force_x": "CHECK: positive to the toes?", "force_y": "CHECK: to the left?"}.get(key, ""))
    )


def _moment_unit(plate: _Plate, axis: str, force: str) -> tuple[str, str]:
    """Unit of a moment: a lever of more than 1.5 m would mean newton millimetres."""
    found = plate.column("moment", axis)
    i = found[0] if found else plate.i_up
    loaded = plate.loaded
    newtons = np.abs(plate.columns[plate.i_up][loaded]) * UNITS[force][1]
    lever = float(np.median(np.abs(plate.columns[i][loaded]) / newtons)) if loaded.any() else 0.0
    unit = "N mm" if lever > 1.5 else "N m"
    return unit, f"CHECK: guessed from a lever of {lever * UNITS[unit][1]:.3f} m"


def _compare_pressure(draft: Draft, out: DraftPlate, plate: _Plate, unit: str) -> None:
    """Compare ready centres of pressure with the moments; find from them where the origin is."""
    ready = [plate.column("pressure", axis) for axis in "xy"]
    by_name = {channel.name: channel for channel in draft.channels}
    loaded = plate.loaded
    if ready[0] is None or ready[1] is None or loaded.sum() < 10:
        remark = "CHECK: from the point where a force makes no moment to the middle of the surface (x, y, z)"
        out.keys.append(("surface_from_origin_m", [0.0, 0.0, 0.0], remark))
        return

    def si(name: str) -> FloatArray | None:
        channel = by_name.get(f"{plate.prefix}{name}")
        if channel is None:
            return None
        return plate.columns[channel.i_column][loaded] * channel.sign * UNITS[channel.unit][1]

    fz, mx, my = si("force_z"), si("moment_x"), si("moment_y")
    if fz is None or mx is None or my is None:
        return
    computed = [-my / fz, mx / fz]
    best = ("", np.inf)
    for length in ("m", "cm", "mm"):
        given = [plate.columns[c[0]][loaded] * c[1] * UNITS[length][1] for c in ready if c]
        apart = max(float(np.median(np.abs(a - b))) for a, b in zip(computed, given, strict=True))
        if apart < best[1]:
            best = (length, apart)
    if best[1] <= NEAR_M:
        draft.comments.append(
            f"Seen: the ready centre of pressure (in {best[0]}) equals -My/Fz and Mx/Fz within {1e3 * best[1]:.2g} mm, "
            "so the moments are taken about the surface, and it is computed from them."
        )
        return
    draft.comments.append(
        "CHECK: the ready centre of pressure differs from -My/Fz and Mx/Fz by "
        f"{1e3 * best[1]:.3g} mm at best; the origin of the moments may lie below the surface."
    )
    fx, fy = si("force_x"), si("force_y")
    if fx is None or fy is None:
        return
    given = [plate.columns[c[0]][loaded] * c[1] * UNITS[best[0]][1] for c in ready if c]
    # x·Fz + My = oz·Fx − ox·Fz and y·Fz − Mx = oz·Fy − oy·Fz, solved for the origin by least squares.
    zero = np.zeros_like(fz)
    left = np.vstack([np.column_stack([-fz, zero, fx]), np.column_stack([zero, -fz, fy])])
    right = np.concatenate([given[0] * fz + my, given[1] * fz - mx])
    origin = np.linalg.lstsq(left, right, rcond=None)[0]
    out.keys.append(
        ("surface_from_origin_m", [round(float(o), 4) for o in origin], "CHECK: fitted to the ready pressure")
    )


def _place_two(draft: Draft, columns: dict[int, FloatArray]) -> None:
    """Say where two plates stand; where ready pressures are far apart they already share one frame."""
    by_name = {channel.name: channel for channel in draft.channels}
    means = []
    for plate in draft.plates:
        name = next((str(value) for key, value, _ in plate.keys if key == "pressure_y"), None)
        if name is not None:
            channel = by_name[name]
            means.append(float(np.median(columns[channel.i_column])) * channel.sign * UNITS[channel.unit][1])
    common = len(means) == 2 and abs(means[0] - means[1]) > APART_M
    if common and means[0] < means[1]:
        for channel in draft.channels:
            if channel.name.endswith(("pressure_y", "force_y")):
                channel.sign *= -1
                channel.sign_remark = "turned, because the left foot must lie at larger y (CHECK x too)"
    for plate, y in zip(draft.plates, (0.2, -0.2), strict=True):
        if common:
            remark = "seen: both pressures are given in one common frame"
            plate.keys.append(("centre_m", [0.0, 0.0], remark))
        else:
            remark = "CHECK: middle of this plate (x, y) from the middle between the plates"
            plate.keys.append(("centre_m", [0.0, y], remark))
