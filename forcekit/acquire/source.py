"""Recorded files to a `Recording`: which reader for which suffix, and where the device file is.

The table `READERS` is the list of what can be read; a reader is imported only when its suffix is asked for.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from pathlib import Path

import msgspec

from forcekit.acquire.device_file import load_card, load_device
from forcekit.acquire.toml_file import check_is_file, shown
from forcekit.errors import InputError
from forcekit.model import AttemptCard, DeviceFile, Recording, Stream

__all__ = ["READERS", "WHOLE", "device_for", "read", "read_stream"]

READERS: dict[str, tuple[str, str]] = {
    ".csv": ("forcekit.acquire.csv_file", "read_csv"),
    ".txt": ("forcekit.acquire.csv_file", "read_csv"),
    ".tsv": ("forcekit.acquire.csv_file", "read_csv"),
}
"""Suffix of a file -> (module, function); the function makes a `Stream` of a path, a device file, and the bytes if they
are known."""

WHOLE: dict[str, tuple[str, str]] = {
    ".parquet": ("forcekit.acquire.recording_file", "read_recording"),
    ".npz": ("forcekit.acquire.recording_file", "read_recording"),
    ".forcelog": ("forcekit.acquire.recording_file", "read_recording"),
    ".c3d": ("forcekit.acquire.c3d_file", "read_c3d"),
}
"""The same for files that say themselves what they hold; the function makes a whole `Recording` of a path."""


def read(
    path: str | Path,
    device: str | Path | DeviceFile | None = None,
    bar: str | Path | None = None,
    bar_device: str | Path | DeviceFile | None = None,
    card: str | Path | AttemptCard | None = None,
    *,
    content: bytes | None = None,
) -> Recording:
    """Read a recording: the file of the plate, that of the bar sensor if there is one, and the attempt card.

    Parameters
    ----------
    path : str or Path
        File of the plate, or of a bar sensor alone: the device file says which.
    device, bar_device : str, Path or DeviceFile, optional
        Device file; left out, ``NAME.device.toml`` beside the recording and then ``device.toml`` in its
        folder (for a bar: ``bar.device.toml``) are looked for.
    bar : str or Path, optional
        File of the bar sensor; may be the same file.
    card : str, Path or AttemptCard, optional
    content : bytes, optional
        What stands in the file of `path`, where somebody has read it already; of tables of text only.

    Raises
    ------
    InputError
        If a file cannot be read or there is no device file.
    """
    cards = card if isinstance(card, AttemptCard) else AttemptCard() if card is None else load_card(card)
    if Path(path).suffix.lower() in WHOLE:
        return _whole(Path(path), device, bar, bar_device, card if card is None else cards)
    first = read_stream(path, device, content=content)
    if bar is None:
        return Recording(plate=first, card=cards) if first.device.kind == "plate" else Recording(bar=first, card=cards)
    if first.device.kind != "plate":
        raise InputError(
            f"{Path(path).name}: its device file {shown(first.device.name)} describes a bar sensor, "
            "but the plate is "
            "named first; exchange the two files."
        )
    second = read_stream(bar, bar_device, kind="bar")
    if second.device.kind != "bar":
        raise InputError(
            f"{Path(bar).name}: its device file {shown(second.device.name)} describes a plate; give "
            "the device file of "
            "the bar sensor."
        )
    return Recording(plate=first, bar=second, card=cards)


def _whole(
    path: Path,
    device: str | Path | DeviceFile | None,
    bar: str | Path | None,
    bar_device: str | Path | DeviceFile | None,
    card: AttemptCard | None,
) -> Recording:
    """Read a file that describes itself; a bar's file of its own and a card said beside it go on top."""
    check_is_file(path)
    if device is not None:
        raise InputError(f"{path.name}: this kind of file says itself what it holds; leave the device file out.")
    module, function = WHOLE[path.suffix.lower()]
    reader: Callable[[Path], Recording] = getattr(importlib.import_module(module), function)
    recording = reader(path)
    beside = recording.bar if bar is None else read_stream(bar, bar_device, kind="bar")
    if card is not None:  # what is said here holds for every attempt of the session, the session's cards go on top
        said = msgspec.structs.asdict(recording.card) | {
            name: v for name, v in msgspec.structs.asdict(card).items() if v != getattr(AttemptCard(), name)
        }
        card = AttemptCard(**said)
    return Recording(recording.plate, beside, recording.card if card is None else card, recording.cards)


def read_stream(
    path: str | Path,
    device: str | Path | DeviceFile | None = None,
    *,
    kind: str = "plate",
    content: bytes | None = None,
) -> Stream:
    """Read one file with the reader of its suffix.

    Parameters
    ----------
    path : str or Path
    device : str, Path or DeviceFile, optional
        Left out, it is looked for; see `read`.
    kind : "plate" or "bar"
        Which device file to look for.
    content : bytes, optional
        As for `read`.

    Raises
    ------
    InputError
        As for `read`.
    """
    path = Path(path)
    entry = READERS.get(path.suffix.lower())
    if entry is None:
        if not path.suffix:
            check_is_file(path)
        raise InputError(
            f"{path.name}: files of the kind {shown(path.suffix)} are not known; allowed are "
            f"{', '.join([*READERS, *WHOLE])}, so "
            "export to one of them or rename the file."
        )
    if content is None:
        check_is_file(path)
    module, function = entry
    reader: Callable[[Path, DeviceFile, bytes | None], Stream] = getattr(importlib.import_module(module), function)
    described = device if isinstance(device, DeviceFile) else load_device(device or device_for(path, kind))
    return reader(path, described, content)


def device_for(path: Path, kind: str = "plate", *, option: str | None = None) -> Path:
    """Device file that lies beside a recording.

    Parameters
    ----------
    path : Path
        The recording, such as ``kim_70kg.csv``.
    kind : "plate" or "bar"
    option : str, optional
        The option that names one, for the message; left out, as for `analyze`.

    Raises
    ------
    InputError
        If there is none.
    """
    general = "device.toml" if kind == "plate" else "bar.device.toml"
    option = option or ("--device" if kind == "plate" else "--bar-device")
    for candidate in (path.with_suffix(".device.toml"), path.parent / general):
        if candidate.is_file():
            return candidate
    raise InputError(
        f"{path.name}: there is no device file that says what its columns are, neither "
        f"{path.stem}.device.toml nor "
        f'{general} beside it; name one with {option}, or let "forcekit propose {path.name}" write a '
        "first one."
    )
