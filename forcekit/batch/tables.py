"""The finished tables of a batch: CSV from the entries of the journal, Parquet from the CSV, the manifest last."""

from __future__ import annotations

import functools
import hashlib
import json
import os
from collections import Counter
from collections.abc import Callable, Iterable
from importlib.util import find_spec
from pathlib import Path
from typing import IO, Any

from forcekit.batch.columns import TABLES, TableColumns, csv_lines
from forcekit.batch.one import Done
from forcekit.errors import InputError

__all__ = ["MANIFEST", "can_write_parquet", "write_manifest", "write_tables"]

MANIFEST = "manifest.json"
BLOCK_BYTES = 16_000_000
"""Text that becomes one part of a Parquet table: memory does not grow with the table (our choice)."""


def can_write_parquet() -> bool:
    """Whether the package for Parquet is installed."""
    return find_spec("pyarrow") is not None


def write_tables(folder: Path, entries: Iterable[Done], *, parquet: bool) -> dict[str, str]:
    """Write all tables; return the SHA-256 of each file by name.

    Parameters
    ----------
    folder : Path
        Files in it are replaced whole.
    entries : iterable of Done
        In the order of the tables.
    parquet : bool

    Notes
    -----
    The manifest of an earlier run is removed first: a folder with a manifest is complete. So are its Parquet
    tables where none are written now: older numbers would stand beside the new ones.

    Raises
    ------
    InputError
        If the disk refuses the files.
    """
    try:
        return _written(folder, entries, parquet=parquet)
    except OSError as error:
        raise _refused(folder, error) from None


def _refused(folder: Path, error: OSError) -> InputError:
    why = error if error.errno is None else os.strerror(error.errno)
    return InputError(
        f"{folder}: the tables cannot be written ({why}); make room or see to the folder, and give the same command "
        "again: nothing is analysed twice."
    )


def _written(folder: Path, entries: Iterable[Done], *, parquet: bool) -> dict[str, str]:
    (folder / MANIFEST).unlink(missing_ok=True)
    counts: Counter[str] = Counter()
    parts = {table.name: _open(folder / f".{table.name}.csv.part") for table in TABLES}
    for table in TABLES:
        parts[table.name].write(csv_lines([list(table.columns)]).encode())
    for entry in entries:
        for name, lines in entry.lines.items():
            parts[name].write(lines.encode("utf-8", "backslashreplace"))
        counts.update(entry.counts)
    rows = [(*key.split("\t"), n) for key, n in sorted(counts.items())]
    parts["quality"].write(csv_lines(rows).encode())
    for part in parts.values():
        part.close()
    hashes = {}
    for table in TABLES:
        made = folder / f".{table.name}.csv.part"
        if parquet:
            target = folder / f"{table.name}.parquet"
            _replaced(target, functools.partial(_write_parquet, table, made))
            hashes[target.name] = _hash(target)
        else:
            (folder / f"{table.name}.parquet").unlink(missing_ok=True)
        made.replace(folder / f"{table.name}.csv")
        hashes[f"{table.name}.csv"] = _hash(folder / f"{table.name}.csv")
    return dict(sorted(hashes.items()))


def write_manifest(folder: Path, manifest: dict[str, Any]) -> None:
    """Write the manifest."""
    text = json.dumps(manifest, indent=1, ensure_ascii=False) + "\n"

    def write(path: Path) -> None:
        with _open(path) as file:
            file.write(text.encode())

    try:
        _replaced(folder / MANIFEST, write)
    except OSError as error:
        raise _refused(folder, error) from None


def _open(path: Path) -> IO[bytes]:
    """Open a new file that only its owner can read: athletes are named in it."""
    return os.fdopen(os.open(path, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, 0o600), "wb", buffering=1 << 20)


def _replaced(target: Path, write: Callable[[Path], None]) -> None:
    part = target.with_name(f".{target.name}.part")
    write(part)
    part.replace(target)


def _hash(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _write_parquet(table: TableColumns, source: Path, target: Path) -> None:
    """Turn a table of CSV into Parquet, block by block."""
    try:
        import pyarrow as pa  # type: ignore[import-untyped]
        import pyarrow.csv as pc  # type: ignore[import-untyped]
        import pyarrow.parquet as pq  # type: ignore[import-untyped]
    except ImportError:
        raise InputError(
            '--parquet needs another package; install it with pip install "forcekit[parquet]", or take CSV alone.'
        ) from None

    kinds = {float: pa.float64(), int: pa.int64(), str: pa.string()}
    schema = pa.schema([(name, kinds[kind]) for name, kind in table.columns.items()])
    reader = pc.open_csv(
        source,
        read_options=pc.ReadOptions(block_size=BLOCK_BYTES, use_threads=False),
        convert_options=pc.ConvertOptions(
            column_types=schema, null_values=[""], strings_can_be_null=True, quoted_strings_can_be_null=False
        ),
    )
    os.close(os.open(target, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, 0o600))
    with pq.ParquetWriter(target, schema, compression="zstd") as writer:
        for batch in reader:
            writer.write_batch(batch)
