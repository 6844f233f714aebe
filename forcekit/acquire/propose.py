"""A first device file for a table that nobody described yet: what was seen, what was guessed, what is missing."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Literal

import numpy as np
import tomlkit

from forcekit.acquire.csv_layout import Layout, find_layout
from forcekit.acquire.csv_rows import read_rows
from forcekit.acquire.csv_text import read_text
from forcekit.acquire.propose_names import Meaning, find_cells, read_headers
from forcekit.acquire.propose_plates import Draft, draft_plates, group_columns
from forcekit.acquire.propose_sensors import draft_bar, draft_cells
from forcekit.acquire.propose_signal import TimeGuess, find_time, levels, stated_rate
from forcekit.acquire.toml_file import shown
from forcekit.constants import UNITS
from forcekit.errors import InputError
from forcekit.model import FloatArray, Table

__all__ = ["propose_device"]

_DELIMITER_WORDS = {"\t": "tabs", ";": "semicolons", ",": "commas", "|": "bars", " ": "blanks"}
_FEWEST_ROWS = 50
_SIX = ("force x", "force y", "force z", "moment x", "moment y", "moment z")


def propose_device(
    path: str | Path, *, rate_hz: float | None = None, kind: Literal["plate", "bar"] | None = None
) -> str:
    """Look at an unknown table and write the text of a device file for it.

    Parameters
    ----------
    path : str or Path
        A CSV or other table of numbers in a text file.
    rate_hz : float, optional
        Sampling rate; needed when the table has no time column.
    kind : "plate" or "bar", optional
        Which device to describe when the table holds both; the plate by default.

    Returns
    -------
    str
        TOML with comments. What is only a guess is marked ``CHECK``. The text loads as a device file; where
        the rate is missing it stands commented out and loading says so.

    Raises
    ------
    InputError
        If the file cannot be read, has fewer than 50 rows, or no column looks like a load or an acceleration.
    """
    path = Path(path)
    data, text_notes = read_text(path, "utf-8")
    layout = find_layout(data, Table(), path.name)
    numeric = [i for i, is_numeric in enumerate(layout.numeric) if is_numeric]
    table = read_rows(data, layout, numeric, path.name)
    if table.n_rows < _FEWEST_ROWS:
        raise InputError(
            f"{path.name}: only {table.n_rows} rows of numbers, at least {_FEWEST_ROWS} are needed to see what they "
            "are; give a longer recording."
        )
    seen = stated_rate(layout) if rate_hz is None else None
    meanings = read_headers(layout)
    time = find_time(table.columns, meanings, rate_hz or (seen[0] if seen else None))
    columns = {i: v for i, v in table.columns.items() if i != time.i_column}
    meanings = _with_guesses(meanings, columns, bool(layout.header))
    draft = _draft(columns, meanings, kind, path.name)
    head = _head(path, layout, table.n_rows, [*text_notes, *layout.notes, *table.notes])
    lines = [*head, *_time_lines(time, layout, rate_hz, seen), *_device_lines(draft, layout)]
    return "\n".join(_noted(lines, draft, layout, time)).rstrip() + "\n"


def _draft(columns: dict[int, FloatArray], meanings: Sequence[Meaning], kind: str | None, source: str) -> Draft:
    cells = [found for found in find_cells(meanings) if _carry_together(found, columns)]
    groups = group_columns(meanings, list(columns))
    bar = draft_bar(columns, meanings)
    if kind == "bar" or not (cells or groups):
        if bar is not None:
            return bar
        raise InputError(
            f"{source}: no column looks like {'a bar sensor' if kind == 'bar' else 'a load or an acceleration'}; "
            "check that this is the right file, or write its device file by hand."
        )
    draft = draft_cells(cells, columns, meanings) if cells else draft_plates(groups, columns, meanings)
    if bar is not None:
        where = ", ".join(str(channel.i_column + 1) for channel in bar.channels)
        draft.comments.append(
            f"Columns {where} look like an accelerometer or gyroscope: propose the file for a bar to describe them."
        )
    return draft


def _carry_together(cells: Sequence[int], columns: dict[int, FloatArray]) -> bool:
    """Tell whether columns share one load: all have a part of it, with one sign."""
    if not all(i in columns for i in cells):
        return False
    whole = levels(np.sum([columns[i] for i in cells], axis=0))
    at_load = np.abs(np.sum([columns[i] for i in cells], axis=0) - whole.loaded) < 0.2 * abs(whole.load)
    empty = whole.is_unloaded
    parts = [
        float(columns[i][at_load].mean()) - (float(columns[i][empty].mean()) if empty.any() else 0.0) for i in cells
    ]
    return bool(at_load.any()) and all(0.02 < part / whole.load < 0.9 for part in parts if whole.load)


def _with_guesses(meanings: list[Meaning], columns: dict[int, FloatArray], has_header: bool) -> list[Meaning]:
    """Give columns a meaning by their numbers where no header gave one."""
    if any(m.quantity in ("force", "acceleration") for m in meanings) or find_cells(meanings):
        return meanings
    out = list(meanings)
    loads = {i: abs(levels(values).load) for i, values in columns.items() if not meanings[i].quantity}
    free = list(loads)
    if not free:
        return out
    heaviest = max(free, key=lambda i: loads[i])
    alike = [i for i in free if loads[i] > 0.1 * loads[heaviest]]
    guesses: dict[int, str] = {}
    if len(free) in (3, 6) and _is_gravity([columns[i] for i in free[:3]]):
        words = ("acceleration x", "acceleration y", "acceleration z", "turn x", "turn y", "turn z")
        guesses = dict(zip(free, words, strict=False))
    elif len(free) in (4, 8) and len(alike) == len(free) and _carry_together(free, columns):
        return [replace(m, quantity="force", place=str(free.index(i) + 1), stem="") if i in free else m
                for i, m in enumerate(out)]  # fmt: skip
    elif len(free) == 2 and len(alike) == 2:
        return [replace(m, quantity="force", place=str(free.index(i) + 1)) if i in free else m
                for i, m in enumerate(out)]  # fmt: skip
    elif len(free) in (6, 8) and heaviest == free[2]:
        guesses = dict(zip(free, (*_SIX, "pressure x", "pressure y"), strict=False))
    elif len(free) == 3:
        guesses = dict(zip(free, _SIX[:3], strict=True))
    elif not has_header or loads[heaviest] > 20.0:
        guesses = {heaviest: "force v"}
    for i, guess in guesses.items():
        quantity, axis = guess.split()
        out[i] = replace(out[i], quantity="rate of turn" if quantity == "turn" else quantity, axis=axis)
    return out


def _is_gravity(values: Sequence[FloatArray]) -> bool:
    size = float(np.median(np.sqrt(np.sum(np.square(values), axis=0))))
    return any(abs(size / at_rest - 1.0) < 0.1 for at_rest in (9.81, 1.0, 1000.0))


def _head(path: Path, layout: Layout, n_rows: int, notes: Sequence[str]) -> list[str]:
    words = _DELIMITER_WORDS[layout.delimiter] if layout.n_columns > 1 else "no delimiter"
    rows = f"{layout.first_line} line{'s' * (layout.first_line != 1)} before the numbers"
    header = "a header" if layout.header else "no header"
    units = " and a units row" if layout.units else ""
    return [
        f"# A first device file for {path.name}. Look at every line marked CHECK before you trust a number.",
        f'# Seen: {words}, decimal "{layout.decimal}", {rows}, {header}{units}, {layout.n_columns} columns, '
        f"{n_rows} rows.",
        *[f"# {note}" for note in notes],
    ]


def _value(value: object) -> str:
    return tomlkit.item(value).as_string()


def _line(key: str, value: object, remark: str = "") -> str:
    return f"{key} = {_value(value)}" + (f"  # {remark}" if remark else "")


def _address(layout: Layout, i: int) -> str | int:
    """Header text of a column if it names only this one, else its number."""
    text = layout.header[i] if layout.header else ""
    return text if text and layout.header.count(text) == 1 and text.isprintable() else i + 1


def _time_lines(time: TimeGuess, layout: Layout, rate_hz: float | None, seen: tuple[float, str] | None) -> list[str]:
    lines = ["[time]"]
    rate = rate_hz or (seen[0] if seen else None)
    if time.i_column is not None and time.unit is not None:
        found_hz = 1.0 / (time.step * UNITS[time.unit][1])
        address = _address(layout, time.i_column)
        known = f"{found_hz:.5g} Hz by its steps of {time.step:.5g} {time.unit}"
        if rate_hz is None and seen is not None and abs(found_hz / seen[0] - 1.0) > 0.02:
            lines.append(f"# CHECK: the line {shown(seen[1])} says another rate than the time column.")
        if rate_hz is not None and abs(found_hz / rate_hz - 1.0) > 0.02:
            lines.append(f"# column = {_value(address)}  # CHECK: left out, it would mean {known}")
            lines.append(f'# unit = "{time.unit}"')
        else:
            unit_known = "CHECK: guessed from the step" if time.is_guess else "from the header"
            if time.unit != _stated_time_unit(layout, time.i_column) and not time.is_guess:
                unit_known = "it fits the stated rate"
            return [*lines, _line("column", address, known), _line("unit", time.unit, unit_known), ""]
    elif time.i_column is not None:
        title = shown(str(_address(layout, time.i_column)))
        lines.append(f"# Column {title} rises by 1: a count of samples, or milliseconds?")
    if rate is None:
        lines.append("# rate_hz = ...  # CHECK: needed, the file does not say how many samples a second it holds")
    else:
        lines.append(_line("rate_hz", float(rate), f"from the line {shown(seen[1])}" if seen else "as you stated"))
    return [*lines, ""]


def _stated_time_unit(layout: Layout, i: int) -> str | None:
    return read_headers(layout)[i].unit


def _device_lines(draft: Draft, layout: Layout) -> list[str]:
    lines = []
    for channel in draft.channels:
        lines += ["[[channels]]", _line("name", channel.name), _line("column", _address(layout, channel.i_column))]
        lines.append(_line("unit", channel.unit, channel.unit_remark))
        if "counts" in channel.unit_remark or "scale is missing" in channel.unit_remark:
            lines.append(_line("scale", 1.0, f"CHECK: {channel.unit} per number of the file, from the calibration"))
        if channel.offset:
            lines.append(_line("offset", channel.offset, "CHECK: mean of the empty plate in this file"))
        if channel.sign != 1:
            lines.append(_line("sign", channel.sign, channel.sign_remark))
        lines.append("")
    for plate in draft.plates:
        lines += ["[[plates]]", _line("kind", plate.kind, plate.kind_remark)]
        lines += [_line(key, value, remark) for key, value, remark in plate.keys]
        if plate.cells:
            rows = [f"    {{ channel = {_value(name)} }},  # {remark}" for name, remark in plate.cells]
            lines += ["cells = [", *rows, "]"]
        lines.append("")
    if draft.bar:
        lines += ["[bar]", *[_line(key, value, remark) for key, value, remark in draft.bar], ""]
    return lines


def _wrapped(comment: str) -> list[str]:
    return textwrap.wrap(comment, 100, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)


def _noted(lines: list[str], draft: Draft, layout: Layout, time: TimeGuess) -> list[str]:
    """Put the comments and the general keys before the sections."""
    used = {channel.i_column for channel in draft.channels} | {time.i_column}
    unused = [i for i in range(layout.n_columns) if i not in used]
    comments = list(draft.comments)
    if unused:
        titles = [shown(layout.header[i]) if layout.header and layout.header[i] else str(i + 1) for i in unused]
        more = f" and {len(titles) - 12} more" if len(titles) > 12 else ""
        comments.append(f"Not used: {', '.join(titles[:12])}{more}.")
    start = lines.index("[time]")
    words = {"\t": "tab", " ": "space"}.get(layout.delimiter, layout.delimiter)
    table = [
        "[table]",
        *([_line("delimiter", words)] if layout.n_columns > 1 else []),
        _line("decimal", layout.decimal),
        "",
    ]
    general = [_line("name", f"the {draft.kind}", "a name of your own"), _line("kind", draft.kind), ""]
    wrapped = [f"# {part}" for comment in comments for part in _wrapped(comment)]
    return [*lines[:start], *wrapped, "", *general, *table, *lines[start:]]
