"""Rows of a table to arrays: quickly when every row is sound, row by row when one is not.

The quick way (the C parser of pyarrow where it is installed, else that of pandas) only says that something is wrong
somewhere. The slow way knows each line, so it drops what may be dropped (comments, a last line cut short) and names
what may not.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from typing import Any

import numpy as np

from forcekit.acquire.csv_layout import NUMBER, Layout, is_blank, is_comment, split_line
from forcekit.acquire.toml_file import shown
from forcekit.errors import InputError
from forcekit.model import FloatArray

__all__ = ["NumberTable", "read_rows"]

HAS_ARROW = find_spec("pyarrow") is not None
ARROW_BLOCK_BYTES = 1 << 22
"""Size of the pieces in which a file is parsed: of a large one only a piece is there twice (our choice)."""
_TAIL_LINES = 20
"""Lines before the last one that tell how many decimals the file writes."""


@dataclass(frozen=True, slots=True, eq=False)
class NumberTable:
    """Columns of a table as numbers.

    Attributes
    ----------
    columns : dict of int to array, shape (n,)
        By index from 0; all numbers are finite.
    line_of : function
        Gives the line number in the file (from 1) of a row index.
    notes : tuple of str
    """

    columns: dict[int, FloatArray]
    line_of: Callable[[int], int]
    notes: tuple[str, ...] = ()

    @property
    def n_rows(self) -> int:
        """Number of rows."""
        return next(iter(self.columns.values())).size


def read_rows(data: bytes, layout: Layout, wanted: Sequence[int], source: str) -> NumberTable:
    r"""Read columns of a table as numbers.

    Parameters
    ----------
    data : bytes
        The whole file as UTF-8 with ``\\n`` line ends.
    layout : Layout
    wanted : sequence of int
        Indices of the columns, from 0.
    source : str
        Name of the file, for messages.

    Raises
    ------
    InputError
        If a needed field is no finite number, or a line other than the last has too few or too many fields.
    """
    start = 0
    for _ in range(layout.first_line):
        start = data.index(b"\n", start) + 1
    body = memoryview(data)[start:]
    table = _read_quickly(body, layout, wanted, quoted=data.find(b'"', start) >= 0)
    if table is None:
        table = _read_slowly(bytes(body), layout, wanted, source)
    return _without_cut_number(body, layout, wanted, table)


def _read_quickly(body: memoryview, layout: Layout, wanted: Sequence[int], *, quoted: bool) -> NumberTable | None:
    """Columns by a parser in C, None if any line is not a plain row of the expected length."""
    if quoted and any(line.count(b'"') % 2 for line in bytes(body).split(b"\n")):
        return None  # a quotation mark left open would swallow the lines after it
    n_fields = layout.n_columns + _ends_with_delimiter(body, layout)
    columns = None
    if HAS_ARROW and layout.delimiter != " ":
        columns = columns_by_arrow(body, layout, wanted, n_fields, quoted=quoted)
    if columns is None:
        columns = columns_by_pandas(body, layout, wanted, n_fields, quoted=quoted)
        if columns is None:
            return None
        if not _all_as_long(body, layout.delimiter, n_fields, next(iter(columns.values())).size):
            return None
    with np.errstate(over="ignore", invalid="ignore"):
        if next(iter(columns.values())).size == 0 or not all(_all_finite(values) for values in columns.values()):
            return None

    def line_of(i_row: int) -> int:
        lines = [k for k, line in enumerate(bytes(body).split(b"\n")) if line.strip()]
        return layout.first_line + lines[i_row] + 1

    return NumberTable(columns, line_of)


def columns_by_arrow(
    body: memoryview, layout: Layout, wanted: Sequence[int], n_fields: int, *, quoted: bool
) -> dict[int, FloatArray] | None:
    """Columns by the parser of pyarrow: faster than that of pandas, and loaded in a third of the time.

    It takes fewer spellings of a number, and no row that is longer or shorter; what it does not take is left to the
    other one.
    """
    import pyarrow as pa  # type: ignore[import-untyped]
    import pyarrow.csv as pc  # type: ignore[import-untyped]

    names = [str(i) for i in range(n_fields)]
    some = sorted(set(wanted))
    try:
        pieces = pc.open_csv(
            pa.BufferReader(body),
            read_options=pc.ReadOptions(use_threads=False, column_names=names, block_size=ARROW_BLOCK_BYTES),
            parse_options=pc.ParseOptions(delimiter=layout.delimiter, quote_char='"' if quoted else False),
            convert_options=pc.ConvertOptions(
                include_columns=[names[i] for i in some],
                column_types=dict.fromkeys(names, pa.float64()),
                null_values=[],
                decimal_point=layout.decimal,
            ),
        )
        first = pieces.read_next_batch()
        columns = {i: _numbers_of(values) for i, values in zip(some, first.columns, strict=True)}
        n_rows = first.num_rows
        for piece in pieces:
            if n_rows + piece.num_rows > columns[some[0]].size:  # room for all, as far as the first rows tell
                room = n_rows + piece.num_rows + round(1.1 * first.num_rows * len(body) / ARROW_BLOCK_BYTES)
                columns = {i: _with_room(values[:n_rows], room) for i, values in columns.items()}
            for i, values in zip(some, piece.columns, strict=True):
                columns[i][n_rows : n_rows + piece.num_rows] = _numbers_of(values)
            n_rows += piece.num_rows
    except (pa.ArrowException, StopIteration):
        return None
    return {i: values[:n_rows] for i, values in columns.items()}


def _with_room(values: FloatArray, n: int) -> FloatArray:
    out = np.empty(n)
    out[: values.size] = values
    return out


def _numbers_of(values: Any) -> FloatArray:
    """Numbers of a column of pyarrow, where they are; its own conversion to numpy would load pandas."""
    numbers = np.frombuffer(values.buffers()[1], np.float64)
    return numbers[values.offset : values.offset + len(values)]


def _all_finite(values: FloatArray) -> bool:
    """Whether all are finite: their sum then is, too, unless they are huge."""
    return bool(np.isfinite(values.sum())) or bool(np.isfinite(values).all())


def columns_by_pandas(
    body: memoryview, layout: Layout, wanted: Sequence[int], n_fields: int, *, quoted: bool
) -> dict[int, FloatArray] | None:
    """Columns by the C parser of pandas."""
    import pandas as pd

    try:
        frame = pd.read_csv(
            io.BytesIO(body),
            sep=r"\s+" if layout.delimiter == " " else layout.delimiter,
            decimal=layout.decimal,
            header=None,
            names=range(n_fields),
            usecols=sorted(set(wanted)),
            index_col=False,
            dtype="float64",
            engine="c",
            na_filter=False,
            quoting=csv.QUOTE_MINIMAL if quoted else csv.QUOTE_NONE,
        )
    except (ValueError, OverflowError):  # ParserError, EmptyDataError and UnicodeDecodeError are ValueErrors
        return None
    return {i: np.ascontiguousarray(frame[i].to_numpy()) for i in wanted}


def _all_as_long(body: memoryview, delimiter: str, n_fields: int, n_rows: int) -> bool:
    """Whether each row has as many fields as it should: pandas fills a short one up and cuts a long one off."""
    values = np.frombuffer(body, np.uint8)
    if delimiter == " ":  # a field is a word; a line of none is no row
        gap = np.isin(values, np.frombuffer(b" \t\n", np.uint8))
        marks = np.flatnonzero(~gap & np.concatenate(([True], gap[:-1])))
        n_marks = n_fields
    else:
        marks = np.flatnonzero(values == ord(delimiter))
        n_marks = n_fields - 1
    ends = np.append(np.flatnonzero(values == ord("\n")), values.size)
    of_line = np.diff(np.searchsorted(marks, ends), prepend=0)
    return marks.size == n_rows * n_marks and (n_marks == 0 or np.count_nonzero(of_line == n_marks) == n_rows)


def _ends_with_delimiter(body: memoryview, layout: Layout) -> bool:
    if layout.delimiter == " ":
        return False
    line = re.match(rb"[^\n]*", body)
    first = b"" if line is None else line.group().rstrip(b" ")
    return first.endswith(layout.delimiter.encode()) and first.count(layout.delimiter.encode()) == layout.n_columns


def _read_slowly(body: bytes, layout: Layout, wanted: Sequence[int], source: str) -> NumberTable:
    lines = [
        (number, text)
        for number, text in enumerate(body.decode("utf-8", "replace").split("\n"), layout.first_line + 1)
        if text.strip() and not is_comment(text)
    ]
    while lines and not any(
        split_line(lines[-1][1], layout.delimiter)
    ):  # empty rows below the table, as spreadsheets do
        lines.pop()
    rows: list[list[float]] = []
    notes: tuple[str, ...] = ()
    for number, text in lines:
        problem = _row_problem(text, number, layout, wanted, source)
        if problem is None:
            fields = split_line(text, layout.delimiter)
            rows.append([float(fields[i].replace(",", ".")) for i in wanted])
            continue
        if number == lines[-1][0] and rows and (problem.incomplete or not body.endswith(b"\n")):
            notes = (f"The last line of {source} (line {number}) is incomplete and was left out.",)
            break
        raise InputError(problem.sentence)
    values = np.array(rows, dtype=np.float64).reshape(len(rows), len(wanted))
    numbers = [number for number, _ in lines]
    columns = {i: np.ascontiguousarray(values[:, k]) for k, i in enumerate(wanted)}
    return NumberTable(columns, lambda i_row: numbers[i_row], notes)


@dataclass(frozen=True, slots=True)
class _RowProblem:
    sentence: str
    incomplete: bool
    """The line stops early, as the last line of an interrupted recording does."""


def _row_problem(text: str, number: int, layout: Layout, wanted: Sequence[int], source: str) -> _RowProblem | None:
    """Say what is wrong with a line, None if it can be used."""
    fields = split_line(text, layout.delimiter)
    n = len(fields)
    extra = [field for field in fields[layout.n_columns :] if field]
    if n < max(layout.n_needed, *(i + 1 for i in wanted)):
        sentence = (
            f"{source}, line {number}: found {n} field{'s' * (n != 1)} where the other lines have "
            f"{layout.n_columns}; "
            "complete or delete the line, or cut the file before it."
        )
        return _RowProblem(sentence, True)
    if any(NUMBER[layout.decimal].fullmatch(field) for field in extra):
        sentence = (
            f"{source}, line {number}: found {n} fields where the other lines have "
            f"{layout.n_columns}; mend the line, "
            "or export with semicolons if commas are decimal marks."
        )
        return _RowProblem(sentence, False)
    for i in sorted(wanted):
        if not _is_finite(fields[i], layout.decimal):
            where = f"{source}, line {number}, column {i + 1}{_title(layout, i)}"
            what = "an empty field" if not fields[i] else shown(fields[i])
            sentence = f"{where}: found {what} where a number is needed; {_remedy(fields[i], layout)}."
            return _RowProblem(sentence, is_blank(fields[i]) and not any(fields[i:]))
    return None


def _is_finite(field: str, decimal: str) -> bool:
    if NUMBER[decimal].fullmatch(field) is None:
        return False
    return bool(np.isfinite(float(field.replace(",", "."))))


def _title(layout: Layout, i: int) -> str:
    return f" ({shown(layout.header[i])})" if layout.header and layout.header[i] else ""


def _remedy(field: str, layout: Layout) -> str:
    if NUMBER[","].fullmatch(field) or NUMBER["."].fullmatch(field):
        return f'the decimal mark of the file is "{layout.decimal}", so export with one mark throughout'
    if any(c.isdigit() for c in field) and ("," in field or "." in field or "'" in field):
        return "write numbers without thousands separators"
    return "cut the recording there, or correct the field"


def _without_cut_number(body: memoryview, layout: Layout, wanted: Sequence[int], table: NumberTable) -> NumberTable:
    """Drop the last row if the file stops within its last number, as an interrupted recording does.

    Only files that write a fixed number of decimals show it: there the last number then has fewer of them.
    """
    end = bytes(body[-4000:])
    if end.endswith(b"\n") or layout.n_columns - 1 not in wanted or table.n_rows < _TAIL_LINES:
        return table
    lines = end.split(b"\n")[-_TAIL_LINES:]
    if len(lines) < _TAIL_LINES or table.notes:
        return table
    mark = layout.decimal.encode()
    decimals = [len(line.rstrip().rpartition(mark)[2]) if mark in line else 0 for line in lines]
    fixed = set(decimals[1:-1])
    if len(fixed) != 1 or decimals[-1] >= min(fixed) or b"e" in end[-200:].lower():
        return table
    line = table.line_of(table.n_rows - 1)
    note = f"The file stops within the last number of its last line ({line}), which was left out."
    return NumberTable({i: values[:-1] for i, values in table.columns.items()}, table.line_of, (note,))
