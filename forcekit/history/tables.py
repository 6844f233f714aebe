"""Export and import of the store as open tables (CSV, or Parquet), whole or one athlete."""

from __future__ import annotations

import csv
import importlib
import json
import math
import os
import shutil
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any, Literal

import sqlalchemy as sa

from forcekit.errors import InputError
from forcekit.history import schema as t
from forcekit.history.people import find_athlete_id
from forcekit.history.recordings import find_kept
from forcekit.history.store import Store, make_private_folder, reading

__all__ = ["TABLES", "Exported", "TableDef", "check_format", "export_tables", "read_table"]

ABOUT = "about.json"
FORMAT = 1
"""Version of the exported tables, in `about.json`."""
Format = Literal["csv", "parquet"]


@dataclass(frozen=True, slots=True)
class TableDef:
    """One exported table: its name, its columns (name -> number or text), and the query that fills it."""

    name: str
    columns: dict[str, type]
    select: sa.Select[Any]
    order: tuple[sa.ColumnElement[Any], ...]


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written: rows per table, raw files, and those withheld because another athlete's lifts are in them."""

    folder: Path
    n_rows: dict[str, int]
    n_files: int
    n_withheld: int = 0


def _tables() -> tuple[TableDef, ...]:
    a, r, p, s = t.attempts.c, t.results.c, t.athletes.c, t.sessions.c
    people = t.attempts.join(t.athletes, a.athlete_id == p.id)
    of_result = people.join(t.results, r.attempt_id == a.id)
    m, names = t.measures.c, t.measure_names.c
    of_measure = t.measures.join(t.measure_names, m.measure_id == names.id).join(t.results, m.result_id == r.id)
    of_measure = of_measure.join(t.athletes, m.athlete_id == p.id)
    f, q, files, links = t.findings.c, t.quality_checks.c, t.recordings.c, t.attempt_recordings.c
    of_file = people.join(t.attempt_recordings, links.attempt_id == a.id).join(
        t.recordings, links.recording_id == files.id
    )

    def table(
        name: str, source: sa.FromClause, order: Sequence[sa.ColumnElement[Any]], /, **columns: sa.ColumnElement[Any]
    ) -> TableDef:
        kinds: dict[str, type] = {}
        for k, c in columns.items():
            kinds[k] = float if isinstance(c.type, sa.Float) else int if isinstance(c.type, sa.Integer) else str
        return TableDef(
            name, kinds, sa.select(*(c.label(k) for k, c in columns.items())).select_from(source), tuple(order)
        )

    with_session = people.outerjoin(t.sessions, a.session_id == s.id)
    return (
        table("athletes", t.athletes, [p.id], uid=p.uid, name=p.name, stature_m=p.stature_m,
              foot_length_m=p.foot_length_m, shoe_size_mm=p.shoe_size_mm, note=p.note, added_at=p.added_at),
        table("body_masses", t.body_masses.join(t.athletes), [p.id, t.body_masses.c.at], athlete_uid=p.uid,
              at=t.body_masses.c.at, mass_kg=t.body_masses.c.mass_kg, source=t.body_masses.c.source),
        table("sessions", t.sessions, [s.id], uid=s.uid, started_at=s.started_at, place=s.place, note=s.note),
        table("attempts", with_session, [a.id], uid=a.uid, athlete_uid=p.uid, session_uid=s.uid,
              lifted_at=a.lifted_at, content_hash=a.content_hash, lift_at_s=a.lift_at_s, movement=a.movement,
              load_kg=a.load_kg, body_mass_kg=a.body_mass_kg, drill=a.drill, cue=a.cue, outcome=a.outcome, note=a.note),
        table("recordings", of_file, [a.id, files.id], attempt_uid=a.uid, role=links.role, sha256=files.sha256,
              n_bytes=files.n_bytes, file_name=files.file_name, stored_at=files.stored_at),
        table("results", of_result, [r.id], uid=r.uid, attempt_uid=a.uid, analysed_at=r.analysed_at,
              software=r.software, definitions=r.definitions, setup=r.setup, fingerprint=r.fingerprint),
        table("measures", of_measure, [m.athlete_id, m.result_id, m.measure_id], result_uid=r.uid, measure=names.name,
              unit=names.unit, value=m.value, low=m.low, high=m.high, withheld=m.withheld),
        table("findings", of_result.join(t.findings, f.result_id == r.id), [r.id, f.place], result_uid=r.uid,
              place=f.place, pattern=f.pattern, strength=f.strength, sentence=f.sentence, evidence=f.evidence,
              limit_source=f.limit_source, cue=f.cue, drill=f.drill, caution=f.caution),
        table("quality_checks", of_result.join(t.quality_checks, q.result_id == r.id), [r.id, q.place],
              result_uid=r.uid, place=q.place, name=q.name, verdict=q.verdict, sentence=q.sentence,
              withholds=q.withholds),
    )  # fmt: skip


TABLES: tuple[TableDef, ...] = _tables()
"""The exported tables, in the order in which they can be read back. Times are seconds since 1970 (UTC), values SI."""


def export_tables(
    store: Store, folder: str | Path, *, athlete: str | None = None, fmt: Format = "csv", raw: bool = True
) -> Exported:
    """Write the whole store, or one athlete, as tables and raw files into a new folder.

    Parameters
    ----------
    folder : str or Path
        Must not exist, or be empty.
    athlete : str, optional
        Only this one: all that the store knows of the athlete and no measurement of others. A raw recording that also
        holds another athlete's lifts is not copied; its row stays, so that the attempt is recognised. A session's note
        and a file's name are written as they stand, whomever they speak of.
    fmt : {"csv", "parquet"}
        Parquet needs pyarrow.
    raw : bool
        Whether to copy the raw recordings as well.

    Notes
    -----
    All tables show one moment of the store. The folder appears under its name only when it is complete.
    """
    who = None if athlete is None else find_athlete_id(store, athlete)
    target, part = _new_folder(Path(folder))
    try:
        n_rows, n_files, n_withheld = _write_all(store, part, who, fmt, raw)
        about = {"format": FORMAT, "tables": n_rows, "raw_files": n_files, "raw_files_withheld": n_withheld}
        about["times"] = "seconds since 1970 (UTC)"
        _write_text(part / ABOUT, json.dumps(about, indent=1))
        if target.exists():
            target.rmdir()
        part.replace(target)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise
    return Exported(target, n_rows, n_files, n_withheld)


def check_format(folder: Path) -> None:
    """Check that a folder is an export whose tables mean what this version takes them to mean.

    Raises
    ------
    InputError
        If its `about.json` is missing or damaged, or names another version of the tables.
    """
    path = folder / ABOUT
    try:
        about = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise InputError(f"import: {path} is missing. Give a folder that was written by an export.") from error
    except (OSError, ValueError, RecursionError) as error:
        raise InputError(f"import: {path} cannot be read or is damaged. Export the store again.") from error
    found = about.get("format") if isinstance(about, dict) else None
    if type(found) is not int:
        raise InputError(f"import: {path} does not say which version its tables have. Export the store again.")
    if found != FORMAT:
        raise InputError(
            f"import: the tables in {folder} have version {found}, and this forcekit reads version {FORMAT}. "
            + ("Update forcekit." if found > FORMAT else "Export the store again.")
        )


def read_table(folder: Path, name: str) -> Iterator[dict[str, Any]]:
    """Read one exported table row by row: numbers as numbers, empty cells of a column that may be empty as None.

    Raises
    ------
    InputError
        If the table is missing, damaged, lacks a column, or holds text where a number belongs.
    """
    columns = next(table.columns for table in TABLES if table.name == name)
    parquet, path = folder / f"{name}.parquet", folder / f"{name}.csv"
    if parquet.exists():
        yield from _read_parquet(parquet, columns)
        return
    if not path.exists():
        raise InputError(f"import: {path} is missing. Give a folder that was written by an export.")
    try:
        with path.open(newline="", encoding="utf-8") as file:
            reader = csv.DictReader(file)
            _check_columns(path, columns, reader.fieldnames or ())
            for i, row in enumerate(reader, 2):
                yield {k: _cell(row[k], kind, path, i, k) for k, kind in columns.items()}
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"{path.name}: it is no table in UTF-8 ({error}). Export the store again.") from error


# --------------------------------------------------------------------------------------------------- inside


def _new_folder(folder: Path) -> tuple[Path, Path]:
    """Path of the export, and the folder beside it that becomes the export when it is complete."""
    try:
        target = folder.expanduser()
        if target.resolve() == Path.cwd():
            raise InputError(f"export: {target} is the folder you are in. Give the name of a new one.")
        if target.exists() and (not target.is_dir() or any(target.iterdir())):
            raise InputError(f"export: {target} is there already and is not an empty folder. Give a new name.")
        part = target.with_name(f".{target.name}.part")
        shutil.rmtree(part, ignore_errors=True)
        part.mkdir(parents=True, mode=0o700, exist_ok=True)
    except RuntimeError:
        raise InputError(
            f"export: {folder} names the home folder of nobody known here. Write the whole path."
        ) from None
    except OSError as error:
        raise InputError(f"export: the folder {folder} cannot be made ({error.strerror}). Give another one.") from error
    return target, part


_ROWS_AT_ONCE = 50_000
"""Rows of a Parquet file held in memory; a club's table of measures has tens of millions."""
_MAY_BE_NONE = {"content_hash", "session_uid", "withheld"}


def _check_columns(path: Path, columns: Mapping[str, type], found: Iterable[str]) -> None:
    missing = columns.keys() - set(found)
    if missing:
        raise InputError(f"{path.name}: column {', '.join(sorted(missing))} is missing. Export the store again.")


def _read_parquet(path: Path, columns: Mapping[str, type]) -> Iterator[dict[str, Any]]:
    pq, pa = _pyarrow(), importlib.import_module("pyarrow")
    try:
        file = pq.ParquetFile(path)
        _check_columns(path, columns, file.schema_arrow.names)
        expected = _arrow_schema(columns)
        for name in columns:
            found = file.schema_arrow.field(name).type
            if found not in (expected.field(name).type, pa.null()):
                raise InputError(f"{path.name}: column {name} holds {found}. Export the store again.")
        for batch in file.iter_batches(_ROWS_AT_ONCE, columns=list(columns)):
            yield from batch.to_pylist()
    except (pa.ArrowException, OSError) as error:
        raise InputError(f"{path.name}: it is damaged or no Parquet file. Export the store again.") from error


def _cell(text: str | None, kind: type, path: Path, line: int, column: str) -> Any:
    if kind is str:
        return None if not text and column in _MAY_BE_NONE else text or ""
    if not text:
        return None
    try:
        number = kind(text)
        if not math.isfinite(number):
            raise ValueError
        return number
    except (ValueError, OverflowError) as error:
        raise InputError(
            f'{path.name}, row {line}, column {column}: "{text}" is found where a number is needed. Correct the cell.'
        ) from error


def _write_all(store: Store, folder: Path, who: int | None, fmt: Format, raw: bool) -> tuple[dict[str, int], int, int]:
    """Rows per table, raw files copied, raw files withheld."""
    n_rows: dict[str, int] = {}
    hashes: list[str] = []
    shared: set[str] = set()
    with reading(store) as conn:
        if conn.dialect.name == "postgresql":
            conn.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
        for table in TABLES:
            query = table.select.order_by(*table.order)
            if who is not None:
                query = query.where(_only(table.name, who))
            rows = conn.execution_options(yield_per=5000).execute(query)
            written = _noting(hashes, table, rows)
            n_rows[table.name] = (_write_csv if fmt == "csv" else _write_parquet)(folder, table, written)
        if who is not None:
            shared = _of_others(conn, who) & set(hashes)
    n_files = 0
    for sha256 in sorted(set(hashes) - shared) if raw else ():
        source = find_kept(store, sha256)
        if source is not None:
            make_private_folder(folder / "recordings")
            shutil.copy2(source, folder / "recordings" / source.name)
            n_files += 1
    return n_rows, n_files, len(shared) if raw else 0


def _of_others(conn: sa.Connection, who: int) -> set[str]:
    """Hashes of the recordings with lifts of other athletes; a device file holds nobody's."""
    links, files, a = t.attempt_recordings.c, t.recordings.c, t.attempts.c
    source = t.attempt_recordings.join(t.attempts, links.attempt_id == a.id)
    source = source.join(t.recordings, links.recording_id == files.id)
    others = sa.select(files.sha256).select_from(source).where(a.athlete_id != who, links.role != "device")
    return set(conn.execute(others.distinct()).scalars())


def _only(name: str, who: int) -> sa.ColumnElement[bool]:
    """Condition that keeps one athlete's rows of a table."""
    if name == "sessions":
        a = t.attempts.c
        return sa.exists().where(a.session_id == t.sessions.c.id, a.athlete_id == who).correlate(t.sessions)
    return t.athletes.c.id == who


def _noting(hashes: list[str], table: TableDef, rows: Iterable[Any]) -> Iterator[tuple[Any, ...]]:
    i_hash = list(table.columns).index("sha256") if table.name == "recordings" else None
    for row in rows:
        if i_hash is not None:
            hashes.append(row[i_hash])
        yield tuple(row)


def _write_csv(folder: Path, table: TableDef, rows: Iterable[tuple[Any, ...]]) -> int:
    n = 0
    path = folder / f"{table.name}.csv"
    with os.fdopen(os.open(path, os.O_CREAT | os.O_WRONLY, 0o600), "w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(table.columns)
        for row in rows:
            writer.writerow(["" if v is None else repr(v) if isinstance(v, float) else v for v in row])
            n += 1
    return n


def _arrow_schema(columns: Mapping[str, type]) -> Any:
    pa = importlib.import_module("pyarrow")
    kinds = {float: pa.float64(), int: pa.int64(), str: pa.string()}
    return pa.schema([(name, kinds[kind]) for name, kind in columns.items()])


def _write_parquet(folder: Path, table: TableDef, rows: Iterable[tuple[Any, ...]]) -> int:
    pq, pa = _pyarrow(), importlib.import_module("pyarrow")
    fields = _arrow_schema(table.columns)
    path = folder / f"{table.name}.parquet"
    os.close(os.open(path, os.O_CREAT | os.O_WRONLY, 0o600))
    n, rest = 0, iter(rows)
    with pq.ParquetWriter(path, fields, compression="zstd") as writer:
        while held := list(islice(rest, _ROWS_AT_ONCE)):
            arrays = [pa.array(c, type=f.type) for c, f in zip(zip(*held, strict=True), fields, strict=True)]
            writer.write_table(pa.table(arrays, schema=fields))
            n += len(held)
    return n


def _write_text(path: Path, text: str) -> None:
    with os.fdopen(os.open(path, os.O_CREAT | os.O_WRONLY, 0o600), "w", encoding="utf-8") as file:
        file.write(text)


def _pyarrow() -> Any:
    try:
        return importlib.import_module("pyarrow.parquet")
    except ImportError as error:
        raise InputError(
            'Parquet needs pyarrow. Install it with pip install "forcekit[parquet]", or use CSV.'
        ) from error
