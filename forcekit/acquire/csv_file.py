"""A table of numbers in a text file to a `Stream`, as a device file describes it."""

from __future__ import annotations

import difflib
import unicodedata
from pathlib import Path
from typing import Literal

import numpy as np

from forcekit.acquire.csv_clock import Clock, even_clock, make_clock
from forcekit.acquire.csv_layout import Layout, find_layout
from forcekit.acquire.csv_rows import NumberTable, read_rows
from forcekit.acquire.csv_text import read_text
from forcekit.acquire.csv_units import column_unit
from forcekit.acquire.toml_file import shown
from forcekit.constants import UNITS, unit_factor
from forcekit.errors import InputError
from forcekit.model import DeviceFile, FloatArray, Stream

__all__ = ["FEWEST_SAMPLES", "find_column", "read_csv"]

FEWEST_SAMPLES = 50
"""Fewer rows than this hold no lift at any rate; our choice."""
_LARGEST_RATE_DEVIATION = 0.02
"""A time column that differs more than this from the rate in the device file is noted; our choice."""
_FEWEST_THOUSANDS = 10
"""So many numbers of either sort tell a thousands separator (our choice)."""
_FIRST_NUMBERS = 200
"""So many are looked at for it before all are (our choice)."""


def read_csv(path: str | Path, device: DeviceFile, content: bytes | None = None) -> Stream:
    """Read the channels of a device from a CSV or any other table of numbers in a text file.

    Parameters
    ----------
    path : str or Path
    device : DeviceFile
        Says which column is which channel and where the time comes from.
    content : bytes, optional
        What stands in the file, where somebody has read it already.

    Returns
    -------
    Stream
        Raw numbers as they stand in the file; times in seconds from the first sample.

    Notes
    -----
    Delimiter, decimal mark, header and first row are found from the text unless the device file states them.
    A column is named by its header text, exactly or, with a note, without regard to case and blanks, or by
    its number from 1. Of time column and rate the column is used. Everything guessed or repaired is a note.

    Raises
    ------
    InputError
        If the file cannot be read, a column is missing or ambiguous, a needed field is no number, the time
        runs backwards, or there are fewer than 50 rows.
    """
    path = Path(path)
    data, text_notes = read_text(path, device.table.encoding, content)
    layout = find_layout(data, device.table, path.name)
    names: dict[str, int] = {}
    notes = [*text_notes, *layout.notes]
    for channel in device.channels:
        address = channel.name if channel.column is None else channel.column
        names[channel.name], found = find_column(layout, address, path.name)
        notes += found
        if isinstance(address, str) and channel.scale == 1.0:  # a scale may be there to turn one unit into the other
            _refuse_other_unit(layout, names[channel.name], channel.unit, path.name)
    i_time, found = _time_column(layout, device, path.name)
    notes += found
    wanted = [*names.values(), *([] if i_time is None else [i_time])]
    table = read_rows(data, layout, wanted, path.name)
    if table.n_rows < FEWEST_SAMPLES:
        raise InputError(
            f"{path.name}: only {table.n_rows} rows of numbers, at least {FEWEST_SAMPLES} are needed; "
            "export the whole "
            "recording."
        )
    for name, i in names.items():
        _refuse_thousands(table.columns[i], f"{path.name}, the column of channel {shown(name)}", layout.decimal)
    clock, kind = _clock(table, layout, device, i_time, list(names.values()), path.name)
    whole = bool(clock.keep.all())
    raw = {name: table.columns[i] if whole else table.columns[i][clock.keep] for name, i in names.items()}
    for values in (clock.t_s, *raw.values()):
        values.setflags(write=False)
    first = None
    if i_time is not None:
        first = float(table.columns[i_time][0]) * unit_factor(device.time.unit, "time", path.name)
    return Stream(clock.t_s, raw, device, path.name, kind, (*notes, *table.notes, *clock.notes), first)


def find_column(layout: Layout, address: str | int, source: str) -> tuple[int, tuple[str, ...]]:
    """Index (from 0) of the column that a header text or a number (from 1) means, and notes.

    Parameters
    ----------
    layout : Layout
    address : str or int
    source : str
        Name of the file, for messages.

    Raises
    ------
    InputError
        If there is no such column, or more than one.
    """
    if isinstance(address, int):
        if not 1 <= address <= layout.n_columns:
            raise InputError(
                f"{source}: column {address} is asked for, but there are {layout.n_columns}; correct the device file."
            )
        return address - 1, ()
    if not layout.header:
        raise InputError(
            f"{source}: no header line names a column {shown(address)} (found {layout.n_columns} "
            "columns of numbers); "
            "write column = 1, 2, ... in the device file."
        )
    exact = [i for i, text in enumerate(layout.header) if text == address.strip()]
    alike = exact or [i for i, text in enumerate(layout.header) if _plain(text) == _plain(address)]
    if len(exact) == 1:
        return exact[0], ()
    if len(alike) == 1:
        return alike[0], (f"{source}: column {shown(layout.header[alike[0]])} was taken for {shown(address)}.",)
    if alike:
        numbers = " and ".join(str(i + 1) for i in alike)
        raise InputError(
            f"{source}: the name {shown(address)} fits columns {numbers}; write the number of the "
            "right one in the "
            "device file."
        )
    near = difflib.get_close_matches(address, layout.header, n=1, cutoff=0.5)
    hint = f" (did you mean {shown(near[0])}?)" if near else ""
    there = ", ".join(shown(text) for text in layout.header[:12]) + (", ..." if len(layout.header) > 12 else "")
    raise InputError(
        f"{source}: there is no column {shown(address)}{hint}; the columns are {there}, so correct the device file."
    )


def _plain(text: str) -> str:
    return "".join(unicodedata.normalize("NFKC", text).casefold().split())


def _refuse_other_unit(layout: Layout, i: int, unit: str, source: str) -> None:
    """Refuse a column whose header states another unit than the device file: one of them is wrong."""
    stated = column_unit(layout, i)
    if stated is not None and UNITS[stated] != UNITS[unit]:
        raise InputError(
            f'{source}, column {shown(layout.header[i])}: the table says its unit is "{stated}", the device file says '
            f'"{unit}"; correct the device file, or name the column by its number {i + 1} if the table is wrong.'
        )


def _refuse_thousands(values: FloatArray, where: str, mark: str) -> None:
    """Refuse whole numbers with a thousands separator that looks like the decimal mark: 998, 999, 1.001.

    No sensor has decimals between 1 and 100 alone, three at most, and whole numbers from 100 to 999.
    """
    first = values[:_FIRST_NUMBERS]
    decimals = np.abs(first[first != np.rint(first)])
    if decimals.size and (decimals.min() < 1.0 or decimals.max() >= 100.0):
        return  # as nearly every recording shows at once
    broken = values != np.rint(values)
    size = np.abs(values)
    if not broken.any() or size[broken].min() < 1.0 or size[broken].max() >= 100.0 or size.max() > 999.0:
        return
    thousands = 1000.0 * values[broken]
    hundreds = values[~broken & (size >= 100.0)]
    if min(thousands.size, hundreds.size) >= _FEWEST_THOUSANDS and np.allclose(
        thousands, np.rint(thousands), rtol=0.0, atol=1e-6
    ):
        one = f"{values[broken][0]:.3f}".replace(".", mark)
        raise InputError(
            f"{where}: {one} stands among numbers such as {hundreds[0]:.0f}, so that the {shown(mark)} seems to be a "
            "thousands separator; export without it."
        )


def _time_column(layout: Layout, device: DeviceFile, source: str) -> tuple[int | None, tuple[str, ...]]:
    column, rate_hz = device.time.column, device.time.rate_hz
    if column is not None:
        i, notes = find_column(layout, column, source)
        if isinstance(column, str):
            _refuse_other_unit(layout, i, device.time.unit, source)
        return i, notes
    if rate_hz is None:
        raise InputError(
            f"{source}: the device file {shown(device.name)} gives neither a time column nor a rate; "
            "write column = ... "
            "or rate_hz = ... in its [time]."
        )
    return None, ()


def _clock(
    table: NumberTable, layout: Layout, device: DeviceFile, i_time: int | None, data: list[int], source: str
) -> tuple[Clock, Literal["stamps", "rate"]]:
    rate_hz = device.time.rate_hz
    if i_time is None:
        return even_clock(table.n_rows, rate_hz or 0.0), "rate"
    title = f' "{layout.header[i_time]}"' if layout.header else f" {i_time + 1}"
    clock = make_clock(
        table.columns[i_time],
        unit_factor(device.time.unit, "time", source),
        [table.columns[i] for i in data],
        f"{source}, time column{title}",
        table.line_of,
    )
    if rate_hz is None:
        return clock, "stamps"
    found_hz = (clock.t_s.size - 1) / float(clock.t_s[-1])
    note = f"{source}: the time column was used and the rate of {rate_hz:g} Hz in the device file was not"
    if abs(found_hz / rate_hz - 1.0) > _LARGEST_RATE_DEVIATION:
        note += f", although the column means {found_hz:.5g} Hz on average"
    return Clock(clock.t_s, clock.keep, (*clock.notes, note + ".")), "stamps"
