"""One attempt of the store again as a whole: what was measured and found, and its curves from the raw recording."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import sqlalchemy as sa

from forcekit.acquire.source import read
from forcekit.analysis.pipeline import Settings, analyze
from forcekit.errors import InputError
from forcekit.history import schema as t
from forcekit.history.again import card_as_kept, kept_files
from forcekit.history.attempts import SAME_LIFT_S
from forcekit.history.keep import filled_card
from forcekit.history.series import newest_result
from forcekit.history.store import Store, reading
from forcekit.results import Cue, Finding, Lift, QualityCheck

__all__ = ["findings_of", "kept_lift", "quality_of"]


def kept_lift(store: Store, attempt_id: int) -> Lift:
    """Analyse the raw recording of an attempt again and give its lift, with its curves.

    Raises
    ------
    InputError
        If its raw recording is not on this computer, or the lift is not found in it any more.
    """
    a, r = t.attempts.c, t.results.c
    columns = (a.lifted_at, a.lift_at_s, a.load_kg, a.drill, a.cue, a.outcome, t.athletes.c.name, r.setup)
    source = t.attempts.join(t.results, r.id == newest_result(a.id))
    source = source.join(t.athletes, t.athletes.c.id == a.athlete_id)
    query = sa.select(*columns).select_from(source).where(a.id == attempt_id)
    with reading(store) as conn:
        row = conn.execute(query).first()
    if row is None or row.lift_at_s is None:
        raise InputError(f"attempt {attempt_id}: there is no recording of it in the store.")
    setup = json.loads(row.setup)
    _, paths = kept_files(store, setup)
    recording = read(paths["plate"], paths.get("plate device"), paths.get("bar"), paths.get("bar device"))
    card = filled_card(store, row.name, card_as_kept([row]), float(row.lifted_at - row.lift_at_s))
    analysis = analyze(replace(recording, card=card, cards=()), replace(Settings(), **setup.get("settings", {})))
    near = [lift for lift in analysis.lifts if abs(lift.instants.lowest_s - row.lift_at_s) <= SAME_LIFT_S]
    if not near:
        raise InputError(f"attempt {attempt_id}: its lift was not found in the recording this time.")
    return near[0]


def findings_of(store: Store, attempt_ids: Iterable[int]) -> dict[int, tuple[Finding, ...]]:
    """Findings of the newest result of each attempt, in the order in which they were told."""
    f = t.findings.c
    found: dict[int, list[Finding]] = {i: [] for i in attempt_ids}
    for attempt_id, row in _of_newest(store, t.findings, found):
        said = row._mapping
        cue = Cue(said[f.cue], said[f.drill], said[f.caution])
        evidence = tuple(json.loads(said[f.evidence]))
        one = Finding(said[f.pattern], said[f.strength], said[f.sentence], evidence, said[f.limit_source], cue)
        found[attempt_id].append(one)
    return {i: tuple(some) for i, some in found.items()}


def quality_of(store: Store, attempt_ids: Iterable[int]) -> dict[int, tuple[QualityCheck, ...]]:
    """Quality checks of the newest result of each attempt."""
    q = t.quality_checks.c
    found: dict[int, list[QualityCheck]] = {i: [] for i in attempt_ids}
    for attempt_id, row in _of_newest(store, t.quality_checks, found):
        said = row._mapping
        withheld = tuple(json.loads(said[q.withholds]))
        found[attempt_id].append(QualityCheck(said[q.name], said[q.verdict], said[q.sentence], withheld))
    return {i: tuple(some) for i, some in found.items()}


def _of_newest(store: Store, table: sa.Table, attempt_ids: Iterable[int]) -> list[tuple[int, Any]]:
    """Rows of a table of details that belong to the newest result of each attempt."""
    a = t.attempts.c
    query = (
        sa.select(a.id.label("attempt_id"), *table.c)
        .join_from(t.attempts, table, table.c.result_id == newest_result(a.id))
        .where(a.id.in_(list(attempt_ids)))
        .order_by(a.id, table.c.place)
    )
    with reading(store) as conn:
        return [(int(row.attempt_id), row) for row in conn.execute(query)]
