"""Plan of a plate's calibration, and readings that were written down by hand: which mass stood where."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from pathlib import Path

import msgspec

from forcekit.acquire.toml_file import read_toml, shown, text_bytes
from forcekit.errors import InputError
from forcekit.mechanics.plate_calibration import Reading
from forcekit.mechanics.still_loads import Placement

__all__ = ["MassPlan", "placed_on", "read_plan", "read_readings"]


class _Placed(msgspec.Struct, kw_only=True, frozen=True, forbid_unknown_fields=True):
    """A mass on the plate, its middle in metres from the plate's middle."""

    mass_kg: float
    x_m: float = 0.0
    y_m: float = 0.0
    at_s: float | None = None


class MassPlan(msgspec.Struct, kw_only=True, frozen=True, forbid_unknown_fields=True):
    """Placements in the order they were taken, and how well masses and places are known."""

    placed: tuple[_Placed, ...]
    mass_u_frac: float = 0.0005
    """Relative standard uncertainty that all masses share."""
    place_u_m: float = 0.002
    """Standard uncertainty of a place."""

    @property
    def placements(self) -> tuple[Placement, ...]:
        """The placements."""
        return tuple(Placement(p.mass_kg, p.x_m, p.y_m, p.at_s) for p in self.placed)


def placed_on(placements: Sequence[Placement]) -> MassPlan:
    """Plan with these placements and the usual uncertainties."""
    return MassPlan(placed=tuple(_Placed(mass_kg=p.mass_kg, x_m=p.x_m, y_m=p.y_m, at_s=p.at_s) for p in placements))


def read_plan(path: str | Path) -> MassPlan:
    """Read a plan from TOML ([[placed]] with mass_kg, x_m, y_m) or CSV (the same as columns).

    Raises
    ------
    InputError
        If the file cannot be used.
    """
    path = Path(path)
    if path.suffix.lower() == ".toml":
        plan = read_toml(path, MassPlan)
    else:
        rows = _rows(path, ("mass_kg", "x_m", "y_m"), ("at_s",))
        plan = MassPlan(placed=tuple(_Placed(**row) for row in rows))
    if not plan.placed:
        raise InputError(f"{path.name}: the plan is empty; list each placement with mass_kg, x_m and y_m.")
    for p in plan.placed:
        _check_place(path, p.mass_kg, p.x_m, p.y_m)
    for name, u, highest in (("mass_u_frac", plan.mass_u_frac, 0.1), ("place_u_m", plan.place_u_m, 0.5)):
        if not 0.0 <= u <= highest:
            raise InputError(f"{path.name}: {name} is {u:g}; 0 to {highest:g} is allowed, so correct it.")
    return plan


def _check_place(path: Path, mass_kg: float, x_m: float, y_m: float) -> None:
    if not (0.0 <= mass_kg <= 1000.0 and abs(x_m) <= 2.0 and abs(y_m) <= 2.0):
        raise InputError(
            f"{path.name}: a placement of {mass_kg:g} kg at x = {x_m:g} m, y = {y_m:g} m cannot be; masses are "
            "0 to 1000 kg and places within 2 m of the middle, in metres."
        )


def read_readings(path: str | Path, channels: Sequence[str]) -> tuple[tuple[Reading, ...], bool] | None:
    """Readings that were written down: a CSV with a column for each cell and mass_kg, x_m, y_m, if it is one.

    Parameters
    ----------
    path : str or Path
    channels : sequence of str
        Names of the cells' channels, in order.

    Returns
    -------
    readings, and whether they have times (else they are numbered in their order); None when the file has no column
    mass_kg and so is a recording.

    Raises
    ------
    InputError
        If it has that column and cannot be used.
    """
    path = Path(path)
    if path.suffix.lower() != ".csv" or not _names_masses(path):
        return None
    rows = _rows(path, (*channels, "mass_kg"), ("x_m", "y_m", "t_s", "falling"))
    n_timed = sum("t_s" in row for row in rows)
    if 0 < n_timed < len(rows):
        raise InputError(f"{path.name}: {n_timed} of {len(rows)} readings have a t_s; give it to all or to none.")
    readings = tuple(
        Reading(
            row.get("t_s", float(i)),
            tuple(row[c] for c in channels),
            row["mass_kg"],
            row.get("x_m", 0.0),
            row.get("y_m", 0.0),
            bool(row.get("falling", 0.0)),
        )
        for i, row in enumerate(rows)
    )
    for i, r in enumerate(readings):
        _check_place(path, r.mass_kg, r.x_m, r.y_m)
        if i and not r.t_s > readings[i - 1].t_s:
            raise InputError(
                f"{path.name}, reading {i + 1}: t_s is {r.t_s:g} after {readings[i - 1].t_s:g}; write the readings in "
                "the order they were taken, or leave t_s out."
            )
    return readings, n_timed > 0


def _names_masses(path: Path) -> bool:
    """Tell whether the first line that is no comment names a column mass_kg; a recording may be in any encoding."""
    text = text_bytes(path).decode("utf-8-sig", "replace")
    first = next((line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")), "")
    return "mass_kg" in first


def _text(path: Path) -> str:
    try:
        return text_bytes(path).decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n")
    except UnicodeDecodeError as error:
        raise InputError(f"{path.name}: byte {error.start} is not UTF-8 text; save the file as UTF-8.") from None


def _rows(path: Path, needed: Sequence[str], allowed: Sequence[str]) -> list[dict[str, float]]:
    lines = [line for line in _text(path).split("\n") if line.strip() and not line.lstrip().startswith("#")]
    try:
        table = list(csv.reader(io.StringIO("\n".join(lines))))
    except csv.Error as error:
        raise InputError(f"{path.name}: this is no table of numbers ({error}); write one reading a line.") from None
    header = [h.strip() for h in table[0]] if table else []
    missing = [n for n in needed if n not in header]
    foreign = [h for h in header if h not in (*needed, *allowed)]
    if missing or foreign:
        what = f"the column {shown(missing[0])} is missing" if missing else f"the column {shown(foreign[0])} is unknown"
        raise InputError(
            f"{path.name}: {what}; the first line names the columns {', '.join(needed)}, and if wanted "
            f"{', '.join(allowed)}, with commas between."
        )
    out = []
    for i, row in enumerate(table[1:], 1):
        try:
            out.append({h: float(v) for h, v in zip(header, row, strict=True) if v.strip()})
            if not all(math.isfinite(v) for v in out[-1].values()):
                raise ValueError
        except ValueError:
            raise InputError(
                f"{path.name}, reading {i}: found {shown(','.join(row))}; {len(header)} numbers with decimal points "
                "and commas between are needed."
            ) from None
        gone = [n for n in needed if n not in out[-1]]
        if gone:
            raise InputError(f"{path.name}, reading {i}: {gone[0]} is empty; write a number.")
    return out
