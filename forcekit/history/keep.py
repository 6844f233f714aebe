"""Keeping an analysed recording: who lifted, the raw files, every lift; and what the store knows of the lifter."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec

from forcekit.history.attempts import Stored, add_lift
from forcekit.history.people import body_mass_at, find_athlete
from forcekit.history.recordings import KeptFile, find_kept, keep_file
from forcekit.history.store import Store
from forcekit.model import AttemptCard, Recording
from forcekit.registry import MEASURES
from forcekit.results import Analysis

__all__ = ["Files", "definitions", "filled_card", "filled_names", "keep_again", "keep_lifts", "recorded_at"]

DATED_FROM_S = 946_684_800.0
"""A first stamp after the year 2000 is a date; a smaller one is the time of day or a counter."""
_TAKES = (".parquet", ".npz", ".forcelog")


@dataclass(frozen=True, slots=True)
class Files:
    """The files a recording was read from; None where there is none or the recording says itself what it holds."""

    plate: Path
    plate_device: Path | None = None
    bar: Path | None = None
    bar_device: Path | None = None

    def named(self) -> dict[str, Path]:
        """Files by what they are."""
        every = {"plate": self.plate, "plate device": self.plate_device, "bar": self.bar, "bar device": self.bar_device}
        return {what: path for what, path in every.items() if path is not None}


def definitions() -> str:
    """Version of the measures' definitions: twelve hex digits that change when any of them changes."""
    told = "\n".join(f"{m.name}|{m.unit}|{m.definition}" for m in MEASURES.values())
    return hashlib.sha256(told.encode()).hexdigest()[:12]


def recorded_at(recording: Recording, path: Path) -> float:
    """When a recording began, seconds since 1970 (UTC): as the file says, else when the file was last written."""
    if path.suffix.lower() in _TAKES:
        from forcekit.acquire.recording_file import read_take

        try:
            return datetime.fromisoformat(str(read_take(path).started)).timestamp()
        except ValueError:
            return path.stat().st_mtime
    stream = recording.plate or recording.bar
    first = None if stream is None else stream.first_stamp_s
    if first is not None and DATED_FROM_S < first < time.time():
        return first
    return path.stat().st_mtime


def filled_card(store: Store, athlete: str, card: AttemptCard, at: float) -> AttemptCard:
    """Fill in stature, foot and body mass from the store where the card leaves them out."""
    known = find_athlete(store, athlete)
    told: dict[str, Any] = {
        "athlete": known.name,
        "stature_m": known.stature_m,
        "body_mass_kg": body_mass_at(store, athlete, at),
    }
    if card.foot_length_m is None and card.shoe_size_mm is None:
        told |= {"foot_length_m": known.foot_length_m}
        told |= {"shoe_size_mm": known.shoe_size_mm} if known.foot_length_m is None else {}
    blanks = {k: v for k, v in told.items() if v is not None and getattr(card, k) is None}
    return msgspec.structs.replace(card, **blanks) if blanks else card


def filled_names(before: AttemptCard, after: AttemptCard) -> list[str]:
    """Name what the store filled in; kept with the result, so that a correction there reaches an analysis later."""
    return [k for k in AttemptCard.__struct_fields__ if getattr(before, k) != getattr(after, k)]


def keep_lifts(
    store: Store,
    athlete: str,
    analysis: Analysis,
    files: Files,
    *,
    at: float,
    setup: Mapping[str, object] | None = None,
) -> tuple[Stored, ...]:
    """Keep all lifts of a recording with its raw files.

    Parameters
    ----------
    at : float
        When the recording began, seconds since 1970 (UTC).
    setup : mapping, optional
        What else decides the numbers, as JSON can hold it.

    Notes
    -----
    Which file is what stands in the setup of every result, so that the recording can be read again.
    """
    if not analysis.lifts:
        return ()
    kept = {what: keep_file(store, path, _role(what)) for what, path in files.named().items()}
    stored = keep_again(store, athlete, analysis, kept, at=at, setup=setup)
    for what, path in files.named().items():
        # A file that was there before may have gone with its attempts meanwhile; from now on it is needed and stays.
        if find_kept(store, kept[what].sha256) is None:
            keep_file(store, path, _role(what))
    return stored


def keep_again(
    store: Store,
    athlete: str,
    analysis: Analysis,
    kept: Mapping[str, KeptFile],
    *,
    at: float,
    setup: Mapping[str, object] | None = None,
) -> tuple[Stored, ...]:
    """Keep the lifts of a recording whose raw files are in the store."""
    about = {**(setup or {}), "files": {what: {"sha256": f.sha256, "name": f.file_name} for what, f in kept.items()}}
    version = definitions()
    return tuple(
        add_lift(store, athlete, lift, definitions=version, at=at, files=tuple(kept.values()), setup=about)
        for lift in analysis.lifts
    )


def _role(what: str) -> str:
    return "device" if what.endswith("device") else what
