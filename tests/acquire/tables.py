"""Tables with known numbers, written in any dialect."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import numpy as np

from forcekit.model import Cell, Channel, DeviceFile, FloatArray, Plate, TimeAxis


@dataclass(frozen=True)
class Dialect:
    """How a table is written."""

    delimiter: str = ","
    decimal: str = "."
    header: str = "plain"
    """"plain", "none", "comment", "units" (with a units row) or "metadata" (lines above the header)."""
    end: str = "\n"
    encoding: str = "utf-8"
    trailing: bool = False
    """A delimiter at the end of each row."""
    last_end: bool = True
    """The last line is ended."""
    text_column: bool = False
    quoted: bool = False


METADATA = ("Laboratory{d}North hall", "Date{d}14 May", "Rate{d}1000", "")


def write_table(path: Path, names: Sequence[str], columns: Sequence[FloatArray], dialect: Dialect) -> Path:
    """Write columns with 6 decimals under a header in a dialect; give back the path."""
    d = "   " if dialect.delimiter == "  " else dialect.delimiter

    def joined(fields: Sequence[str]) -> str:
        quoted = [f'"{field}"' for field in fields] if dialect.quoted else fields
        return d.join(quoted) + d * dialect.trailing

    extra = ["Note"] if dialect.text_column else []
    lines = []
    if dialect.header == "metadata":
        lines += [line.format(d=d) for line in METADATA]
    if dialect.header != "none":
        lines.append("#" * (dialect.header == "comment") + joined([*names, *extra]))
    if dialect.header == "units":
        lines.append(joined(["s", *["N"] * (len(names) - 1), *["-"] * len(extra)]))
    for i, row in enumerate(zip(*columns, strict=True)):
        note = [("stands", "moves")[i % 7 == 0]] if dialect.text_column else []
        lines.append(joined([*(f"{value:.6f}".replace(".", dialect.decimal) for value in row), *note]))
    text = dialect.end.join(lines) + dialect.end * dialect.last_end
    path.write_bytes(text.encode(dialect.encoding))
    return path


def dialects() -> list[Dialect]:
    """Every combination of delimiter, decimal mark, header and one more trait."""
    traits: list[dict[str, object]] = [
        {},
        {"end": "\r\n"},
        {"end": "\r"},
        {"encoding": "utf-8-sig"},
        {"encoding": "utf-16"},
        {"encoding": "utf-16-le"},
        {"trailing": True},
        {"last_end": False},
        {"text_column": True},
        {"quoted": True},
    ]
    out = []
    for delimiter, decimal, header in product(
        (",", ";", "\t", "|", " ", "  "), (".", ","), ("plain", "none", "comment", "units", "metadata")
    ):
        for trait in traits:
            if delimiter == decimal == ",":
                continue
            out.append(Dialect(delimiter, decimal, header, **trait))  # type: ignore[arg-type]
    return out


def quiet_stance(n: int = 120, seed: int = 1) -> list[FloatArray]:
    """Time at 500 Hz and four cells that carry 70 kg, rounded to the 6 decimals that are written."""
    rng = np.random.default_rng(seed)
    cells = [share * 686.5 + rng.normal(0.0, 2.0, n) for share in (0.24, 0.27, 0.22, 0.27)]
    return [np.round(column, 6) for column in (np.arange(n) / 500.0, *cells)]


CELLS = ("FL", "FR", "RL", "RR")


def cell_device(*, by_number: bool = False) -> DeviceFile:
    """A device file for `quiet_stance` under the header ``Time FL FR RL RR``."""
    corners = ((0.2, 0.2), (0.2, -0.2), (-0.2, 0.2), (-0.2, -0.2))
    return DeviceFile(
        name="four cells",
        kind="plate",
        time=TimeAxis(column=1 if by_number else "Time"),
        channels=tuple(Channel(name=c, column=i if by_number else None) for i, c in enumerate(CELLS, 2)),
        plates=(
            Plate(
                kind="cells",
                cells=tuple(Cell(channel=c, x_m=x, y_m=y) for c, (x, y) in zip(CELLS, corners, strict=True)),
            ),
        ),
    )


def one_column_device(**changes: object) -> DeviceFile:
    """A device file for a table with the columns ``t`` and ``F``."""
    time = changes.pop("time", TimeAxis(column="t"))
    channel = changes.pop("channel", Channel(name="F"))
    return DeviceFile(  # type: ignore[misc]
        name="one column",
        kind="plate",
        time=time,
        channels=(channel,),
        plates=(Plate(kind="vertical", force_z="F"),),
        **changes,
    )


def write_stamps(path: Path, stamps: Sequence[float], force: Sequence[float] | None = None) -> Path:
    """Write a table ``t;F``; without forces each row has another one."""
    values = range(len(stamps)) if force is None else force
    text = io.StringIO()
    writer = csv.writer(text, delimiter=";", lineterminator="\n")
    writer.writerow(["t", "F"])
    writer.writerows(zip((repr(float(s)) for s in stamps), (repr(float(v)) for v in values), strict=True))
    path.write_text(text.getvalue(), encoding="utf-8")
    return path
