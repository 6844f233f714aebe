"""What stands where in a table: delimiter, decimal mark, header, units row, first row of numbers."""

from __future__ import annotations

import pytest

from forcekit.acquire.csv_layout import Layout, find_layout
from forcekit.acquire.csv_units import column_unit, split_unit
from forcekit.errors import InputError
from forcekit.model import Table


def layout_of(text: str, table: Table | None = None) -> Layout:
    """Layout of a text."""
    return find_layout(text.encode(), table or Table(), "x")


def lines(row: str, n: int = 30) -> str:
    """Rows numbered from 1 in place of ``{i}``."""
    return "".join(row.format(i=i) + "\n" for i in range(1, n + 1))


@pytest.mark.parametrize(
    ("text", "delimiter", "decimal", "n_columns"),
    [
        (lines("{i},5;7{i},25"), ";", ",", 2),
        (lines("{i}.5,7{i}.25"), ",", ".", 2),
        (lines("{i},7{i},3"), ",", ".", 3),
        (lines("{i}, 7{i}, 3"), ",", ".", 3),
        (lines("{i},5\t7{i},25"), "\t", ",", 2),
        (lines("  {i},5   7{i},25"), " ", ",", 2),
        (lines("12:30:{i};walks on;7{i},5"), ";", ",", 3),
        (lines("2026-05-14 12:00:00.{i},7{i}.5,1"), ",", ".", 3),
        ("Fz [N]\n" + lines("63{i},21"), ";", ",", 1),
        (lines("633,0{i}"), ";", ",", 1),
        (lines("{i},633"), ",", ".", 2),
        (lines("63{i}.2"), ";", ".", 1),
    ],
)
def test_delimiter_and_decimal_mark(text: str, delimiter: str, decimal: str, n_columns: int) -> None:
    """The pair that makes the most of the fields numbers is found, also beside text and with one column."""
    found = layout_of(text)

    assert (found.decimal, found.n_columns) == (decimal, n_columns)
    assert n_columns == 1 or found.delimiter == delimiter


@pytest.mark.parametrize(
    ("head", "row", "header", "units", "first_line"),
    [
        ("", "{i};7", (), (), 0),
        ("t;F\n", "{i};7", ("t", "F"), (), 1),
        ("# who knows\n#t;F\n", "{i};7", ("t", "F"), (), 2),
        ("#Sample\tGRFv\n", "{i}\t7", ("Sample", "GRFv"), (), 1),
        ("t;F\ns;N\n", "{i};7", ("t", "F"), ("s", "N"), 2),
        ("t;F\n[s];[kN]\n\n", "{i};7", ("t", "F"), ("[s]", "[kN]"), 3),
        ("N;s\n", "{i};7", ("N", "s"), (), 1),
        ("Lab;North\nRate;1000\n\nt;F\n", "{i};7", ("t", "F"), (), 4),
        ("t;F;\n", "{i};7;", ("t", "F"), (), 1),
        ("t;F\n", "{i};7;", ("t", "F"), (), 1),
        ("t;1;2;3;4\n", "{i};7;8;9;6", ("t", "1", "2", "3", "4"), (), 1),
        ("Time (s)  Fz (N)\n", "{i} 7", ("Time (s)", "Fz (N)"), (), 1),
        ("Time (s) Fz (N)\n", "{i} 7", ("Time (s)", "Fz (N)"), (), 1),
        ('"t","F, left"\n', "{i},7", ("t", "F, left"), (), 1),
    ],
)
def test_header_and_units(
    head: str, row: str, header: tuple[str, ...], units: tuple[str, ...], first_line: int
) -> None:
    """Header and units row are told from metadata, comments and numbers."""
    found = layout_of(head + lines(row))

    assert (header, units, first_line) == (found.header, found.units, found.first_line)


def test_bad_first_row_is_no_header() -> None:
    """A first row with one field that is no number stays a row, so that it is refused and not swallowed."""
    assert layout_of("t;F;G\n1;over;3\n" + lines("{i};7;8")).first_line == 1


def test_stated_layout_is_taken() -> None:
    """What the device file states is not guessed again."""
    assert layout_of("1;2\n" * 3 + lines("{i};7"), Table(header_rows=2)).first_line == 2
    assert layout_of(lines("{i},7{i}"), Table(decimal=",")).n_columns == 1
    assert layout_of(lines("{i}\t7{i}\t5"), Table(delimiter="tab", decimal=".")).n_columns == 3


@pytest.mark.parametrize(
    ("text", "base", "unit"),
    [
        ("Fz [N]", "Fz", "N"), ("Fz(kN)", "Fz", "kN"), ("Mx[Nm]", "Mx", "N m"), ("Mx (N.mm)", "Mx", "N mm"),
        ("Force_kN", "Force", "kN"), ("t_ms", "t", "ms"), ("Time (s)", "Time", "s"), ("Acc X (m/s^2)", "Acc X", "m/s2"),
        ("acc (m/s²)", "acc", "m/s2"), ("gyro [°/s]", "gyro", "deg/s"), ("Load kg", "Load", "kgf"),
        ("COP_X", "COP_X", None), ("Fz", "Fz", None), ("Fz [V]", "Fz", None), ("Time in ms", "Time", "ms"),
        ("time [µs]", "time", "us"),
    ],
)  # fmt: skip
def test_units_in_headers(text: str, base: str, unit: str | None) -> None:
    """Units are read from brackets and endings in their usual spellings."""
    assert (base, unit) == split_unit(text)[:2]


def test_units_row_tells_the_unit() -> None:
    """A units row counts like brackets; an ending of the name does not, for it may be no unit."""
    found = layout_of("t;F;G_kN\ns;kN;\n" + lines("{i};7;8"))

    assert [column_unit(found, i) for i in range(3)] == ["s", "kN", None]


def test_a_long_preamble_that_is_stated_is_passed_over() -> None:
    """With header_rows the table may begin after any number of lines."""
    text = "sampled by nobody\n" * 400 + "t;F\n" + "".join(f"{i};{700 + i % 3}\n" for i in range(60))

    layout = find_layout(text.encode(), Table(header_rows=401), "a.csv")

    assert (401, ("t", "F"), 2) == (layout.first_line, layout.header, layout.n_columns)


def test_a_quotation_of_any_length_is_a_line_like_others() -> None:
    """A remark in quotation marks above the table, longer than the csv module takes, does no harm."""
    text = '"' + "x" * 200_000 + '"\n' + "t;F\n" + "".join(f"{i};{700 + i % 3}\n" for i in range(60))

    assert ("t", "F") == find_layout(text.encode(), Table(), "a.csv").header


def test_a_stated_delimiter_that_is_not_the_files_is_named() -> None:
    """Where the device file states it, "state it" would be no help."""
    text = b"Time;F\n" + b"0;701\n1;702\n" * 30
    with pytest.raises(InputError, match=r'correct \[table\] .* states delimiter = "," .*left out'):
        find_layout(text, Table(delimiter=","), "x.csv")
    with pytest.raises(InputError, match=r"state delimiter and decimal in \[table\]"):
        find_layout(b"<p>no numbers</p>\n" * 30, Table(), "x.csv")
