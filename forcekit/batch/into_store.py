"""Lifts of a batch into the history: what is known of the lifter before the analysis, keeping after it."""

from __future__ import annotations

import functools
import hashlib
from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import sqlalchemy as sa

from forcekit.batch.one import ToKeep
from forcekit.errors import InputError
from forcekit.history import schema as t
from forcekit.history.keep import Files, filled_card, filled_names, keep_lifts, recorded_at
from forcekit.history.people import list_athletes
from forcekit.history.store import Store, open_store, reading
from forcekit.model import AttemptCard, Recording

__all__ = ["check_athletes", "filled_in", "keep", "with_known"]


@functools.lru_cache(maxsize=1)
def _opened(where: str) -> Store:
    """Store of this process, opened once."""
    return open_store(where)


def check_athletes(store: Store, names: Iterable[str]) -> None:
    """Raise an InputError if the store does not know all athletes that are named."""
    unknown = sorted(set(names) - {a.name for a in list_athletes(store)})
    if unknown:
        more = " and more" if len(unknown) > 10 else ""
        raise InputError(
            f"--store: {store.place} does not know {', '.join(unknown[:10])}{more}; "
            f'`forcekit athlete add "{unknown[0]}"` adds a lifter, or correct the name in the table of cards.'
        )


def filled_in(store: Store) -> dict[str, str]:
    """By athlete, hex digits that change with whatever the store fills into a card: stature, foot, body masses."""
    a, b = t.athletes.c, t.body_masses.c
    weighed = sa.select(b.athlete_id, b.at, b.mass_kg).order_by(b.athlete_id, b.at)
    with reading(store) as conn:
        people = conn.execute(sa.select(a.id, a.name, a.stature_m, a.foot_length_m, a.shoe_size_mm)).all()
        masses: dict[int, list[tuple[float, float]]] = {}
        for row in conn.execute(weighed):
            masses.setdefault(row.athlete_id, []).append((row.at, row.mass_kg))
    told = {p.name: repr((tuple(p[2:]), masses.get(p.id, []))) for p in people}
    return {name: hashlib.sha256(text.encode()).hexdigest()[:16] for name, text in told.items()}


def with_known(where: str, recording: Recording, path: Path, date: str | None) -> tuple[Recording, float, list[str]]:
    """A recording whose cards hold what the store knows of its lifters, when it was made, and what was filled in.

    Parameters
    ----------
    where : str
        The store.
    recording : Recording
    path : Path
        Its file, for the date.
    date : str, optional
        What the table of cards says.
    """
    store = _opened(where)
    at = recorded_at(recording, path) if date is None else datetime.fromisoformat(date).timestamp()
    filled: dict[str, None] = {}

    def known(card: AttemptCard) -> AttemptCard:
        if card.athlete is None:
            return card
        try:
            after = filled_card(store, card.athlete.strip(), card, at)
        except InputError:  # keeping will say so
            return card
        filled.update(dict.fromkeys(filled_names(card, after)))
        return after

    cards = tuple(replace(timed, card=known(timed.card)) for timed in recording.cards)
    return replace(recording, card=known(recording.card), cards=cards), at, list(filled)


def keep(store: Store, lifts: ToKeep) -> None:
    """Keep the lifts of a recording, each for its own lifter; what is known already is written once."""
    paths = [None if path is None else Path(path) for path in lifts.files]
    if paths[0] is None:
        return
    files = Files(paths[0], *paths[1:])
    names = dict.fromkeys(lift.card.athlete.strip() for lift in lifts.analysis.lifts if lift.card.athlete)
    for name in names:
        mine = tuple(x for x in lifts.analysis.lifts if (x.card.athlete or "").strip() == name)
        keep_lifts(store, name, replace(lifts.analysis, lifts=mine), files, at=lifts.at, setup=lifts.setup)
