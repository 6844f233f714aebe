"""The columns of the tables, and what a lift, a file and a failure look like as lines of CSV."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from forcekit.registry import MEASURES
from forcekit.results import Analysis, Lift

__all__ = ["PROGRESS_FILE", "TABLES", "TABLE_FILES", "TableColumns", "counts_of", "csv_lines", "lift_row"]

CARD = (
    "athlete", "load_kg", "body_mass_kg", "stature_m", "foot_length_m", "drill", "cue", "outcome", "note",
)  # fmt: skip
"""Fields of the attempt card in the table of lifts; the movement stands in a column of its own."""
VERDICTS = ("good", "doubtful", "bad")


@dataclass(frozen=True, slots=True)
class TableColumns:
    """Name of a table and its columns: name -> kind of what stands in it."""

    name: str
    columns: dict[str, type]


def _lift_columns() -> dict[str, type]:
    kinds: dict[str, type] = {"file": str, "lift": int}
    kinds |= {name: float if name.endswith(("_kg", "_m")) else str for name in CARD}
    kinds |= {"movement": str, "lowest_s": float}
    for name in MEASURES:
        kinds |= {name: float, f"{name}_low": float, f"{name}_high": float}
    return kinds | {"quality": str, "quality_notes": str, "findings": str, "withheld": str}


TABLES = (
    TableColumns("lifts", _lift_columns()),
    TableColumns("failures", {"file": str, "why": str}),
    TableColumns(
        "files",
        {"file": str, "state": str, "lifts": int, "reason": str, "notes": str, "bytes": int, "sha256": str,
         "device": str, "device_sha256": str, "bar": str, "bar_sha256": str, "bar_device": str,
         "bar_device_sha256": str},
    ),
    TableColumns("quality", {"what": str, "name": str, "outcome": str, "n": int}),
)  # fmt: skip
"""The tables of a batch. Measures are in SI units; those withheld are empty, their reasons stand in `withheld`."""

TABLE_FILES = frozenset(f"{table.name}{suffix}" for table in TABLES for suffix in (".csv", ".parquet"))
PROGRESS_FILE = "progress.sqlite"
"""What stands beside the tables in every folder of tables."""


def csv_lines(rows: Iterable[Sequence[object]]) -> str:
    """Rows as CSV: numbers in full, nothing for None, line ends in a text turned into blanks."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([_cell(v) for v in row] for row in rows)
    return out.getvalue()


def _cell(value: object) -> object:
    if isinstance(value, str) and not value.isprintable():
        return " ".join(value.split())
    return value


def lift_row(file: str, number: int, lift: Lift) -> list[object]:
    """One lift as the fields of its line.

    Notes
    -----
    `quality` is the worst verdict of all checks; `quality_notes` holds the sentences of those that are not good;
    `findings` pattern and strength, the first the most important; `withheld` is JSON: reason -> names of measures.
    """
    row: list[object] = [file, number]
    row += [getattr(lift.card, name) for name in CARD]
    row += [lift.movement, lift.instants.lowest_s]
    withheld: dict[str, list[str]] = {}
    for name in MEASURES:
        m = lift.measures[name]
        row += (m.value, m.low, m.high)
        if m.value is None:
            withheld.setdefault(m.withheld or "", []).append(name)
    worst = max((VERDICTS.index(q.verdict) for q in lift.quality), default=0)
    notes = "; ".join(f"{q.name} ({q.verdict}): {q.sentence}" for q in lift.quality if q.verdict != "good")
    findings = "; ".join(f"{f.pattern} ({f.strength})" for f in lift.findings)
    return [*row, VERDICTS[worst], notes, findings, json.dumps(withheld, ensure_ascii=False) if withheld else None]


def counts_of(analysis: Analysis) -> dict[str, int]:
    """What the quality summary counts, ``what<tab>name<tab>outcome`` -> how often."""
    counts: dict[str, int] = {}
    for lift in analysis.lifts:
        keys = [f"check\t{q.name}\t{q.verdict}" for q in lift.quality]
        keys += [f"finding\t{f.pattern}\t{f.strength}" for f in lift.findings]
        for m in lift.measures.values():
            # What stands behind a colon or in brackets is of this lift alone.
            why = "given" if m.value is not None else f"withheld: {(m.withheld or '').split(': ')[0].split(' (')[0]}"
            keys.append(f"measure\t{m.name}\t{why}")
        for key in keys:
            counts[key] = counts.get(key, 0) + 1
    return counts
