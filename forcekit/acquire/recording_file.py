"""A finished recording as one compact file that explains itself, and its reader.

Parquet with the extra ``parquet`` (columns of whole numbers as differences, compressed), else a compressed
``.npz`` that needs numpy alone. Both hold the numbers as sent, each device's clock, and as JSON text under the key
``forcekit`` the device files, attempt cards, clock fits and notes.

Columns of the Parquet file: ``stream`` (number of the device), ``epoch`` and ``tick`` (its clock), ``t_us``
(microseconds from the recording's start, for other tools), and one column a channel, empty in the rows of the
other devices.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, replace
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from forcekit.acquire.device_file import device_text
from forcekit.acquire.device_text import device_from_text
from forcekit.acquire.host_clock import ClockFit
from forcekit.acquire.recorder import JOURNAL_SUFFIX, Entry, EntryKind, read_journal
from forcekit.acquire.take import DeviceTake, Span, Take, assemble, recording_of
from forcekit.errors import DeviceError, InputError
from forcekit.model import AttemptCard, ClockThen, Recording, TimedCard

__all__ = ["finish_journal", "read_recording", "read_take", "write_take"]

FORMAT = 1
_KEY = "forcekit"
AnyArray = npt.NDArray[Any]


def finish_journal(
    journal: str | Path, *, keep_journal: bool = False, device_texts: Mapping[int, str] | None = None
) -> Path:
    """Turn a journal into a finished recording beside it, and give its path; no file is written over.

    Parameters
    ----------
    journal : str or Path
        Closed, or left behind by a program that was killed.
    keep_journal : bool
        Otherwise the journal is removed once the new file is on the disk and was read back, unless it alone holds what
        does not fit its device file.
    device_texts : mapping of int to str, optional
        Text of a device file that is read in the place of the one in the journal, by the number of the device there.

    Raises
    ------
    InputError
        If nothing in it can be read.
    DeviceError
        If the disk refuses the new file; the journal stays.
    """
    journal = Path(journal)
    take = assemble(_with_texts(read_journal(journal), device_texts or {}), journal.name)
    path = write_take(take, _free_name(journal.with_suffix(".parquet" if find_spec("pyarrow") else ".npz")))
    if not keep_journal and not take.left_out:
        journal.unlink()
    return path


def _with_texts(entries: Iterable[Entry], texts: Mapping[int, str]) -> Iterator[Entry]:
    """Entries of a journal with other device files in them."""
    for e in entries:
        if e.kind == EntryKind.DEVICE and e.device in texts:
            body = {**json.loads(e.body), "device": texts[e.device]}
            yield replace(e, body=json.dumps(body).encode())
        else:
            yield e


def _free_name(path: Path) -> Path:
    """Find the first name, with a number if need be, that no file has: a recording is never written over."""
    n, free = 1, path
    while free.exists():
        n += 1
        free = path.with_name(f"{path.stem}-{n}{path.suffix}")
    return free


def read_recording(path: str | Path) -> Recording:
    """Recording in a finished file or in a journal.

    Parameters
    ----------
    path : str or Path
        Suffix ``.parquet``, ``.npz`` or ``.forcelog``.

    Raises
    ------
    InputError
        If it is none of them or damaged.
    """
    return recording_of(read_take(path), Path(path).name)


def read_take(path: str | Path) -> Take:
    """Read all that a finished file or a journal holds: every device, every card, the clock fits."""
    path = Path(path)
    suffix = path.suffix.lower()
    if suffix == JOURNAL_SUFFIX:
        return assemble(read_journal(path), path.name)
    meta, columns = _load_parquet(path) if suffix == ".parquet" else _load_npz(path)
    try:
        if meta["format"] != FORMAT:
            raise InputError(
                f"{path.name}: it was written in format {meta['format']}, this version reads format {FORMAT}; "
                "use the version of forcekit that wrote it, or a newer one."
            )
        streams = tuple(_stream(m, columns[i], path.name) for i, m in enumerate(meta["streams"]))
        cards = tuple(TimedCard(float(c["t_s"]), msgspec.convert(c["card"], AttemptCard)) for c in meta["cards"])
        return Take(streams, cards, meta["started"], tuple(meta["notes"]), tuple(meta.get("left_out", ())))
    except (KeyError, IndexError, TypeError, msgspec.ValidationError) as error:
        raise _damaged(path, error) from None


def write_take(take: Take, path: str | Path) -> Path:
    """Write a take to a ``.parquet`` or ``.npz`` file, whole or not at all.

    Raises
    ------
    DeviceError
        If the disk refuses it.
    """
    path = Path(path)
    draft = path.with_name(path.name + ".part")
    try:
        if path.suffix == ".parquet":
            _save_parquet(take, draft)
        else:
            _save_npz(take, draft)
        draft.chmod(0o600)  # an athlete's data: for the owner alone, as the journal
        with draft.open("rb+") as handle:
            os.fsync(handle.fileno())
        _check_same(take, draft, path.suffix)
        draft.replace(path)
    except OSError as error:
        draft.unlink(missing_ok=True)
        why = os.strerror(error.errno) if error.errno else error  # pyarrow puts a story into strerror
        raise DeviceError(
            f"{path}: the file could not be written ({why}); make room or choose another "
            "folder. The journal of the recording is untouched."
        ) from None
    return path


# ------------------------------------------------------------------------------------------------- description


def _meta(take: Take) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "started": take.started,
        "notes": take.notes,
        "left_out": take.left_out,
        "cards": [{"t_s": c.t_s, "card": msgspec.to_builtins(c.card)} for c in take.cards],
        "streams": [
            {
                "label": label,
                "source": s.source,
                "tick_s": s.tick_s,
                "counted": s.counted,
                "notes": s.notes,
                "spans": [asdict(p) for p in s.spans],
                "then": [asdict(c) for c in s.then],
                "device": device_text(s.device),
            }
            for label, s in _labelled(take)
        ],
    }


def _labelled(take: Take) -> list[tuple[str, DeviceTake]]:
    """Give each device a short name for its columns: plate, bar, plate2 ..."""
    seen: dict[str, int] = {}
    named = []
    for s in take.streams:
        n = seen[s.device.kind] = seen.get(s.device.kind, 0) + 1
        named.append((s.device.kind if n == 1 else f"{s.device.kind}{n}", s))
    return named


def _stream(meta: Mapping[str, Any], columns: Mapping[str, AnyArray], source: str) -> DeviceTake:
    device = device_from_text(meta["device"], source)
    spans = tuple(Span(**{**p, "clock": ClockFit(**p["clock"])}) for p in meta["spans"])
    return DeviceTake(
        device=device,
        source=meta["source"],
        tick_s=float(meta["tick_s"]),
        tick=columns["tick"].astype(np.float64),
        epoch=columns["epoch"].astype(np.int64),
        raw={c.name: columns[f"raw {c.name}"].astype(np.float64) for c in device.channels},
        spans=spans,
        counted=bool(meta["counted"]),
        notes=tuple(meta["notes"]),
        then=tuple(ClockThen(**c) for c in meta.get("then", ())),
    )


def _columns(s: DeviceTake) -> dict[str, AnyArray]:
    plain: dict[str, AnyArray] = {"epoch": s.epoch, "tick": s.tick}
    plain |= {f"raw {name}": values for name, values in s.raw.items()}
    return {name: _whole(values) for name, values in plain.items()}


def _whole(values: AnyArray) -> AnyArray:
    """Whole numbers as int64, anything else as it is."""
    as_int = np.nan_to_num(values, nan=0.5, posinf=0.5, neginf=0.5)
    if np.all(as_int == np.rint(as_int)) and np.all(np.abs(as_int) < 2.0**53):
        return values.astype(np.int64)
    return values


def _check_same(take: Take, draft: Path, suffix: str) -> None:
    """Read the new file back before the journal may go."""
    _, columns = _load_parquet(draft) if suffix == ".parquet" else _load_npz(draft)
    for i, s in enumerate(take.streams):
        for name, values in _columns(s).items():
            if not np.array_equal(values, columns[i][name], equal_nan=values.dtype.kind == "f"):
                raise OSError(f"column {name} did not come back as it was written")


def _damaged(path: Path, error: Exception) -> InputError:
    reason = " ".join(str(error).split())[:120]
    if isinstance(error, KeyError):
        key = error.args[0]
        reason = f"it has nothing named {key.decode('utf-8', 'replace') if isinstance(key, bytes) else key}"
    return InputError(
        f"{path.name}: it is no recording of forcekit, or it is damaged ({reason}); use a copy of it, or the "
        "journal of that session if it is still there."
    )


# ----------------------------------------------------------------------------------------------------- parquet


def _save_parquet(take: Take, path: Path) -> None:
    import pyarrow as pa  # type: ignore[import-untyped]
    import pyarrow.parquet as pq  # type: ignore[import-untyped]

    sizes = [s.tick.size for s in take.streams]
    total, ends = sum(sizes), np.cumsum(sizes)
    table: dict[str, Any] = {"stream": pa.array(np.repeat(np.arange(len(sizes), dtype=np.int32), sizes))}
    parts = [_columns(s) for s in take.streams]
    for name in ("epoch", "tick"):
        table[name] = pa.array(np.concatenate([p[name] for p in parts]))
    t_us = np.rint(np.concatenate([s.t_s for s in take.streams]) * 1e6).astype(np.int64)
    table["t_us"] = pa.array(t_us)
    for (label, _), columns, size, end in zip(_labelled(take), parts, sizes, ends, strict=True):
        for name, values in columns.items():
            if name.startswith("raw "):
                whole = np.zeros(total, values.dtype)
                whole[end - size : end] = values
                other = np.ones(total, np.bool_)
                other[end - size : end] = False
                table[f"{label}.{name[4:]}"] = pa.array(whole, mask=other)
    made = pa.table(table).replace_schema_metadata({_KEY: json.dumps(_meta(take))})
    encoding = {
        f.name: "DELTA_BINARY_PACKED" if pa.types.is_integer(f.type) else "BYTE_STREAM_SPLIT" for f in made.schema
    }
    pq.write_table(made, path, compression="zstd", use_dictionary=False, column_encoding=encoding)


def _load_parquet(path: Path) -> tuple[dict[str, Any], list[dict[str, AnyArray]]]:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        raise InputError(
            f'{path.name}: reading Parquet needs pyarrow; install it with pip install "forcekit[parquet]".'
        ) from None
    try:
        table = pq.read_table(path)
        meta: dict[str, Any] = json.loads((table.schema.metadata or {})[_KEY.encode()])
        number = table["stream"].to_numpy()
        found = []
        for i, m in enumerate(meta["streams"]):
            own = table.filter(pa.array(number == i))
            columns = {name: own[name].to_numpy() for name in ("epoch", "tick")}
            prefix = f"{m['label']}."
            for name in own.column_names:
                if name.startswith(prefix):
                    columns["raw " + name[len(prefix) :]] = own[name].to_numpy()
            found.append(columns)
        return meta, found
    except (pa.ArrowException, OSError, KeyError, ValueError) as error:
        raise _damaged(path, error) from None


# --------------------------------------------------------------------------------------------------------- npz


def _save_npz(take: Take, path: Path) -> None:
    arrays: dict[str, AnyArray] = {_KEY: np.frombuffer(json.dumps(_meta(take)).encode(), np.uint8)}
    for i, s in enumerate(take.streams):
        for name, values in _columns(s).items():
            if values.dtype == np.int64:
                # Differences with their bytes sorted by weight: mostly zeros, which compress well.
                steps = np.diff(values, prepend=0)
                arrays[f"{i} int {name}"] = steps.view(np.uint8).reshape(-1, 8).T.copy()
            else:
                arrays[f"{i} float {name}"] = values
    with path.open("wb") as handle:
        np.savez_compressed(handle, allow_pickle=False, **arrays)


def _load_npz(path: Path) -> tuple[dict[str, Any], list[dict[str, AnyArray]]]:
    try:
        # Opened here: numpy leaves its own handle open when the file is no archive.
        with path.open("rb") as handle, np.load(handle, allow_pickle=False) as stored:
            meta: dict[str, Any] = json.loads(stored[_KEY].tobytes())
            found: list[dict[str, AnyArray]] = [{} for _ in meta["streams"]]
            for key in stored.files:
                number, _, rest = key.partition(" ")
                if key == _KEY:
                    continue
                form, _, name = rest.partition(" ")
                values = stored[key]
                if form == "int":
                    values = np.cumsum(np.ascontiguousarray(values.T).view(np.int64)[:, 0])
                found[int(number)][name] = values
        return meta, found
    except Exception as error:  # what unpacks and parses a damaged file raises errors of half a dozen modules
        raise _damaged(path, error) from None
