"""Attempt cards from a table: one row per recording, or per attempt of a recording.

::

    file,athlete,load_kg,outcome
    monday/ines_1.csv,Ines Falkner,60,made
    monday/ines_2.csv,Ines Falkner,65,missed forward

Columns are ``file``, the fields of an attempt card, and, where needed, ``bar`` (the bar's file), ``device``,
``bar_device`` (device files), ``date`` and ``at_s``: a row with ``at_s`` holds for the attempts from this time of the
recording on (with an outcome: for the last attempt before it).
"""

from __future__ import annotations

import csv
import difflib
import io
import math
import os
import posixpath
import unicodedata
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, get_args

import msgspec

from forcekit.acquire.csv_text import read_text
from forcekit.acquire.device_check import check_card
from forcekit.acquire.toml_file import shown
from forcekit.batch.find import Job
from forcekit.errors import InputError
from forcekit.model import AttemptCard, Movement, Outcome, TimedCard

__all__ = ["Sidecar", "load_sidecar", "with_sidecar"]

PATHS = ("bar", "device", "bar_device")
OTHER = ("file", *PATHS, "date", "at_s")
CARD = AttemptCard.__struct_fields__
TEXTS = ("athlete", "movement", "drill", "cue", "outcome", "note")


@dataclass(frozen=True, slots=True)
class Row:
    """One row: the card and what else it says, with its line for messages."""

    line: int
    card: AttemptCard
    said: Mapping[str, str]
    at_s: float | None


@dataclass(frozen=True, slots=True)
class Sidecar:
    """A table of attempt cards.

    Attributes
    ----------
    source : str
    rows : mapping of str to list of Row
        By what stands in ``file``.
    unused : tuple of str
        Columns that mean nothing to a batch.
    """

    source: Path
    rows: Mapping[str, list[Row]]
    unused: tuple[str, ...]


def load_sidecar(path: Path) -> Sidecar:
    """Read a table of attempt cards (CSV with commas, semicolons or tabs; decimal point or comma).

    Raises
    ------
    InputError
        If there is no column ``file``, a column is nearly called like a known one, or a field cannot be used.
    """
    lines = read_text(path, "utf-8")[0].decode().split("\n")
    # Blank lines, and the one that tells a spreadsheet the delimiter, may stand above the header.
    above = next((i for i, line in enumerate(lines) if line.strip(" \t;,") and not line.startswith("sep=")), 0)
    delimiter = max((";", "\t", ","), key=lines[above].count)
    (_, header), *records = _records("\n".join(lines[above:]), delimiter, above, path.name)
    header = [h.strip() for h in header]
    unused = _check_header(header, path.name)
    n_named = max(i for i, h in enumerate(header, 1) if h)
    rows: dict[str, list[Row]] = defaultdict(list)
    for line, fields in records:
        said = {h: f.strip() for h, f in zip(header, fields, strict=False) if f.strip()}
        where = f"{path.name}, line {line}"
        if any(f.strip() for f in fields[n_named:]):
            raise InputError(
                f"{where}: found {len(fields)} fields under {n_named} columns; if {shown(delimiter)} stands in a "
                "number or a text, put that field in quotes, or save the table with semicolons."
            )
        if not said:
            continue
        if "file" not in said:
            raise InputError(f"{where}: the column file is empty; name the recording, or delete the line.")
        rows[said["file"].replace("\\", "/")].append(_row(said, line, where))
    return Sidecar(path, rows, unused)


def _records(text: str, delimiter: str, above: int, source: str) -> list[tuple[int, list[str]]]:
    """Rows as fields, each with the line it ends in; `above` is the number of lines before the text."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    records: list[tuple[int, list[str]]] = []
    try:
        for fields in reader:
            records.append((above + reader.line_num, fields))
    except csv.Error as error:
        line = records[-1][0] + 1 if records else above + 1
        raise InputError(
            f"{source}, line {line}: this line cannot be read ({error}); look for a quotation mark that is missing or "
            "one too many."
        ) from None
    return records


def _check_header(header: Sequence[str], source: str) -> tuple[str, ...]:
    known = (*OTHER, *CARD)
    if "file" not in header:
        raise InputError(f'{source}: there is no column "file" (found {", ".join(map(shown, header[:12]))}); add it.')
    double = sorted({h for h in header if h in known and header.count(h) > 1})
    if double:
        raise InputError(f'{source}: the column "{double[0]}" is there twice; delete one.')
    unused = tuple(h for h in header if h and h not in known)
    for name in unused:
        near = difflib.get_close_matches(name.lower(), known, 1, 0.75)
        if near:
            raise InputError(f'{source}: the column {shown(name)} is not known; did you mean "{near[0]}"? Rename it.')
    return unused


def _row(said: Mapping[str, str], line: int, where: str) -> Row:
    values: dict[str, Any] = {}
    for name in CARD:
        if name in said:
            values[name] = said[name] if name in TEXTS else _number(said[name], name, where)
    for name, allowed in (("movement", get_args(Movement)), ("outcome", get_args(Outcome))):
        if name in values and values[name] not in allowed:
            raise InputError(f"{where}: {name} is {shown(values[name])}; use one of: {', '.join(allowed)}.")
    card = AttemptCard(**values)
    check_card(card, where)
    at_s = _number(said["at_s"], "at_s", where) if "at_s" in said else None
    if "date" in said:
        try:
            datetime.fromisoformat(said["date"]).timestamp()
        except (ValueError, OverflowError, OSError):
            raise InputError(f"{where}: date is {shown(said['date'])}; write it like 2024-05-31T18:20.") from None
    return Row(line, card, {k: said[k] for k in (*PATHS, "date") if k in said}, at_s)


def _number(text: str, name: str, where: str) -> float:
    try:
        number = float(text.replace(",", "."))
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise InputError(f"{where}: {name} is {shown(text)} where a number is needed; correct it.")
    return number


def with_sidecar(jobs: Sequence[Job], sidecar: Sidecar) -> tuple[list[Job], tuple[str, ...]]:
    """Jobs with their cards, and what the table names that is not among them.

    Notes
    -----
    A row names its file relative to the folder of the batch, or by its name alone where no other has it. An accented
    letter may be one sign or two (some systems split them in file names).

    Raises
    ------
    InputError
        If a name fits several files, a file has several rows without ``at_s`` or rows that contradict each other, or a
        file it names is not there.
    """
    by_name: dict[str, list[str]] = defaultdict(list)
    ends: dict[str, list[str]] = defaultdict(list)
    for job in jobs:
        name = _same(job.name)
        by_name[name].append(job.name)
        ends[name.rpartition("/")[2]].append(job.name)
    rows: dict[str, list[Row]] = defaultdict(list)
    missing = []
    for file, those in sidecar.rows.items():
        found = by_name.get(_same(file)) or ends.get(_same(file), [])
        if len(found) > 1:
            line = f"{sidecar.source.name}, line {those[0].line}"
            raise InputError(f"{line}: {shown(file)} fits {found[0]} and {found[1]}; write the folder, too.")
        if found:
            rows[found[0]] += those
        else:
            missing.append(file)
    known = [_with_rows(job, rows[job.name], sidecar.source) if job.name in rows else job for job in jobs]
    bars = {job.bar for job in known if job.bar is not None}
    return [job for job in known if job.path not in bars], tuple(missing)


def _same(name: str) -> str:
    """Name by which a recording is found, however its letters and its folder are spelt."""
    return unicodedata.normalize("NFC", posixpath.normpath(name))


def _with_rows(job: Job, rows: Sequence[Row], source: Path) -> Job:
    whole = [row for row in rows if row.at_s is None]
    if len(whole) > 1:
        raise InputError(
            f"{source.name}: lines {whole[0].line} and {whole[1].line} both name {job.name}; delete one, or write in "
            "at_s from which second of the recording on each holds."
        )
    timed = sorted((row for row in rows if row.at_s is not None), key=lambda row: row.at_s or 0.0)
    said: dict[str, str] = {}
    line_of: dict[str, int] = {}
    for row in rows:
        for what, value in row.said.items():
            if said.setdefault(what, value) != value:
                raise InputError(
                    f"{source.name}: lines {line_of[what]} and {row.line} say different things of {job.name} in the "
                    f"column {what}; it holds for the whole recording, so write it once."
                )
            line_of.setdefault(what, row.line)
    paths: dict[str, Any] = {}
    for what in PATHS:
        if what in said:
            place = Path(job.path).parent if what == "bar" else source.parent
            path = os.path.abspath(place / said[what])
            if not os.path.isfile(path):
                raise InputError(
                    f"{source.name}, line {line_of[what]}: {what} is {shown(said[what])}; there is no such file in "
                    f"{place}; correct the name."
                )
            paths[what] = path
    return replace(
        job,
        card=whole[0].card if whole else None,
        cards=tuple(TimedCard(row.at_s or 0.0, row.card) for row in timed),
        date=said.get("date"),
        **paths,
    )


def said_of(card: AttemptCard) -> dict[str, Any]:
    """Fields of a card that say something."""
    usual = msgspec.structs.asdict(AttemptCard())
    return {name: v for name, v in msgspec.structs.asdict(card).items() if v != usual[name]}
