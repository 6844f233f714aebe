"""Analysing kept recordings again, with the version in use; earlier results stay beside the new ones."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import msgspec
import sqlalchemy as sa

from forcekit.acquire.source import read
from forcekit.analysis.findings import load_cue_book
from forcekit.analysis.own_limits import judged_by, with_limits
from forcekit.analysis.pipeline import Settings, analyze
from forcekit.errors import ForcekitError, InputError
from forcekit.history import schema as t
from forcekit.history.attempts import SAME_LIFT_S
from forcekit.history.keep import filled_card, keep_again
from forcekit.history.own_limits import own_limits
from forcekit.history.people import find_athlete_id
from forcekit.history.recordings import KeptFile, find_kept
from forcekit.history.series import newest_result
from forcekit.history.store import Store, reading
from forcekit.model import AttemptCard
from forcekit.results import Analysis, Lift

__all__ = ["Again", "NotAgain", "card_as_kept", "kept_files", "reanalyze"]

_CARD_COLUMNS = ("load_kg", "drill", "cue", "outcome")


@dataclass(frozen=True, slots=True)
class NotAgain:
    """A recording that could not be analysed again, and why."""

    recording: str
    why: str


@dataclass(frozen=True, slots=True)
class Again:
    """What became of an athlete's recordings.

    Attributes
    ----------
    n_same, n_changed : int
        Attempts whose result is the one that counted, and those for which another one counts now.
    n_brought_back : int
        Of those that changed: an earlier result came out again and counts once more.
    n_not_kept : int
        Lifts found that are nobody's attempt: not found earlier, or deleted since. They are left out.
    not_found : tuple of int
        Ids of attempts whose lift was not found this time; their earlier results stay.
    """

    n_recordings: int
    n_same: int
    n_changed: int
    n_brought_back: int
    n_not_kept: int
    not_found: tuple[int, ...]
    failed: tuple[NotAgain, ...]


@dataclass(frozen=True, slots=True)
class _Kept:
    """One recording: the athlete's attempts in order of time, setup of the newest result, times of others' lifts."""

    attempts: tuple[Any, ...]
    setup: dict[str, Any]
    others_at_s: tuple[float, ...]

    @property
    def start(self) -> float:
        """When it began, seconds since 1970 (UTC)."""
        first = self.attempts[0]
        return float(first.lifted_at - first.lift_at_s)


def reanalyze(store: Store, athlete: str, *, cue_book: Path | None = None) -> Again:
    """Analyse every kept recording of an athlete again and keep the results beside the earlier ones.

    Parameters
    ----------
    cue_book : Path, optional
        Your own cue book, as for an analysis.

    Notes
    -----
    Load, cue, drill and outcome are taken as they stand in the store now, corrections included, and so are stature,
    foot and body mass that came from the store. A recording whose lifts have different loads is analysed once for
    each. Own limits come from the attempts before the recording.
    """
    counts = {"known": 0, "analysed again": 0, "brought back": 0, "not kept": 0}
    not_found: list[int] = []
    failed: list[NotAgain] = []
    recordings, without = _recordings(store, athlete)
    if without:
        some = "1 attempt" if without == 1 else f"{without} attempts"
        failed.append(NotAgain(some, "stored without a raw file"))
    for kept in recordings:
        try:
            states, missing = _one(store, athlete, kept, cue_book)
        except ForcekitError as error:
            failed.append(NotAgain(_name(kept), str(error)))
            continue
        not_found += missing
        for state in states:
            counts[state] += 1
    return Again(
        len(recordings),
        counts["known"],
        counts["analysed again"] + counts["brought back"],
        counts["brought back"],
        counts["not kept"],
        tuple(not_found),
        tuple(failed),
    )


def _recordings(store: Store, athlete: str) -> tuple[list[_Kept], int]:
    """Recordings in order of time, and how many attempts have no raw file."""
    who = find_athlete_id(store, athlete)
    a, r = t.attempts.c, t.results.c
    columns = (a.id, a.lifted_at, a.lift_at_s, a.content_hash, *(a[k] for k in _CARD_COLUMNS), r.setup)
    source = t.attempts.join(t.results, r.id == newest_result(a.id))
    query = sa.select(*columns).select_from(source).where(a.athlete_id == who).order_by(a.lifted_at, a.id)
    mine = sa.select(a.content_hash).where(a.athlete_id == who)
    beside = sa.select(a.content_hash, a.lift_at_s).where(a.content_hash.in_(mine), a.athlete_id != who)
    others: dict[str, list[float]] = {}
    with reading(store) as conn:
        rows = conn.execute(query).all()
        for row in conn.execute(beside.where(a.lift_at_s.is_not(None))):
            others.setdefault(row.content_hash, []).append(row.lift_at_s)
    groups: dict[str, list[Any]] = {}
    without = 0
    for row in rows:
        if row.content_hash is None or row.lift_at_s is None:
            without += 1
        else:
            groups.setdefault(row.content_hash, []).append(row)
    return [_Kept(tuple(g), json.loads(g[-1].setup), tuple(others.get(k, ()))) for k, g in groups.items()], without


def _name(kept: _Kept) -> str:
    files = kept.setup.get("files", {})
    return str(files.get("plate", {}).get("name", "a recording"))


def _one(store: Store, athlete: str, kept: _Kept, cue_book: Path | None) -> tuple[list[str], list[int]]:
    """What became of each lift of a recording, and the attempts not found in it."""
    files, paths = kept_files(store, kept.setup)
    recording = read(paths["plate"], paths.get("plate device"), paths.get("bar"), paths.get("bar device"))
    told = kept.setup.get("settings", {})
    settings, book = replace(Settings(), **told, cue_book=cue_book), load_cue_book(cue_book)
    states: list[str] = []
    found: set[int] = set()
    loads = list(dict.fromkeys(row.load_kg for row in kept.attempts))
    for load in loads:
        mine = [row for row in kept.attempts if row.load_kg == load]
        card = filled_card(store, athlete, card_as_kept(mine), kept.start)
        limits = own_limits(store, athlete, load_kg=card.load_kg, movement=card.movement, until=kept.start)
        # The store's card of each attempt, corrections included, stands in for those filled in during the session.
        analysis = analyze(replace(recording, card=card, cards=()), settings)
        lifts, ids, n_other = _lifts_of(analysis, mine, kept)
        found |= ids
        states += ["not kept"] * n_other if load == loads[0] else []
        own_book = with_limits(book, limits)
        picked = replace(analysis, lifts=tuple(judged_by(lift, own_book) for lift in lifts))
        setup = {k: v for k, v in kept.setup.items() if k in ("settings", "devices", "filled")}
        states += [s.state for s in keep_again(store, athlete, picked, files, at=kept.start, setup=setup)]
    return states, [row.id for row in kept.attempts if row.id not in found]


def kept_files(store: Store, setup: Mapping[str, Any]) -> tuple[dict[str, KeptFile], dict[str, Path]]:
    """Raw files of a result by what they are, and where they lie on this computer."""
    listed = setup.get("files", {})
    if "plate" not in listed:
        raise InputError("its result does not say which file is which; analyse the recording itself again.")
    files, paths = {}, {}
    for what, entry in listed.items():
        path = find_kept(store, entry["sha256"])
        if path is None:
            raise InputError(f"the raw file {entry['name']} ({what}) is not on this computer.")
        role = "device" if what.endswith("device") else what
        files[what] = KeptFile(entry["sha256"], path.stat().st_size, entry["name"], role)
        paths[what] = path
    return files, paths


def card_as_kept(mine: Sequence[Any]) -> AttemptCard:
    """Card as a person filled it in, with what the store says now where these attempts agree."""
    setup = json.loads(mine[0].setup)
    told = {k: v for k, v in setup.get("card", {}).items() if k not in setup.get("filled", ())}
    card = msgspec.convert(told, AttemptCard)
    agreed = {}
    for name in _CARD_COLUMNS:
        values = {getattr(row, name) for row in mine}
        agreed[name] = (values.pop() or None) if len(values) == 1 else None
    return msgspec.structs.replace(card, **agreed)


def _lifts_of(analysis: Analysis, mine: Sequence[Any], kept: _Kept) -> tuple[tuple[Lift, ...], set[int], int]:
    """Lifts of these attempts, the attempts found, and how many lifts are nobody's attempt."""
    picked: list[Lift] = []
    ids: set[int] = set()
    n_other = 0
    for lift in analysis.lifts:
        at_s = lift.instants.lowest_s
        near = {row.id for row in kept.attempts if abs(row.lift_at_s - at_s) <= SAME_LIFT_S}
        own = near & {row.id for row in mine}
        n_other += not near and all(abs(other - at_s) > SAME_LIFT_S for other in kept.others_at_s)
        if own:
            picked.append(lift)
            ids |= own
    return tuple(picked), ids, n_other
