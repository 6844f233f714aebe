"""How the text of a table is laid out: delimiter, decimal mark, header, units row, first row of numbers.

::

    Laboratory;north            metadata, any number of lines
    # sampled by ...            comments (#, %, //)
    Time;Fz left;Note           header
    s;N;                        units row
    0,000;701,2;stands          first row of numbers   <- `Layout.first_line` lines come before it
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from forcekit.acquire.toml_file import shown
from forcekit.errors import InputError
from forcekit.model import Table

__all__ = ["NUMBER", "Layout", "find_layout", "is_blank", "is_comment", "split_line"]

Decimal = Literal[".", ","]

NUMBER: dict[str, re.Pattern[str]] = {
    ".": re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII),
    ",": re.compile(r"[+-]?(?:\d+(?:,\d+)?|,\d+)(?:[eE][+-]?\d+)?", re.ASCII),
}
"""What a number looks like with each decimal mark; without thousands separators."""

_BLANK = frozenset({"", "nan", "n/a", "na", "null", "none", "-", "--", "inf", "-inf", "+inf", "#n/a", "-nan", "ind"})
"""Fields that say "no number here"; they do not decide what a column is."""

COMMENT_MARKS = ("//", "#", "%")
_SAMPLE_LINES = 300
_SAMPLE_BYTES, _USUAL_BYTES = 2_000_000, 50_000
"""The sample lines are sought in so many bytes; mostly the second, smaller number holds them all (our choice)."""
_SCORED_LINES = 16
_MOST_COLUMNS = 1000
"""A table wider than this lies on its side (one signal per row)."""

_UNIT_ROW = re.compile(
    r"[\[(]?\s*(?:k?n|kgf?|lbf?|n[ .*·]?(?:mm|cm|m)|[mcµμu]?m|[mµμun]?s|sec|hz|m/s(?:\^?2|²)|m?g"
    r"|(?:deg|rad|°)/s|dps|[mµμu]?v|v/v|counts?|raw|lsb|%|1|-|n/a)?\s*[\])]?",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Layout:
    """How a table is laid out.

    Attributes
    ----------
    delimiter : str
        One character; a blank stands for any run of blanks and tabs.
    decimal : "." or ","
    n_columns : int
    header, units : tuple of str
        Text above each column, empty tuples without such rows.
    first_line : int
        Number of lines before the first row of numbers, of every sort.
    numeric : tuple of bool
        Which columns hold numbers.
    preamble : tuple of str
        The lines before the first row of numbers.
    notes : tuple of str
        Guesses that a person should know about.
    """

    delimiter: str
    decimal: Decimal
    n_columns: int
    header: tuple[str, ...]
    units: tuple[str, ...]
    first_line: int
    numeric: tuple[bool, ...]
    preamble: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def n_needed(self) -> int:
        """Fields a row must have: up to the last column of numbers."""
        return max((i + 1 for i, numeric in enumerate(self.numeric) if numeric), default=1)


def split_line(line: str, delimiter: str) -> list[str]:
    """Fields of a line without surrounding blanks and quotation marks."""
    if '"' in line and line.count('"') % 2 == 0:
        try:
            fields = next(csv.reader([line.strip()], delimiter=delimiter, skipinitialspace=True), [])
        except csv.Error:  # a field longer than any number or name
            fields = line.split(delimiter)
    elif delimiter == " ":
        return line.split()
    else:
        fields = line.split(delimiter)
    return [field.strip() for field in fields]


def is_comment(line: str) -> bool:
    """Tell whether a line is a comment."""
    return line.lstrip().startswith(COMMENT_MARKS)


def is_blank(field: str) -> bool:
    """Tell whether a field says there is no number."""
    return field.lower() in _BLANK


def find_layout(data: bytes, table: Table, source: str) -> Layout:
    r"""Find how a table is laid out from its first lines; what the device file states is taken as it is.

    Parameters
    ----------
    data : bytes
        UTF-8 text with ``\\n`` line ends.
    table : Table
        What is known; everything may be left out.
    source : str
        Name of the file, for messages.

    Notes
    -----
    Each possible pair of delimiter and decimal mark is tried on up to 16 lines from the second half of the
    first 300; the pair with the largest share of columns that hold numbers wins (halved where a field still
    holds a tab, semicolon or bar), then the one with more columns.

    Raises
    ------
    InputError
        If there is no row of numbers, or the table lies on its side.
    """
    lines = _first_lines(data, _SAMPLE_LINES + (table.header_rows or 0))
    body = [line for line in lines[table.header_rows or 0 :] if line.strip() and not is_comment(line)]
    scored = body[len(body) // 2 :][-_SCORED_LINES:]
    if not scored:
        raise InputError(f"{source}: there are no rows of numbers; export the recording again as a table of numbers.")
    best = max((_score(scored, d, m) for d, m in _candidates(scored, table)), key=lambda c: c.rank)
    if best.rank[0] <= 0:
        raise InputError(
            f"{source}: no columns of numbers were found, the last line looked at is {_cut(scored[-1])}; "
            f"export the recording as a table of numbers, or {_what_to_state(table)}."
        )
    best, notes = _settle(best, data, lines, body, table)
    if best.n_columns > _MOST_COLUMNS:
        raise InputError(
            f"{source}: the table has {best.n_columns} columns, so it seems to hold one signal per row; "
            "export it with one signal per column."
        )
    first = table.header_rows if table.header_rows is not None else _first_row(lines, best)
    if first is None:
        raise InputError(f"{source}: no row of numbers was found in the first {len(lines)} lines; check header_rows.")
    header, units = _header(lines[:first], best)
    return Layout(
        best.delimiter,
        best.decimal,
        best.n_columns,
        header,
        units,
        first,
        best.numeric,
        tuple(lines[:first]),
        notes,
    )


@dataclass(frozen=True, slots=True)
class _Candidate:
    delimiter: str
    decimal: Decimal
    n_columns: int
    numeric: tuple[bool, ...]
    rank: tuple[float, int]


def _first_lines(data: bytes, most: int) -> list[str]:
    for size in (_USUAL_BYTES, _SAMPLE_BYTES):
        head = data[:size].split(b"\n", most)
        if len(head) > most:
            break
    if len(head) > most or len(data) > size:
        head.pop()  # cut in the middle of a line
    return b"\n".join(head).decode("utf-8", "replace").split("\n") if head else []


def _candidates(lines: Sequence[str], table: Table) -> list[tuple[str, Decimal]]:
    text = "\n".join(lines)
    stated = {"tab": "\t", "space": " "}.get(table.delimiter or "", table.delimiter)
    # A table of one column has no delimiter; the semicolon then splits nothing.
    delimiters = [stated] if stated else [d for d in ("\t", ";", "|", ",", " ") if d in text] or [";"]
    decimals: list[Decimal] = [table.decimal] if table.decimal else [".", ","]
    if stated is None and ";" not in delimiters:
        delimiters.append(";")
    pairs = [(d, m) for d in delimiters for m in decimals if not d == m == ","]
    return pairs or [(";", ",")]


def _score(lines: Sequence[str], delimiter: str, decimal: Decimal) -> _Candidate:
    rows = [split_line(line, delimiter) for line in lines]
    n, n_rows = Counter(len(row) for row in rows).most_common(1)[0]
    rows = [row for row in rows if len(row) == n]
    pattern = NUMBER[decimal]
    numeric, empty = [], 0
    for column in zip(*rows, strict=True):
        others = [field for field in column if pattern.fullmatch(field) is None]
        hits = len(column) - len(others)
        known = hits + sum(not is_blank(field) for field in others)
        empty += not known
        numeric.append(known > 0 and hits >= 0.8 * known)
    if n > 1 and not any(row[-1] for row in rows):  # every row ends with a delimiter
        n, numeric, empty = n - 1, numeric[:-1], empty - 1
    share = sum(numeric) / max(1, n - empty)
    fields = "".join(field for row in rows for field in row)
    if any(mark in fields for mark in "\t;|"):
        share *= 0.5  # a field that holds a rarer delimiter was not split where it should be
    return _Candidate(delimiter, decimal, n, tuple(numeric), (round(share * n_rows / len(lines), 3), sum(numeric)))


def _settle(
    best: _Candidate, data: bytes, lines: Sequence[str], body: Sequence[str], table: Table
) -> tuple[_Candidate, tuple[str, ...]]:
    """Decide what the sampled rows leave open: whole numbers only, or a comma between two of them."""
    fields = [f for line in body[-_SCORED_LINES:] for f in split_line(line, best.delimiter)]
    if table.decimal is None and not any("." in f or "," in f for f in fields) and best.delimiter != ",":
        rest = data[-len(data) // 2 :]
        if b"," in rest and b"." not in rest:
            return _score(body[-_SCORED_LINES:], best.delimiter, ","), ()
    if best.delimiter != "," or best.n_columns != 2 or table.delimiter or any("." in f for f in fields):
        return best, ()
    rows = [split_line(line, ",") for line in body[-_SCORED_LINES:]]
    single = _score(body[-_SCORED_LINES:], ";", ",")
    first = _first_row(lines, best) or 0
    header = [line for line in lines[:first] if line.strip()]
    starts = [float(row[0]) for row in rows if NUMBER["."].fullmatch(row[0])]
    counts = all(b > a for a, b in pairwise(starts))
    one_column = "," not in header[-1] if header else any(len(r[-1]) > 1 and r[-1].startswith("0") for r in rows)
    if table.decimal == "," or (one_column and single.rank[0] >= best.rank[0] and not (counts and not header)):
        return single, ("The comma was read as a decimal mark in a table of one column.",)
    return best, ()


def _first_row(lines: Sequence[str], best: _Candidate) -> int | None:
    """Index of the first line that is a row of numbers: more than half of the number columns hold numbers."""
    pattern = NUMBER[best.decimal]
    columns = [i for i, numeric in enumerate(best.numeric) if numeric]
    for i, line in enumerate(lines):
        if not line.strip() or is_comment(line):
            continue
        fields = split_line(line, best.delimiter)
        given = [fields[c] for c in columns if c < len(fields)]
        hits = sum(pattern.fullmatch(field) is not None for field in given)
        if len(given) == len(columns) and hits > 0.5 * len(columns) and not _counts_cells(fields, pattern, i, lines):
            return i
    return None


def _counts_cells(fields: Sequence[str], pattern: re.Pattern[str], i: int, lines: Sequence[str]) -> bool:
    """Recognise a header such as ``Time;1;2;3;4``: text first, then the numbers 1, 2, 3 ..."""
    words = [f for f in fields if f and not pattern.fullmatch(f)]
    numbers = [f for f in fields if pattern.fullmatch(f)]
    following = lines[i + 1] if i + 1 < len(lines) else ""
    return (
        len(words) == 1
        and words[0] == fields[0]
        and numbers == [str(k) for k in range(1, len(numbers) + 1)]
        and words[0] not in following
    )


def _header(preamble: Sequence[str], best: _Candidate) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Header and units row among the lines before the numbers; a plain line is preferred to a comment."""
    rows: list[tuple[bool, list[str]]] = []
    for line in reversed(preamble):
        comment = is_comment(line)
        fields = _matching(line.lstrip().lstrip("#%/").strip() if comment else line, best)
        if fields is not None:
            rows.append((comment, fields))
    rows.sort(key=lambda row: row[0])
    if not rows:
        return (), ()
    if len(rows) > 1 and _is_units(rows[0][1]):
        return tuple(rows[1][1]), tuple(rows[0][1])
    return tuple(rows[0][1]), ()


def _matching(line: str, best: _Candidate) -> list[str] | None:
    """Fields of a header line, if some way of splitting it gives one for each column."""
    if not line.strip():
        return None
    splitters: list[Callable[[str], list[str]]] = [
        lambda text: split_line(text, best.delimiter),
        lambda text: [f.strip() for f in re.split(r"\t+|\s{2,}", text.strip())],
        lambda text: re.findall(r"\S+(?:\s*[\[(][^\])]*[\])])?", text),
        *[lambda text, d=d: split_line(text, d) for d in ("\t", ";", "|", ",")],
    ]
    if best.delimiter != " ":  # a sentence of as many words is no header
        splitters = splitters[:1] + splitters[3:]
    for split in splitters:
        fields = split(line)
        while len(fields) > best.n_columns and not fields[-1]:
            fields.pop()
        if len(fields) == best.n_columns and any(fields):
            return fields
    return None


def _is_units(fields: Sequence[str]) -> bool:
    named = [field for field in fields if field.strip("[]() -")]
    return bool(named) and all(_UNIT_ROW.fullmatch(field) for field in fields)


def _what_to_state(table: Table) -> str:
    """Say what in a device file may be why no numbers were found."""
    stated = [f"{key} = {shown(v)}" for key, v in (("delimiter", table.delimiter), ("decimal", table.decimal)) if v]
    if not stated:
        return "state delimiter and decimal in [table] of the device file"
    return f"correct [table] of the device file, which states {' and '.join(stated)} (left out, they are found)"


def _cut(line: str) -> str:
    return '"' + "".join(c if c.isprintable() else " " for c in line[:40]).strip() + ('..."' if len(line) > 40 else '"')
