"""Bad input gets one sentence that says where, what was found and what to do, never a traceback."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from forcekit.acquire.device_file import load_card, load_device
from forcekit.acquire.propose import propose_device
from forcekit.acquire.source import read
from forcekit.errors import InputError

DEVICE = """name = "p"
kind = "plate"
[time]
column = "t"
unit = "ms"
[[channels]]
name = "F"
[[plates]]
kind = "vertical"
force_z = "F"
"""
ROWS = [f"{i};70{i % 7},5" for i in range(80)]
TABLE = "\n".join(["t;F", *ROWS]) + "\n"


def rows(**changes: str) -> str:
    """The sound table with some rows (``r17=...``: line 17 of the file) replaced."""
    lines = TABLE.split("\n")
    for name, text in changes.items():
        lines[int(name[1:]) - 1] = text
    return "\n".join(lines)


def other(old: str, new: str) -> str:
    """The sound device file with one piece of text replaced."""
    assert old in DEVICE
    return DEVICE.replace(old, new, 1)


# (what is wrong, text of the table or None, text of the device file, words the sentence must hold)
BAD = [
    ("empty table", "", DEVICE, ["a.csv", "empty", "export"]),
    ("only line ends", "\n\r\n \n", DEVICE, ["a.csv", "empty", "export"]),
    ("only a header", "t;F\n", DEVICE, ["a.csv", "numbers", "export"]),
    ("a letter", "Dear coach,\nplease find attached.\n", DEVICE, ["a.csv", "numbers", "export"]),
    ("zeros", b"\0\1\2\3" * 50, DEVICE, ["a.csv", "not a text file", "export"]),
    ("a picture", b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 4, DEVICE, ["a.csv", "text", "export"]),
    ("a spreadsheet", b"PK\x03\x04" + b"x" * 99, DEVICE, ["a.csv", "spreadsheet", "CSV"]),
    ("few rows", "\n".join(["t;F", *ROWS[:20]]), DEVICE, ["a.csv", "20 rows", "50", "export"]),
    ("text", rows(r18="16;ovrld"), DEVICE, ["a.csv", "line 18", "column 2", '"F"', '"ovrld"', "cut"]),
    ("blank field", rows(r30="28;"), DEVICE, ["a.csv", "line 30", '"F"', "empty field", "cut"]),
    ("not a number", rows(r5="3;NaN"), DEVICE, ["a.csv", "line 5", '"NaN"', "number is needed"]),
    ("infinite", rows(r5="3;inf"), DEVICE, ["a.csv", "line 5", '"inf"', "number is needed"]),
    ("too large", rows(r5="3;1e999"), DEVICE, ["a.csv", "line 5", '"1e999"', "number is needed"]),
    ("two decimal marks", rows(r44="42;700.5"), DEVICE, ["a.csv", "line 44", "decimal mark", '"700.5"']),
    ("thousands", rows(r44="42;1.700,5"), DEVICE, ["a.csv", "line 44", "thousands", '"1.700,5"']),
    ("a short row", rows(r44="42"), DEVICE, ["a.csv", "line 44", "found 1 field ", "cut the file"]),
    ("a long row", rows(r44="42;7;7;7"), DEVICE, ["a.csv", "line 44", "found 4 fields", "mend"]),
    ("a second header", rows(r44="t;F"), DEVICE, ["a.csv", "line 44", '"t"', "cut"]),
    ("an open quotation mark", rows(r44='42;"700,5'), DEVICE, ["a.csv", "line 44"]),
    ("time set back", rows(r44="1;700"), DEVICE, ["a.csv", "line 44", "backwards", "from 41 to 1", "cut"]),
    ("force taken for time", TABLE, other('"t"', '"F"').replace('name = "F"', 'name = "F"\ncolumn = "t"'),
     ["a.csv", "backwards in line 9", "from 706.5 to 700.5"]),
    ("constant time", "t;F\n" + "5;700\n5;701\n" * 40, DEVICE, ["a.csv", "stands still at 5", "rate_hz"]),
    ("wrong time unit", TABLE, other('"ms"', '"s"'), ["a.csv", "samples per second", '"ms"']),
    ("no such column", TABLE, other('name = "F"', 'name = "F"\ncolumn = "Fz"'), ["a.csv", '"Fz"', '"t", "F"']),
    ("column 9", TABLE, other('name = "F"', 'name = "F"\ncolumn = 9'), ["a.csv", "column 9", "there are 2", "correct"]),
    ("column 0", TABLE, other('name = "F"', 'name = "F"\ncolumn = 0'), ["a.device.toml", "column is 0", "from 1"]),
    ("two columns of one name", TABLE.replace("t;F", "F;F"), other('"t"', "1"), ["a.csv", '"F"', "1 and 2", "number"]),
    ("two columns alike", TABLE.replace("t;F", "f ; F ").replace("F ", "f"), other('"t"', "1"), ["a.csv", "1 and 2"]),
    ("no header", "\n".join(ROWS), DEVICE, ["a.csv", "no header", '"F"', "column = 1"]),
    ("one signal per row", ("1.5," * 1200 + "2\n") * 3, DEVICE, ["a.csv", "1201 columns", "one signal per column"]),
    ("no rate", TABLE, other('column = "t"\nunit = "ms"', ""), ["a.device.toml", "[time]", "rate_hz"]),
    ("rate zero", TABLE, other('column = "t"\nunit = "ms"', "rate_hz = 0"), ["a.device.toml", "rate_hz is 0", "20 to"]),
    ("empty device file", TABLE, "", ["a.device.toml", '"name" is missing', "write name"]),
    ("not TOML", TABLE, "name = plate\n", ["a.device.toml", "not valid TOML", "line 1", "quotes"]),
    ("misspelt key", TABLE, other("force_z", "force_zz"), ["a.device.toml", '"force_zz"', 'mean "force_z"', "allowed"]),
    ("misspelt section", TABLE, other("[[plates]]", "[[plate]]"), ["a.device.toml", '"plate"', '"plates"']),
    ("wrong kind", TABLE, other('"vertical"', '"vert"'), ["a.device.toml", '"vert"', '"cells"', "[[plates]] number 1"]),
    ("text for a number", TABLE, other('"F"', '"F"\nscale = "2,5"'), ["a.device.toml", '"2,5"', "a number", "scale"]),
    ("scale zero", TABLE, other('"F"', '"F"\nscale = 0'), ["a.device.toml", "scale is 0", "per number"]),
    ("scale infinite", TABLE, other('"F"', '"F"\nscale = inf'), ["a.device.toml", "scale is inf", "finite"]),
    ("unknown unit", TABLE, other('"F"', '"F"\nunit = "stone"'), ["a.device.toml", '"stone"', "use N, kN"]),
    ("unit of a length", TABLE, other('"F"', '"F"\nunit = "mm"'), ["a.device.toml", '"mm"', "a force", "kgf"]),
    ("unknown channel", TABLE, other('force_z = "F"', 'force_z = "G"'), ["a.device.toml", '"G"', "name one of"]),
    ("no plate", TABLE, DEVICE[: DEVICE.index("[[plates]]")], ["a.device.toml", "[[plates]]", "add"]),
    ("no channel", TABLE, 'name = "p"\nkind = "plate"\nchannels = []\n[time]\nrate_hz = 100\n', ["[[channels]]"]),
    ("a channel twice", TABLE, other("[[plates]]", '[[channels]]\nname = "F"\n[[plates]]'), ["twice", "its own"]),
    ("unknown encoding", TABLE, other("[time]", '[table]\nencoding = "klingon"\n[time]'), ['"klingon"', '"utf-8"']),
    ("unknown delimiter", TABLE, other("[time]", '[table]\ndelimiter = "::"\n[time]'), ['"::"', '";"']),
    ("a short row where a column of words is asked for", "t;F;note\n0;700\n" + "1;700;x\n" * 80,
     other('name = "F"', 'name = "F"\ncolumn = 3'), ["a.csv", "line 2", "found 2 fields", "complete"]),
    ("a number beyond all", TABLE, DEVICE + "[link]\ntransport = \"serial\"\nbaud = 1" + "0" * 400 + "\n",
     ["a.device.toml", "[link]", "baud is 1e+300", "baud"]),
    ("header_rows beyond the end", TABLE, other("[time]", "[table]\nheader_rows = 500\n[time]"), ["a.csv", "numbers"]),
]  # fmt: skip


def is_one_sentence(message: str) -> bool:
    """Ends with a full stop and holds no other end of a sentence, quotations aside."""
    bare = re.sub(r'"[^"]*"', "Q", message).replace(" ...", "")
    return "\n" not in message and message.endswith(".") and not re.search(r"[.!?](\s|$)", bare[:-1])


@pytest.mark.parametrize(("what", "table", "device", "words"), BAD, ids=[case[0] for case in BAD])
def test_bad_files_get_a_sentence(tmp_path: Path, what: str, table: str | bytes, device: str, words: list[str]) -> None:
    """Each bad table or device file raises an InputError of one sentence with place, finding and remedy."""
    path = tmp_path / "a.csv"
    path.write_bytes(table.encode() if isinstance(table, str) else table)
    (tmp_path / "a.device.toml").write_text(device, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read(path)
    message = str(caught.value)

    assert [word for word in words if word not in message] == [], message
    assert is_one_sentence(message), message
    assert "a.csv" in message or "a.device.toml" in message


def test_the_sound_files_are_read(tmp_path: Path) -> None:
    """The table and device file that the bad ones are made from are good."""
    (tmp_path / "a.csv").write_text(TABLE)
    (tmp_path / "a.device.toml").write_text(DEVICE)
    recording = read(tmp_path / "a.csv")

    assert recording.plate is not None
    assert recording.plate.raw["F"].size == 80


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda d: read(d / "gone.csv", d / "x.toml"), ["gone.csv", "no such file", "check"]),
        (lambda d: read(d, d / "x.toml"), ["folder", "name a file"]),
        (lambda d: read(d / "note.docx", d / "x.toml"), ["note.docx", '".docx"', ".csv", "export"]),
        (lambda d: load_device(d / "gone.toml"), ["gone.toml", "no such file", "check"]),
        (lambda d: load_device(d), ["folder", "name a file"]),
        (lambda d: load_device(d / "latin.toml"), ["latin.toml", "UTF-8", "save"]),
        (lambda d: load_card(d / "card.toml"), ["card.toml", "stature_m is 178", "metres", "correct"]),
        (lambda d: load_card(d / "shoe.toml"), ["shoe.toml", "shoe_size_mm is 43", "millimetres", "correct"]),
        (lambda d: load_card(d / "moved.toml"), ["moved.toml", '"snatch"', '"jerk"', "correct"]),
        (lambda d: load_card(d / "two.toml"), ["two.toml", "not valid TOML", "line 2"]),
        (lambda d: propose_device(d / "gone.csv"), ["gone.csv", "no such file", "check"]),
        (lambda d: propose_device(d / "words.csv"), ["words.csv", "numbers", "export"]),
        (lambda d: propose_device(d / "small.csv"), ["small.csv", "3 rows", "longer"]),
    ],
)
def test_other_mistakes_get_a_sentence(tmp_path: Path, call: Callable[[Path], object], words: list[str]) -> None:
    """Missing files, folders, cards with impossible numbers and hopeless proposals too."""
    (tmp_path / "latin.toml").write_bytes(b'name = "Fu\xdf"\n')
    (tmp_path / "card.toml").write_text("stature_m = 178\n")
    (tmp_path / "shoe.toml").write_text("shoe_size_mm = 43\n")
    (tmp_path / "moved.toml").write_text('movement = "snatch"\n')
    (tmp_path / "two.toml").write_text("load_kg = 70\nload_kg = 80\n")
    (tmp_path / "words.csv").write_text("one,two\nthree,four\n")
    (tmp_path / "small.csv").write_text("1,2\n3,4\n5,6\n")
    with pytest.raises(InputError) as caught:
        call(tmp_path)
    message = str(caught.value)

    assert [word for word in words if word not in message] == [], message
    assert is_one_sentence(message), message


def test_a_file_one_may_not_read(tmp_path: Path) -> None:
    """A refusal by the operating system becomes a sentence (an administrator becomes nobody for this)."""
    path = tmp_path / "a.csv"
    path.write_text(TABLE)
    (tmp_path / "x.toml").write_text(DEVICE)
    device = load_device(tmp_path / "x.toml")
    path.chmod(0)
    administrator = os.geteuid() == 0
    if administrator:
        os.seteuid(65534)
    try:
        with pytest.raises(InputError, match=r"a\.csv: you may not read this file; change its permissions"):
            propose_device(path)
        with pytest.raises(InputError, match=r"a\.csv: you may not read this file; change its permissions"):
            read(path, device)
    finally:
        if administrator:
            os.seteuid(0)


def only_input_errors(call: Callable[[], object]) -> None:
    """Run something that may succeed or raise an InputError of one line, and nothing else."""
    message = ""
    try:
        call()
    except InputError as error:
        message = str(error)

    assert message == "" or (message.endswith(".") and "\n" not in message)


ROWLIKE = st.lists(
    st.lists(
        st.one_of(
            st.floats(-1e4, 1e4).map(lambda v: f"{v:.3f}"), st.integers(-99, 99).map(str), st.sampled_from(
                ["", "nan", "inf", '"', "1e9", "1,5", "#", "x", "é", "-", ".", ",", "1_0", "٣", "0x1", "\u2028", "\x0c"]
            )
        ),
        min_size=1, max_size=4,
    ).map(";".join),
    min_size=0, max_size=90,
)  # fmt: skip
FILES = st.one_of(
    st.binary(max_size=400),
    st.text(max_size=300).map(lambda text: text.encode("utf-8", "surrogatepass")),
    st.builds(lambda rows, end: end.join(rows).encode(), ROWLIKE, st.sampled_from(["\n", "\r\n", "\n\n"])),
    st.builds(
        lambda at, junk: TABLE.encode()[:at] + junk + TABLE.encode()[at:], st.integers(0, 700), st.binary(max_size=6)
    ),
    st.builds(lambda at, n: TABLE.encode()[:at] + TABLE.encode()[at + n :], st.integers(0, 700), st.integers(1, 40)),
)


@settings(max_examples=250, deadline=None, derandomize=True)
@example(data=b'"')
@example(data=b"\xff\xfe\x31")
@example(data=b"1;2\n" * 60 + b'"')
@given(data=FILES)
def test_any_bytes_as_a_table(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    """Reading or proposing for any bytes whatever gives a result or an InputError."""
    folder = tmp_path_factory.getbasetemp()
    path, device = folder / "any.csv", folder / "any.device.toml"
    path.write_bytes(data)
    device.write_text(other('name = "F"', 'name = "F"\ncolumn = 2'))
    only_input_errors(lambda: read(path))
    only_input_errors(lambda: propose_device(path))


@settings(max_examples=250, deadline=None, derandomize=True)
@example(data=b"a = " + b"[" * 3000)
@example(data=b"channels = 1")
@example(data=b"a." * 3000 + b"b = 1")
@given(
    data=st.one_of(
        st.binary(max_size=200),
        st.text(max_size=200).map(lambda text: text.encode("utf-8", "surrogatepass")),
        st.builds(
            lambda at, n, junk: DEVICE.encode()[:at] + junk + DEVICE.encode()[at + n :],
            st.integers(0, len(DEVICE)),
            st.integers(0, 12),
            st.sampled_from([b"", b"[", b"]", b'"', b"=", b"1", b"nan", b"[]", b"{}", b"-", b"\n", b"true", b"1e999"]),
        ),
    )
)
def test_any_bytes_as_a_device_file(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    """Loading any bytes whatever as device file or card gives a result or an InputError."""
    path = tmp_path_factory.getbasetemp() / "any.toml"
    path.write_bytes(data)
    only_input_errors(lambda: load_device(path))
    only_input_errors(lambda: load_card(path))
