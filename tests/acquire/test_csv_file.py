"""Tables of numbers in every dialect come back as they were written."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forcekit.acquire.csv_file import read_csv
from forcekit.acquire.csv_layout import Layout, find_layout
from forcekit.acquire.csv_rows import _read_quickly, _read_slowly
from forcekit.errors import InputError
from forcekit.model import Channel, Table, TimeAxis
from tests.acquire.tables import (
    CELLS,
    Dialect,
    cell_device,
    dialects,
    one_column_device,
    quiet_stance,
    write_table,
)

NAMES = ("Time", *CELLS)


def test_every_dialect_is_read_back(tmp_path: Path) -> None:
    """Whatever the dialect, the numbers and the times are those that were written."""
    columns = quiet_stance()
    wrong = []
    for dialect in dialects():
        path = write_table(tmp_path / "a.csv", NAMES, columns, dialect)
        stream = read_csv(path, cell_device(by_number=dialect.header == "none"))
        same = all(np.allclose(stream.raw[c], v, rtol=1e-14) for c, v in zip(CELLS, columns[1:], strict=True))
        if not same or not np.allclose(stream.t_s, columns[0], atol=1e-9) or stream.notes:
            wrong.append((dialect, stream.notes))

    assert wrong == []


def test_random_numbers_are_read_back(tmp_path: Path) -> None:
    """Large, small, negative and whole numbers come back, also with exponents, to the last digit printed."""
    rng = np.random.default_rng(7)
    for k in range(40):
        n = int(rng.integers(50, 80))
        values = rng.normal(0.0, 10.0 ** rng.integers(-3, 9), n)
        style = ("%.3f", "%.9e", "%d", "%+.1f")[k % 4]
        texts = [style % v for v in values]
        decimal = ".,"[k % 2]
        rows = [f"{i};{text.replace('.', decimal)}" for i, text in enumerate(texts)]
        path = tmp_path / "a.csv"
        path.write_text("t;F\n" + "\n".join(rows))
        stream = read_csv(path, one_column_device(time=TimeAxis(column="t", unit="ms")))

        assert np.allclose([float(t) for t in texts], stream.raw["F"], rtol=1e-14, atol=0.0)


def test_quick_and_slow_reader_agree() -> None:
    """The row by row reader gives the very numbers of the C parser."""
    rng = np.random.default_rng(3)
    values = rng.normal(0.0, 500.0, (200, 3))
    data = b"a\tb\tc\n" + "\n".join("\t".join(f"{v:.7g}" for v in row) for row in values).encode()
    layout = find_layout(data, Table(), "x")
    body = data.split(b"\n", 1)[1]
    quick, slow = _read_quickly(body, layout, [0, 2], quoted=b'"' in body), _read_slowly(body, layout, [0, 2], "x")

    assert quick is not None
    assert np.allclose(quick.columns[2], slow.columns[2], rtol=1e-15, atol=0.0)
    assert (quick.line_of(17), slow.line_of(17)) == (19, 19)


FIELDS = st.one_of(
    st.floats(-1e6, 1e6).map(lambda v: f"{v:.4f}"),
    st.integers(-999, 999).map(str),
    st.sampled_from(
        ["1e3", "+5", ".5", "7.", " 8 ", '"9"', "", "x", "nan", "inf", "1e999", "1,5", "#", '"', "0x1", "1_0"]
    ),
)


@settings(max_examples=300, deadline=None, derandomize=True)
@given(
    rows=st.lists(st.lists(FIELDS, min_size=1, max_size=4), min_size=1, max_size=8),
    delimiter=st.sampled_from([",", ";", "\t", " "]),
    ends_with_delimiter=st.booleans(),
)
def test_the_quick_reader_accepts_nothing_the_slow_one_refuses(
    rows: list[list[str]], delimiter: str, ends_with_delimiter: bool
) -> None:
    """Where the C parser gives numbers, reading line by line gives the same numbers from the same lines."""
    sound = ["1.5", "2.5", "3.5"]
    lines = [delimiter.join(row) + delimiter * ends_with_delimiter for row in (*[sound] * 3, *rows, sound)]
    body = ("\n".join(lines) + "\n").encode()
    layout = Layout(delimiter, ".", 3, (), (), 0, (True, True, True))
    quick = _read_quickly(body, layout, [0, 2], quoted=b'"' in body)
    if quick is None:
        return
    slow = _read_slowly(body, layout, [0, 2], "x")

    assert quick.n_rows == slow.n_rows
    assert all(np.allclose(slow.columns[i], quick.columns[i], rtol=1e-14, atol=0.0) for i in (0, 2))
    assert [slow.line_of(i) for i in range(slow.n_rows)] == [quick.line_of(i) for i in range(slow.n_rows)]


def test_latin_letters_are_read_with_a_note(tmp_path: Path) -> None:
    """A header in Latin-1 is understood, and that it was guessed is noted."""
    path = tmp_path / "a.csv"
    path.write_bytes("t;Fußplatte\n".encode("latin-1") + b"".join(b"%d;7%d\n" % (i, i % 5) for i in range(60)))
    device = one_column_device(time=TimeAxis(column="t", unit="ms"), channel=Channel(name="F", column="Fußplatte"))
    stream = read_csv(path, device)

    assert stream.raw["F"].size == 60
    assert "Windows-1252" in stream.notes[0]


def test_decimals_that_begin_late_are_seen(tmp_path: Path) -> None:
    """An empty plate written as 0 for 400 rows does not hide that the decimal mark is a comma."""
    path = tmp_path / "a.csv"
    path.write_text("t;F\n" + "".join(f"{i};{'0' if i < 400 else '12,5'}\n" for i in range(900)))
    stream = read_csv(path, one_column_device(time=TimeAxis(column="t", unit="ms")))

    assert float(stream.raw["F"][-1]) == 12.5


def test_column_name_without_regard_to_case_is_noted(tmp_path: Path) -> None:
    """A name that fits only without case and blanks is taken, with a note."""
    path = write_table(tmp_path / "a.csv", ("t", " fz LEFT"), quiet_stance()[:2], Dialect())
    stream = read_csv(path, one_column_device(channel=Channel(name="F", column="Fz left")))

    assert stream.notes == ('a.csv: column "fz LEFT" was taken for "Fz left".',)


def test_exact_column_name_wins(tmp_path: Path) -> None:
    """Of "fz" and "Fz" the one written in the device file is read, without a note."""
    t, a, b = quiet_stance()[:3]
    path = write_table(tmp_path / "a.csv", ("t", "fz", "Fz"), [t, a, b], Dialect())
    stream = read_csv(path, one_column_device(channel=Channel(name="F", column="Fz")))

    assert np.array_equal(b, stream.raw["F"])
    assert stream.notes == ()


def test_last_line_cut_short_is_left_out(tmp_path: Path) -> None:
    """A recording that stops within its last line, or within its last number, loses only that row."""
    columns = quiet_stance()
    whole = write_table(tmp_path / "a.csv", NAMES, columns, Dialect(last_end=False)).read_bytes()
    path = tmp_path / "cut.csv"
    for n_cut in (2, 5, 12, 30, len(whole.split(b"\n")[-1]) - 1):
        path.write_bytes(whole[:-n_cut])
        stream = read_csv(path, cell_device())

        assert np.array_equal(columns[1][:-1], stream.raw["FL"])
        assert "left out" in stream.notes[0]


def test_comments_and_blank_lines_between_rows_are_passed_over(tmp_path: Path) -> None:
    """A comment or blank line in the middle changes nothing."""
    columns = quiet_stance()
    lines = write_table(tmp_path / "a.csv", NAMES, columns, Dialect()).read_text().split("\n")
    lines[50:50] = ["# the lifter sneezed, twice", ""]
    (tmp_path / "a.csv").write_text("\n".join(lines))
    stream = read_csv(tmp_path / "a.csv", cell_device())

    assert np.array_equal(columns[4], stream.raw["RR"])


@pytest.mark.parametrize("row", [";", '"";""', " ; "])
def test_empty_rows_below_the_table_are_no_samples(row: str, tmp_path: Path) -> None:
    """Spreadsheets write them; between two rows of numbers one is a sample without its numbers."""
    path = tmp_path / "a.csv"
    rows = [f"{i};{700 + i}" for i in range(60)]
    path.write_text("\n".join(["t;F", *rows, row, row, ""]))
    device = one_column_device(time=TimeAxis(column="t", unit="ms"))
    stream = read_csv(path, device)
    assert 759.0 == stream.raw["F"][-1]
    assert not stream.notes
    path.write_text("\n".join(["t;F", *rows[:30], row, *rows[30:], ""]))
    with pytest.raises(InputError, match="line 32"):
        read_csv(path, device)


@pytest.mark.parametrize("mark", [".", ","])
def test_thousands_separators_are_no_decimal_marks(mark: str, tmp_path: Path) -> None:
    """Whole newtons as a spreadsheet shows them: 999, then 1.001. Read as decimals the lifter would be in the air."""
    force = np.rint(950.0 + 300.0 * np.sin(np.arange(500) / 40.0)).astype(int)
    path = tmp_path / "a.csv"
    path.write_text("F;note\n" + "".join(f"{v:,};x\n".replace(",", mark) for v in force.tolist()))
    device = one_column_device(time=TimeAxis(rate_hz=500.0))
    with pytest.raises(InputError, match="seems to be a thousands separator; export without it"):
        read_csv(path, device)
    path.write_text("F;note\n" + "".join(f"{v:g};x\n".replace(".", mark) for v in (force / 8.0).tolist()))
    assert np.array_equal(force / 8.0, read_csv(path, device).raw["F"])
    path.write_text("F;note\n" + "".join(f"{v:g};x\n".replace(".", mark) for v in (force / 1000.0).tolist()))
    assert np.array_equal(force / 1000.0, read_csv(path, device).raw["F"])


def test_text_in_an_unused_column_does_no_harm(tmp_path: Path) -> None:
    """Only the columns a device file names must hold numbers, and only they are read."""
    columns = quiet_stance()
    lines = write_table(tmp_path / "a.csv", NAMES, columns, Dialect()).read_text().split("\n")
    lines[60] = ",".join([*lines[60].split(",")[:4], "ovrld"])
    (tmp_path / "a.csv").write_text("\n".join(lines))
    device = one_column_device(time=TimeAxis(column="Time"), channel=Channel(name="F", column="FL"))
    stream = read_csv(tmp_path / "a.csv", device)

    assert np.array_equal(columns[1], stream.raw["F"])
    assert list(stream.raw) == ["F"]


def test_raw_numbers_are_not_scaled(tmp_path: Path) -> None:
    """Scale, sign and offset of the device file are left to the plate mathematics."""
    columns = quiet_stance()
    path = write_table(tmp_path / "a.csv", ("t", "F"), columns[:2], Dialect())
    channel = Channel(name="F", scale=-0.25, offset=7.0, sign=-1, unit="kN")
    stream = read_csv(path, one_column_device(channel=channel))

    assert np.array_equal(columns[1], stream.raw["F"])
    assert not stream.raw["F"].flags.writeable


def test_rate_counts_the_time_without_a_time_column(tmp_path: Path) -> None:
    """Without a time column the times are the row number over the rate, and the stream says so."""
    path = write_table(tmp_path / "a.csv", ("t", "F"), quiet_stance()[:2], Dialect())
    stream = read_csv(path, one_column_device(time=TimeAxis(rate_hz=800.0)))

    assert stream.clock == "rate"
    assert np.allclose(np.arange(120) / 800.0, stream.t_s)


def test_time_column_wins_over_rate_with_a_note(tmp_path: Path) -> None:
    """With both, the column is used and a rate that contradicts it is named."""
    path = write_table(tmp_path / "a.csv", ("t", "F"), quiet_stance()[:2], Dialect())
    stream = read_csv(path, one_column_device(time=TimeAxis(column="t", rate_hz=1000.0)))

    assert stream.clock == "stamps"
    assert np.isclose(stream.t_s[1], 0.002)
    assert "the column means 500 Hz" in stream.notes[-1]


def test_unit_in_the_header_must_not_contradict_the_device_file(tmp_path: Path) -> None:
    """A column headed [kN] is refused as newtons, taken as kilonewtons, or by its number."""
    path = write_table(tmp_path / "a.csv", ("t [s]", "F [kN]"), quiet_stance()[:2], Dialect())
    by_name = Channel(name="F", column="F [kN]")
    with pytest.raises(InputError, match=r'says its unit is "kN".*says "N"'):
        read_csv(path, one_column_device(time=TimeAxis(column="t [s]"), channel=by_name))
    for channel in (Channel(name="F", column="F [kN]", unit="kN"), Channel(name="F", column=2)):
        assert read_csv(path, one_column_device(time=TimeAxis(column="t [s]"), channel=channel)).raw["F"].size == 120
