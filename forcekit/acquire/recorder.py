r"""Journal of a session: whatever happens to cable, radio or program, what was written is there afterwards.

::

    "forcelog 1\n"
    entry   magic (4 bytes)  length u32  CRC-32 u32  |  kind u8  device u8  host clock i64 ns  body ...
    entry   ...

Entries are only ever appended, each with one write of its own, so a killed program loses nothing that it had
written; the disk is told to keep them every quarter of a second, so a power cut loses at most that. A torn last
entry is cut off when the journal is opened again; a damaged one in the middle is passed over up to the next
magic. Arrivals are kept as they came: the same decoder reads a device, a journal and a replay.
"""

from __future__ import annotations

import contextlib
import os
import struct
import threading
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path

from forcekit.errors import DeviceError, InputError

__all__ = ["CARD_BACK", "FLUSH_S", "JOURNAL_SUFFIX", "Entry", "EntryKind", "Journal", "read_journal"]

JOURNAL_SUFFIX = ".forcelog"

FLUSH_S = 0.25
"""Longest time between two orders to the disk to keep what was written."""

CARD_BACK = "card back"
"""What an event says that takes the newest attempt card back; nothing in a journal is ever changed."""

_HEAD = b"forcelog 1\n"
_MAGIC = b"\xf7\xc5\x1a\x9e"
_FRAME = struct.Struct("<4sII")
_ENTRY = struct.Struct("<BBq")
_LONGEST = 1 << 24


class EntryKind(IntEnum):
    """What an entry holds."""

    SESSION = 1
    DEVICE = 2
    DATA = 3
    EVENT = 4
    CARD = 5
    END = 6
    CLOCK = 7


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a journal; `device` is 0 where it concerns none."""

    kind: int
    device: int
    host_s: float
    body: bytes

    def pack(self) -> bytes:
        """Bytes of the entry with its checksum."""
        payload = _ENTRY.pack(self.kind, self.device, round(self.host_s * 1e9)) + self.body
        return _FRAME.pack(_MAGIC, len(payload), zlib.crc32(payload)) + payload


@dataclass(frozen=True, slots=True)
class _Found:
    """An entry and where it ends in the file, or a stretch that is none."""

    entry: Entry | None
    start: int
    end: int


class Journal:
    """Journal open for writing; several threads may write.

    Parameters
    ----------
    path : str or Path
        A new file, or a journal to go on with: its torn end is cut off first.
    flush_s : float, second
        See `FLUSH_S`.

    Raises
    ------
    InputError
        If the file exists and is no journal.
    DeviceError
        If the disk refuses: full, quota used up, or taken away. The file then ends with its last whole entry.
    """

    def __init__(self, path: str | Path, *, flush_s: float = FLUSH_S) -> None:
        self.path = Path(path)
        self.n_torn = 0
        """Bytes of a torn entry that were cut off when the journal was opened."""
        self._lock = threading.Lock()
        self._error: OSError | None = None
        self._fd = self._open()
        self._dirty = True
        self._flush_s = flush_s
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._flush_often, name="journal flush", daemon=True)
        self._thread.start()

    def write(self, entry: Entry) -> None:
        """Append one entry; when this returns, a killed program does not lose it."""
        data = entry.pack()
        with self._lock:
            if self._stop.is_set():
                raise ValueError("the journal is closed")
            if self._error is not None:
                raise self._refused(self._error)
            try:
                self._append(data)
            except OSError as error:
                self._error = error
                # What was written of this entry goes, so that the file ends with a whole one.
                with contextlib.suppress(OSError):  # a disk that was taken away cannot even do that
                    os.ftruncate(self._fd, self._size)
                raise self._refused(error) from None
            self._dirty = True

    def close(self) -> None:
        """Write everything to the disk and close; calling it twice is allowed."""
        if self._stop.is_set():
            return
        with self._lock:
            self._stop.set()
        self._thread.join()
        self._sync()
        os.close(self._fd)

    def __enter__(self) -> Journal:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _open(self) -> int:
        try:
            fd = os.open(self.path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o600)
        except OSError as error:
            raise DeviceError(
                f"{self.path}: the recording cannot be begun there ({error.strerror or error}); choose another folder."
            ) from None
        try:
            self._begin(fd)
        except BaseException:
            os.close(fd)
            raise
        return fd

    def _begin(self, fd: int) -> None:
        """Cut off a torn end, and write the first line into a new file."""
        try:
            data = self.path.read_bytes()
            if data and not _HEAD.startswith(data[: len(_HEAD)]):
                raise InputError(f"{self.path.name}: this file is no journal; give another name to record to.")
            self._size = _whole_end(data)
            self.n_torn = len(data) - self._size
            os.ftruncate(fd, self._size)
            os.lseek(fd, self._size, os.SEEK_SET)
            self._fd = fd
            if self._size == 0:
                self._append(_HEAD)
            _sync_folder(self.path)
        except InputError:
            raise
        except OSError as error:
            raise self._refused(error) from None

    def _append(self, data: bytes) -> None:
        view = memoryview(data)
        while view:
            view = view[os.write(self._fd, view) :]
        self._size += len(data)

    def _flush_often(self) -> None:
        while not self._stop.wait(self._flush_s):
            self._sync()

    def _sync(self) -> None:
        if self._dirty:
            self._dirty = False
            try:
                getattr(os, "fdatasync", os.fsync)(self._fd)
            except OSError as error:
                self._error = self._error or error

    def _refused(self, error: OSError) -> DeviceError:
        return DeviceError(
            f"{self.path}: the disk refuses to keep more ({error.strerror or error}). What was recorded so far "
            "is whole in this file; make room or choose another folder, and start a new recording."
        )


def read_journal(path: str | Path) -> Iterator[Entry]:
    """Give the sound entries of a journal in order, also of one that is torn or damaged.

    Raises
    ------
    InputError
        If the file cannot be read or is no journal.
    """
    path = Path(path)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(f"{path}: it cannot be read ({error.strerror}); check the name.") from None
    if not data.startswith(_HEAD):
        raise InputError(f"{path.name}: this file is no journal of a recording; give one or another format.")
    for found in _scan(data):
        if found.entry is not None:
            yield found.entry


def _scan(data: bytes) -> Iterator[_Found]:
    at = len(_HEAD)
    while at < len(data):
        entry, end = _entry_at(data, at)
        if entry is None:
            following = data.find(_MAGIC, at + 1)
            end = len(data) if following < 0 else following
        yield _Found(entry, at, end)
        at = end


def _entry_at(data: bytes, at: int) -> tuple[Entry | None, int]:
    if len(data) - at < _FRAME.size + _ENTRY.size:
        return None, at
    magic, length, crc = _FRAME.unpack_from(data, at)
    start = at + _FRAME.size
    if magic != _MAGIC or not _ENTRY.size <= length <= min(_LONGEST, len(data) - start):
        return None, at
    payload = data[start : start + length]
    if zlib.crc32(payload) != crc:
        return None, at
    kind, device, host_ns = _ENTRY.unpack_from(payload)
    return Entry(kind, device, host_ns / 1e9, payload[_ENTRY.size :]), start + length


def _whole_end(data: bytes) -> int:
    """Where the last sound entry ends; what follows is torn."""
    end = len(_HEAD) if data.startswith(_HEAD) else 0
    for found in _scan(data):
        if found.entry is not None:
            end = found.end
    return end


def _sync_folder(path: Path) -> None:
    """Make the file's name itself survive a power cut, where the system has a way."""
    if hasattr(os, "O_DIRECTORY"):
        fd = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)
