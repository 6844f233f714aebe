"""Both fast parsers read the same numbers, and neither takes what the other refuses for a number of its own."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import forcekit
from forcekit.acquire.csv_layout import Layout
from forcekit.acquire.csv_rows import columns_by_arrow, columns_by_pandas, read_rows
from forcekit.errors import InputError

FIELDS = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.floats(-5000.0, 5000.0).map(lambda v: f"{v:.4f}"),
    st.sampled_from(
        ["", "nan", "1e5", "+3", "-.5", "7.", " 4.25", "12 ", "0x10", "1_000", "inf", "one", '"2"', "#", "--1"]
    ),
)


def layout(decimal: str) -> Layout:
    """Three columns with semicolons."""
    return Layout(";", decimal, 3, (), (), 0, (True, True, True))  # type: ignore[arg-type]


@pytest.mark.parametrize("decimal", [".", ","])
@given(rows=st.lists(st.tuples(FIELDS, FIELDS, FIELDS), min_size=1, max_size=6))
def test_what_both_take_is_the_same_to_the_last_digit(decimal: str, rows: list[tuple[str, str, str]]) -> None:
    """Numbers in any spelling; what the faster parser does not take is left to the other one, never read otherwise."""
    text = "\n".join(";".join(row) for row in rows) + "\n"
    body = text.replace(".", decimal).encode()
    quoted = b'"' in body
    fast = columns_by_arrow(body, layout(decimal), [0, 2], 3, quoted=quoted)
    usual = columns_by_pandas(body, layout(decimal), [0, 2], 3, quoted=quoted)
    if fast is None or not all(np.isfinite(v).all() for v in fast.values()):
        return
    assert usual is not None
    for i, values in fast.items():
        np.testing.assert_array_equal(values, usual[i])


def test_the_faster_parser_is_used_for_plain_tables() -> None:
    """It takes what recordings look like, so that the comparison above compares something."""
    body = b"0.000;1.5;-2.25\n0.001;1.75;1e3\n"
    found = columns_by_arrow(body, layout("."), [0, 1, 2], 3, quoted=False)
    assert found is not None
    assert [[0.0, 0.001], [1.5, 1.75], [-2.25, 1000.0]] == [found[i].tolist() for i in range(3)]


@pytest.mark.parametrize("delimiter", [";", " "])
def test_a_row_too_short_is_not_made_up_for_by_one_too_long(delimiter: str) -> None:
    """The number that went missing in one line and the one too many in another are both mistakes."""
    rows = [["0.1", "1.5", "7"]] * 8
    rows[3], rows[5] = ["0.1", "7"], ["0.1", "1", "5", "7"]
    data = "".join(delimiter.join(row) + "\n" for row in rows).encode()
    table = Layout(delimiter, ".", 3, (), (), 0, (True, True, True))
    with pytest.raises(InputError, match="line 4: found 2 fields where the other lines have 3"):
        read_rows(data, table, [0, 1], "x.csv")


def test_reading_a_recording_loads_no_pandas() -> None:
    """Where pyarrow is installed a CSV is read without pandas, which takes longer to load than a file to analyse."""
    sample = Path(__file__).parents[2] / "sample_signals"
    plate, device = str(sample / "oda_60_kg.csv"), str(sample / "club_plate.toml")
    code = (
        f"import sys, forcekit; forcekit.analyze(forcekit.read({plate!r}, device={device!r})); "
        "print('pyarrow' in sys.modules, 'pandas' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "True False" == done.stdout.strip()


def test_a_lift_with_a_bar_loads_no_more_of_scipy_than_it_needs() -> None:
    """scipy.signal and scipy.stats take as long to load as three lifts with a bar to measure."""
    where = Path(forcekit.__file__).parent / "samples"
    names = ("lost_in_front.csv", "club_plate_1000_hz.toml", "lost_in_front.bar.csv", "club_bar.toml")
    plate, device, bar, bar_device = (str(where / name) for name in names)
    code = (
        f"import sys, forcekit; forcekit.analyze(forcekit.read({plate!r}, device={device!r}, bar={bar!r}, "
        f"bar_device={bar_device!r})); "
        "print([m for m in ('ndimage', 'signal', 'stats') if 'scipy.' + m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "['ndimage']" == done.stdout.strip()
