"""A recording as files: CSV in a chosen dialect, device file, attempt card, and the truth as JSON."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import msgspec
import numpy as np

from forcekit.model import AttemptCard, DeviceFile, FloatArray, Stream, Table, TimeAxis
from forcekit.simulate.motion import Motion

__all__ = ["CsvDialect", "write_card", "write_device", "write_stream", "write_truth"]

_SECONDS = {"s": 1.0, "ms": 1e3, "us": 1e6}


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvDialect:
    """How the text of a CSV looks."""

    delimiter: str = ","
    decimal: Literal[".", ","] = "."
    header: bool = True
    units_row: bool = False
    comments: tuple[str, ...] = ()
    """Lines before the header."""
    time_unit: Literal["s", "ms", "us"] | None = "s"
    """None: no time column, the rate is all there is."""
    time_decimals: int = 4
    decimals: int = 3
    """Of the channels."""
    names: Mapping[str, str] = field(default_factory=dict)
    """Header text of channels (and of ``time``) that differs from their name."""
    extra_columns: Mapping[str, str] = field(default_factory=dict)
    """Columns nobody needs: header text and what stands in every row."""
    byte_order_mark: bool = False
    encoding: str = "utf-8"
    line_end: str = "\n"
    duplicate_every: int | None = None
    """Every so many rows, one row is written twice."""
    state_layout: bool = True
    """Whether the device file tells delimiter, decimal sign and header; else a reader must find them."""


def write_stream(stream: Stream, path: Path, dialect: CsvDialect) -> DeviceFile:
    """Write the raw numbers of a stream as CSV.

    Parameters
    ----------
    stream : Stream
    path : Path
    dialect : CsvDialect

    Returns
    -------
    DeviceFile
        That of the stream, telling where in the table time and channels now stand.
    """
    if dialect.decimal == dialect.delimiter:
        raise ValueError("decimal sign and delimiter must differ")
    columns = _columns(stream, dialect)
    lines = list(dialect.comments)
    names = list(columns)
    if dialect.header:
        lines.append(dialect.delimiter.join(names))
    if dialect.units_row:
        lines.append(dialect.delimiter.join(_units(stream, dialect)))
    n_before = len(lines)
    rows = [dialect.delimiter.join(row) for row in zip(*columns.values(), strict=True)]
    if dialect.duplicate_every is not None:
        rows = [row for i, row in enumerate(rows) for _ in range(2 if i % dialect.duplicate_every == 1 else 1)]
    text = dialect.line_end.join([*lines, *rows]) + dialect.line_end
    mark = "\ufeff" if dialect.byte_order_mark else ""
    path.write_bytes((mark + text).encode(dialect.encoding))
    return _described(stream, names, n_before, dialect)


def _columns(stream: Stream, dialect: CsvDialect) -> dict[str, list[str]]:
    out: dict[str, list[str]] = {}
    if dialect.time_unit is not None:
        out[dialect.names.get("time", "time")] = _written(
            stream.t_s * _SECONDS[dialect.time_unit], dialect.time_decimals, dialect.decimal
        )
    elif not np.allclose(np.diff(stream.t_s), stream.t_s[1] - stream.t_s[0], rtol=1e-6):
        raise ValueError("samples are missing, so the file needs a time column")
    for header, text in dialect.extra_columns.items():
        out[header] = [text] * stream.t_s.size
    for name, values in stream.raw.items():
        out[dialect.names.get(name, name)] = _written(values, dialect.decimals, dialect.decimal)
    return out


def _written(values: FloatArray, decimals: int, decimal: str) -> list[str]:
    # Adding zero turns a rounded -0 into 0.
    rounded = np.round(values, decimals) + 0.0
    text = [f"{v:.{decimals}f}" for v in rounded]
    return [t.replace(".", decimal) for t in text] if decimal != "." else text


def _units(stream: Stream, dialect: CsvDialect) -> list[str]:
    time = [] if dialect.time_unit is None else [dialect.time_unit]
    counts = {c.name: "" if c.scale != 1.0 else c.unit for c in stream.device.channels}
    return [*time, *["" for _ in dialect.extra_columns], *[counts[name] for name in stream.raw]]


def _described(stream: Stream, names: Sequence[str], n_before: int, dialect: CsvDialect) -> DeviceFile:
    device = stream.device

    def column(name: str) -> str | int | None:
        header = dialect.names.get(name, name)
        if not dialect.header:
            return names.index(header) + 1
        return None if header == name else header

    time = TimeAxis(rate_hz=device.time.rate_hz)
    if dialect.time_unit is not None:
        where = column("time")
        time = TimeAxis(column="time" if where is None else where, unit=dialect.time_unit)
    table = Table(encoding=dialect.encoding)
    if dialect.state_layout:
        table = Table(
            delimiter=dialect.delimiter, decimal=dialect.decimal, header_rows=n_before, encoding=dialect.encoding
        )
    channels = tuple(msgspec.structs.replace(c, column=column(c.name)) for c in device.channels)
    return msgspec.structs.replace(device, table=table, time=time, channels=channels)


def write_device(device: DeviceFile, path: Path, *, comments: Sequence[str] = ()) -> None:
    """Write a device file, leaving out what has its default value."""
    _write_toml(device, path, comments)


def write_card(card: AttemptCard, path: Path, *, comments: Sequence[str] = ()) -> None:
    """Write an attempt card, leaving out what has its default value."""
    _write_toml(card, path, comments)


def _write_toml(section: msgspec.Struct, path: Path, comments: Sequence[str]) -> None:
    import tomlkit

    document = tomlkit.document()
    for line in comments:
        document.add(tomlkit.comment(line))
    for key, value in _pruned(section).items():
        document.add(key, tomlkit.item(value))
    path.write_text(tomlkit.dumps(document), encoding="utf-8")


def _pruned(section: msgspec.Struct) -> dict[str, Any]:
    """Fields that differ from their default, plain values first so that tables come last in the file."""
    out: dict[str, Any] = {}
    for info in msgspec.structs.fields(section):
        value = getattr(section, info.name)
        if info.default is not msgspec.NODEFAULT and value == info.default:
            continue
        out[info.name] = _plain(value)
    return dict(sorted(out.items(), key=lambda pair: _is_table(pair[1])))


def _plain(value: Any) -> Any:
    if isinstance(value, msgspec.Struct):
        return _pruned(value)
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    return value


def _is_table(value: Any) -> bool:
    return isinstance(value, dict) or (isinstance(value, list) and bool(value) and isinstance(value[0], dict))


def write_truth(motion: Motion, path: Path) -> None:
    """Write what is true of every lift of a motion as JSON, SI units, seven digits."""
    plan = motion.plan
    whole = {
        "made": "simulated, not measured",
        "gravity_mps2": _short(motion.gravity_mps2),
        "body_mass_kg": _short(plan.body_mass_kg),
        "stature_m": _short(plan.stature_m),
        "foot_length_m": _short(plan.foot_length_m),
        "lifts": [
            {
                "movement": truth.movement,
                "load_kg": _short(truth.plan.bar_mass_kg),
                "patterns": list(truth.patterns),
                "measures": {name: _short(value) for name, value in truth.measures.items()},
            }
            for truth in motion.truths
        ],
    }
    path.write_text(json.dumps(whole, indent=1) + "\n", encoding="utf-8")


def _short(value: float) -> float:
    return float(f"{value:.7g}")
