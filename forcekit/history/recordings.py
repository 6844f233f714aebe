"""Raw recordings, kept as they came, named by what is in them."""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from io import BufferedWriter
from pathlib import Path

import sqlalchemy as sa

from forcekit.errors import InputError
from forcekit.history import schema as t
from forcekit.history.store import Store, make_private_folder, writing

__all__ = ["KeptFile", "content_hash", "find_kept", "keep_file", "remove_stale", "remove_unused"]

_CHUNK = 1 << 20
_PART = ".part"
STALE_S = 86400.0
"""Age from which a file that was never finished is swept away."""


@dataclass(frozen=True, slots=True)
class KeptFile:
    """A raw file in the store: SHA-256 of its content, size, the name it came with, and what it is of."""

    sha256: str
    n_bytes: int
    file_name: str
    role: str


def keep_file(store: Store, source: Path, role: str = "plate") -> KeptFile:
    """Copy a raw file into the store's folder; the same content is kept once.

    Parameters
    ----------
    source : Path
        The file; it is only read.
    role : str
        What it is of: "plate", "bar", or "device" for a file that only explains signals.

    Notes
    -----
    The copy gets its name only when it is complete and on the disk, so a crash leaves no half file under a name.
    """
    remove_stale(store)
    target_folder = store.recordings
    part = target_folder / f"{secrets.token_hex(8)}{_PART}"
    digest, n_bytes = hashlib.sha256(), 0
    try:
        with source.open("rb") as read, _private(part) as write:
            while chunk := read.read(_CHUNK):
                digest.update(chunk)
                n_bytes += len(chunk)
                write.write(chunk)
            write.flush()
            os.fsync(write.fileno())
        sha256 = digest.hexdigest()
        if find_kept(store, sha256) is not None:
            part.unlink()
        else:
            target = store.recordings / sha256[:2] / f"{sha256}{source.suffix.lower()}"
            make_private_folder(target.parent)
            part.replace(target)
            _sync_folder(target.parent)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise InputError(
            f"{source}: cannot be copied to the store ({error.strerror}). Check the file and the free space."
        ) from error
    # A name in another encoding holds characters that no database takes.
    return KeptFile(sha256, n_bytes, source.name.encode("utf-8", "replace").decode(), role)


def find_kept(store: Store, sha256: str) -> Path | None:
    """Path of a raw file in the store's folder; None when it is not on this computer."""
    return next((store.recordings / sha256[:2]).glob(f"{sha256}*"), None)


def content_hash(files: Iterable[KeptFile]) -> str | None:
    """Give the hash by which a recording is known, whatever the order of its files; None without files.

    The plate's files decide where there are any: the same lift with the bar's file beside it is the same lift. Device
    files never count: the same signals explained anew are the same recording.
    """
    given = list(files)
    plates = [f for f in given if f.role == "plate"]
    hashes = sorted(f.sha256 for f in plates or given if f.role != "device")
    if not hashes:
        return None
    return hashes[0] if len(hashes) == 1 else hashlib.sha256("\n".join(hashes).encode()).hexdigest()


def remove_unused(store: Store, hashes: Sequence[str]) -> int:
    """Delete the raw files among these that no attempt needs; gives the number deleted.

    Notes
    -----
    Looked up and deleted while nobody else can note a recording, so that a file another program is just adding stays,
    or is missing already when that program looks after its attempt is stored (`keep.keep_lifts`).
    """
    n = 0
    if not hashes:
        return n
    with writing(store) as conn:
        if conn.dialect.name == "postgresql":
            conn.exec_driver_sql("LOCK TABLE recordings IN SHARE MODE")
        for sha256 in hashes:
            needed = conn.execute(sa.select(t.recordings.c.id).where(t.recordings.c.sha256 == sha256)).first()
            path = find_kept(store, sha256) if needed is None else None
            if path is not None:
                path.unlink(missing_ok=True)
                n += 1
    return n


def remove_stale(store: Store) -> int:
    """Remove copies that a crash left unfinished more than a day ago; gives their number."""
    n = 0
    for path in store.recordings.glob(f"*{_PART}"):
        # Another program may finish or sweep it at this moment.
        with contextlib.suppress(OSError):
            if path.stat().st_mtime < time.time() - STALE_S:
                path.unlink()
                n += 1
    return n


def _private(path: Path) -> BufferedWriter:
    return os.fdopen(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "wb")


def _sync_folder(folder: Path) -> None:
    """Make a new name in a folder last; not every system can, and then the file system decides."""
    try:
        fd = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(fd)
    except OSError:
        pass
    finally:
        os.close(fd)
