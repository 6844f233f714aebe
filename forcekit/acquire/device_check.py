"""Does a device file or an attempt card make sense? The first mistake found is raised."""

from __future__ import annotations

import codecs
import math
from collections import Counter
from collections.abc import Iterator

import msgspec
import numpy as np

from forcekit.acquire.toml_file import shown
from forcekit.constants import UNITS, unit_factor
from forcekit.errors import InputError
from forcekit.model import AttemptCard, Cell, DeviceFile, Plate

__all__ = ["HIGHEST_RATE_HZ", "LOWEST_RATE_HZ", "check_card", "check_device"]

LOWEST_RATE_HZ = 20.0
HIGHEST_RATE_HZ = 20000.0
"""A rate outside is a wrong unit or a wrong file: plates run at 100 to 2000 Hz (our choice of limits)."""

LEAST_OF_MATRIX = 0.1
"""A calibration matrix that shortens a direction to less than this part of it loses that direction (our choice)."""

SMALLEST_CELL_SPREAD_M = 0.01
"""Cells nearer than this to one straight line cannot tell the pressure across it (our choice)."""

_NEEDED = {
    "cells": (),
    "components": ("force_z", "moment_x", "moment_y"),
    "pressure": ("force_z", "pressure_x"),
    "vertical": ("force_z",),
}
_PLACES = ("force_x", "force_y", "force_z", "moment_x", "moment_y", "moment_z", "pressure_x", "pressure_y")
_QUANTITY = {"force": "force", "moment": "moment", "pressure": "length"}

_LIMITS: dict[str, tuple[float, float, str]] = {
    "rate_hz": (LOWEST_RATE_HZ, HIGHEST_RATE_HZ, "Hz"),
    "x_m": (-2.0, 2.0, "metres"),
    "y_m": (-2.0, 2.0, "metres"),
    "surface_from_origin_m": (-0.5, 0.5, "metres"),
    "centre_m": (-3.0, 3.0, "metres"),
    "from_middle_m": (-1.2, 1.2, "metres"),
    "turn_deg": (-360.0, 360.0, "degrees"),
    "gain_u": (0.0, 0.5, "a fraction (0.005 is half a percent)"),
    "zero_u_n": (0.0, 1000.0, "newtons"),
    "drift_u_nps": (0.0, 100.0, "newtons per second"),
    "position_u_m": (0.0, 0.5, "metres"),
    "heel_line_m": (-1.5, 1.5, "metres"),
    "heel_line_u_m": (0.0, 0.5, "metres"),
    "latitude_deg": (-90.0, 90.0, "degrees"),
    "height_m": (-500.0, 9000.0, "metres"),
    "load_kg": (0.0, 600.0, "kilograms"),
    "body_mass_kg": (20.0, 300.0, "kilograms"),
    "stature_m": (0.9, 2.6, "metres"),
    "foot_length_m": (0.12, 0.42, "metres"),
    "foot_length_u_m": (0.0, 0.1, "metres"),
    "shoe_size_mm": (120.0, 420.0, "millimetres (the Mondopoint size, not the EU, UK or US one)"),
    "header_rows": (0.0, 10000.0, "lines"),
    "baud": (1.0, 1e8, "baud"),
    "tick_s": (1e-12, 10.0, "seconds"),
    "accel_bias_u_mps2": (0.0, 10.0, "metres per second squared"),
    "accel_scale_u": (0.0, 0.5, "a fraction (0.005 is half a percent)"),
    "gyro_scale_u": (0.0, 0.5, "a fraction (0.005 is half a percent)"),
    "accel_noise": (0.0, 10.0, "metres per second squared per root hertz"),
    "gyro_noise": (0.0, 10.0, "radians per second per root hertz"),
}
"""Key -> lowest and highest value and unit: wide enough for every real plate and lifter, narrow enough to
catch millimetres written for metres (our choice)."""


def check_device(device: DeviceFile, source: str) -> None:
    """Raise an InputError if a device file contradicts itself.

    Parameters
    ----------
    device : DeviceFile
    source : str
        Name of its file, for the message.

    Notes
    -----
    Checked are: finite numbers within sensible limits, units of the right kind, every channel named by a
    plate or bar sensor there, no name or column used twice, what each kind of plate needs. A rate or a time
    column is required unless the device is live (its frames bring the time).
    """
    _check_numbers(device, source)
    _check_table(device, source)
    _check_channels(device, source)
    if device.kind == "plate":
        if not device.plates:
            raise InputError(f'{source}: kind is "plate" but there is no [[plates]] section; add one.')
        if device.bar is not None:
            raise InputError(
                f'{source}: kind is "plate" but there is a [bar] section; give the bar its own device file.'
            )
        for i, plate in enumerate(device.plates, 1):
            _check_plate(device, plate, f"{source}, [[plates]] number {i}")
    else:
        _check_bar(device, source)


def check_card(card: AttemptCard, source: str) -> None:
    """Raise an InputError if an attempt card holds a number no lifter has, such as a stature of 178 m."""
    _check_numbers(card, source)


_HUGE = 10**300
"""Whole numbers are cut to this before they are compared with the limits, which all lie far below."""


def _numbers(section: msgspec.Struct, where: str) -> Iterator[tuple[str, str, float]]:
    """Every number in a section and below: (where, key, value)."""
    for key in section.__struct_fields__:
        value = getattr(section, key)
        items = value if isinstance(value, tuple) else (value,)
        for i, item in enumerate(items, 1):
            if isinstance(item, msgspec.Struct):
                label = f"[[{key}]] number {i}" if isinstance(value, tuple) else f"[{key}]"
                yield from _numbers(item, f"{where}, {label}")
                continue
            for number in item if isinstance(item, tuple) else (item,):
                if isinstance(number, float) or (isinstance(number, int) and not isinstance(number, bool)):
                    # A whole number may be larger than any float.
                    yield where, key, float(min(max(number, -_HUGE), _HUGE)) if isinstance(number, int) else number


def _check_numbers(section: msgspec.Struct, source: str) -> None:
    for where, key, value in _numbers(section, source):
        if not math.isfinite(value):
            raise InputError(f"{where}: {key} is {value}; a finite number is needed, write one or leave the key out.")
        low, high, unit = _LIMITS.get(key, (-math.inf, math.inf, ""))
        if not low <= value <= high:
            raise InputError(f"{where}: {key} is {value:g}; allowed is {low:g} to {high:g} {unit}, so correct it.")


def _check_table(device: DeviceFile, source: str) -> None:
    table, time = device.table, device.time
    try:
        codecs.lookup(table.encoding)
    except (LookupError, ValueError):
        raise InputError(
            f"{source}, [table]: the encoding {shown(table.encoding)} is not known; "
            'write "utf-8", "latin-1" or "utf-16", or leave the key out.'
        ) from None
    if table.delimiter is not None and table.delimiter not in (",", ";", "\t", " ", "|", "tab", "space"):
        raise InputError(
            f"{source}, [table]: the delimiter is {shown(table.delimiter)}; "
            'allowed are ",", ";", "tab", "space" and "|", or leave the key out.'
        )
    if table.delimiter == "," and table.decimal == ",":
        raise InputError(
            f"{source}, [table]: the comma cannot be both delimiter and decimal mark; export with semicolons."
        )
    if time.column is None and time.rate_hz is None and device.link is None:
        raise InputError(
            f"{source}, [time]: neither a time column nor a rate is given; write column = ... with "
            "the header "
            "text of the time, or rate_hz = ... with the samples per second the device was set to."
        )


def _check_channels(device: DeviceFile, source: str) -> None:
    if not device.channels:
        raise InputError(f"{source}: there are no [[channels]]; add one for each column that is used.")
    for i, channel in enumerate(device.channels, 1):
        where = f"{source}, [[channels]] number {i} ({shown(channel.name)})"
        if not channel.name.strip():
            raise InputError(f"{source}, [[channels]] number {i}: the name is empty; give it one.")
        if isinstance(channel.column, int) and channel.column < 1:
            raise InputError(f"{where}: column is {channel.column}; columns count from 1, so correct it.")
        unit_factor(channel.unit, tuple({kind for kind, _ in UNITS.values()}), where)
        if channel.scale == 0.0:
            raise InputError(f"{where}: scale is 0; write {channel.unit} per number of the file.")
        low, high = channel.lowest, channel.highest
        if low is not None and high is not None and low >= high:
            raise InputError(f"{where}: lowest is {low:g} and highest {high:g}; exchange or correct them.")
    if isinstance(device.time.column, int) and device.time.column < 1:
        raise InputError(f"{source}, [time]: column is {device.time.column}; columns count from 1.")
    names = Counter(channel.name for channel in device.channels)
    columns = Counter(channel.name if channel.column is None else channel.column for channel in device.channels)
    for what, counter in (("name", names), ("column", columns)):
        double = [value for value, n in counter.items() if n > 1]
        if double:
            raise InputError(
                f"{source}, [[channels]]: the {what} {shown(double[0])} is used twice; give each channel its own."
            )
    if device.time.column is not None and device.time.column in columns:
        raise InputError(
            f"{source}, [time]: the column {shown(device.time.column)} is the time and a channel at once; "
            "correct one of them."
        )


def _check_use(device: DeviceFile, name: str, quantity: str, where: str) -> None:
    """Check that a channel exists and measures this quantity."""
    channel = next((c for c in device.channels if c.name == name), None)
    if channel is None:
        there = ", ".join(shown(c.name) for c in device.channels)
        raise InputError(f"{where}: there is no channel {shown(name)}; name one of {there}, or add it.")
    unit_factor(channel.unit, quantity, f"{where}, channel {shown(name)}")


def _check_plate(device: DeviceFile, plate: Plate, where: str) -> None:
    used = {key: str(getattr(plate, key)) for key in _PLACES if getattr(plate, key) is not None}
    missing = [key for key in _NEEDED[plate.kind] if key not in used]
    if missing:
        raise InputError(f'{where}: a plate of kind "{plate.kind}" needs {missing[0]}; write the name of its channel.')
    for key, name in used.items():
        _check_use(device, name, _QUANTITY[key.split("_")[0]], f"{where}, {key}")
    named = [*used.values(), *(cell.channel for cell in plate.cells)]
    for name, n in Counter(named).items():
        if n > 1:
            raise InputError(f"{where}: the channel {shown(name)} is named twice; give each place its own.")
    if plate.kind == "cells":
        _check_cells(device, plate.cells, where)
        if "force_z" in used:
            raise InputError(f"{where}: with cells the vertical force is their sum; remove force_z.")
    elif plate.cells:
        raise InputError(f'{where}: it has cells but kind is "{plate.kind}"; write kind = "cells" or remove them.')
    if plate.kind == "components" and plate.surface_from_origin_m[2] != 0.0:
        for key in ("force_x", "force_y"):
            if key not in used:
                raise InputError(
                    f"{where}: with the origin {abs(plate.surface_from_origin_m[2]):g} m off the surface the "
                    f"pressure needs {key} too; name its channel or set surface_from_origin_m to zeros."
                )


def _check_cells(device: DeviceFile, cells: tuple[Cell, ...], where: str) -> None:
    if not cells:
        raise InputError(f'{where}: a plate of kind "cells" needs cells; write cells = [{{channel = ...}}, ...].')
    for cell in cells:
        _check_use(device, cell.channel, "force", f"{where}, cells")
    given = [(cell.x_m, cell.y_m) for cell in cells]
    known = [(x, y) for x, y in given if x is not None and y is not None]
    if any(x is not None or y is not None for x, y in given) and len(known) < len(cells):
        cell = next(c for c in cells if c.x_m is None or c.y_m is None)
        raise InputError(
            f"{where}, cell {shown(cell.channel)}: x_m or y_m is missing; give both for every cell, or for "
            "none (then there is force but no pressure)."
        )
    if not known:
        return
    if len(known) < 3:
        raise InputError(
            f"{where}: {len(known)} cells with positions cannot tell where the pressure is; give at least 3, "
            "or leave x_m and y_m out to use the force alone."
        )
    xy = np.array(known) - np.mean(known, axis=0)
    if float(np.linalg.svd(xy, compute_uv=False)[1]) < SMALLEST_CELL_SPREAD_M:
        raise InputError(
            f"{where}: the cells lie on one straight line, so the pressure across it is not measured; "
            "correct x_m and y_m (metres from the middle, x to the toes, y to the left)."
        )


def _check_bar(device: DeviceFile, source: str) -> None:
    if device.plates:
        raise InputError(f'{source}: kind is "bar" but there are [[plates]]; give the plate a device file of its own.')
    if device.bar is None:
        raise InputError(f'{source}: kind is "bar" but there is no [bar] section; add one with accel = [x, y, z].')
    where = f"{source}, [bar]"
    for key, quantity in (("accel", "acceleration"), ("gyro", "rate of turn")):
        names: tuple[str, ...] | None = getattr(device.bar, key)
        for name in names or ():
            _check_use(device, name, quantity, f"{where}, {key}")
        if names and len(set(names)) < 3:
            raise InputError(f"{where}, {key}: a channel is named twice; name the three axes x, y, z.")
    shaft, up = device.bar.shaft_axis, device.bar.up_axis
    if shaft is not None and up is not None and shaft[-1] == up[-1]:
        raise InputError(
            f'{where}: shaft_axis is "{shaft}" and up_axis "{up}", but the shaft lies level; correct one of them.'
        )
    for key in ("accel_matrix", "gyro_matrix") if device.bar.calibration is not None else ():
        matrix = np.array(getattr(device.bar.calibration, key))
        if float(np.linalg.svd(matrix, compute_uv=False)[-1]) < LEAST_OF_MATRIX:
            raise InputError(
                f"{where}, [calibration]: {key} turns three axes into fewer; calibrate the sensor again, or leave the "
                "key out."
            )
