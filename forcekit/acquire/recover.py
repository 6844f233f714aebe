"""A journal that was left behind, made into a finished recording, with what was kept and what was lost."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from forcekit.acquire.device_file import device_text, load_device
from forcekit.acquire.device_text import device_from_text
from forcekit.acquire.recorder import EntryKind, read_journal
from forcekit.acquire.recording_file import finish_journal, read_take
from forcekit.acquire.take import Take
from forcekit.errors import InputError

__all__ = ["Recovered", "recover"]


@dataclass(frozen=True, slots=True, eq=False)
class Recovered:
    """What became of a journal.

    Attributes
    ----------
    path : Path
        The finished recording.
    take : Take
        What is in it.
    n_entries : int
        Sound entries of the journal.
    n_damaged_bytes : int
        Bytes that belong to no sound entry: a torn end, or damage in the middle.
    was_closed : bool
        The recording had been stopped in good order.
    """

    path: Path
    take: Take
    n_entries: int
    n_damaged_bytes: int
    was_closed: bool


def recover(
    journal: str | Path, *, device: str | Path | None = None, bar_device: str | Path | None = None
) -> Recovered:
    """Finish a journal; it stays where it is, for its recording may still be running.

    Parameters
    ----------
    journal : str or Path
    device, bar_device : str or Path, optional
        Corrected device files of the plate and of the bar's sensor, read in the place of those in the journal.

    Raises
    ------
    InputError
        If it is no journal, no sample can be read from it, or it is not clear which device a file is for.
    DeviceError
        If the disk refuses the new file.
    """
    journal = Path(journal)
    n_entries = n_bytes = 0
    closed = False
    for entry in read_journal(journal):
        n_entries += 1
        n_bytes += len(entry.pack())
        closed = entry.kind == EntryKind.END
    with journal.open("rb") as handle:
        n_bytes += len(handle.readline())  # the journal's first line
        size = handle.seek(0, 2)
    given = {"plate": device, "bar": bar_device}
    texts = _texts(journal, {kind: Path(path) for kind, path in given.items() if path is not None})
    path = finish_journal(journal, keep_journal=True, device_texts=texts)
    return Recovered(path, read_take(path), n_entries, max(size - n_bytes, 0), closed)


def _texts(journal: Path, given: dict[str, Path]) -> dict[int, str]:
    """Texts of the corrected device files by the number of the device in the journal that they are for."""
    loaded = {kind: load_device(path) for kind, path in given.items()}
    for kind, device in loaded.items():
        if device.kind != kind:
            option = "--device" if kind == "plate" else "--bar-device"
            raise InputError(f"{given[kind].name} is of a {device.kind}; {option} takes the device file of a {kind}.")
    kinds = _kinds(journal) if given else {}
    texts: dict[int, str] = {}
    for kind, device in loaded.items():
        fitting = [i for i, (_, k) in kinds.items() if k == kind] or [i for i, (_, k) in kinds.items() if not k]
        if len(fitting) != 1:
            sources = ", ".join(f"{source} ({k or 'not readable'})" for source, k in kinds.values())
            raise InputError(
                f"{journal.name}: which device {given[kind].name} is for cannot be told; it holds {sources}. Leave the "
                "file out, or give one of a device that is there."
            )
        texts[fitting[0]] = device_text(device)
    return texts


def _kinds(journal: Path) -> dict[int, tuple[str, str]]:
    """Name and kind of each device of a journal; the kind is empty where neither file nor samples tell it."""
    try:
        known = {s.source: s.device.kind for s in read_take(journal).streams}
    except InputError:
        known = {}
    out: dict[int, tuple[str, str]] = {}
    for entry in read_journal(journal):
        if entry.kind == EntryKind.DEVICE:
            table = json.loads(entry.body)
            out[entry.device] = (table["source"], known.get(table["source"]) or _kind_of(table.get("device")))
    return out


def _kind_of(text: str | None) -> str:
    try:
        return device_from_text(text, "journal").kind if text else ""
    except InputError:
        return ""
