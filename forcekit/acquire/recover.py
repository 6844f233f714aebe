"""A journal that was left behind, made into a finished recording, with what was kept and what was lost."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from forcekit.acquire.recorder import EntryKind, read_journal
from forcekit.acquire.recording_file import finish_journal, read_take
from forcekit.acquire.take import Take

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


def recover(journal: str | Path) -> Recovered:
    """Finish a journal; it stays where it is, for its recording may still be running.

    Parameters
    ----------
    journal : str or Path

    Raises
    ------
    InputError
        If it is no journal or no sample can be read from it.
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
    path = finish_journal(journal, keep_journal=True)
    return Recovered(path, read_take(path), n_entries, max(size - n_bytes, 0), closed)
