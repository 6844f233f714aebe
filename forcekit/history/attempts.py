"""Adding a lift to the store."""

from __future__ import annotations

import hashlib
import json
import time
import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal, get_args

import msgspec
import sqlalchemy as sa

from forcekit import __version__
from forcekit.errors import InputError
from forcekit.history import schema as t
from forcekit.history.people import find_athlete_id
from forcekit.history.recordings import KeptFile, content_hash
from forcekit.history.store import Store, insert_missing, writing
from forcekit.model import AttemptCard, Outcome
from forcekit.results import Finding, Lift, Measure, QualityCheck

__all__ = ["Stored", "add_attempt", "add_lift", "change_attempt", "known_attempt"]

SAME_LIFT_S = 0.25
"""Two lifts of one recording nearer than this are the same; a dip and drive takes longer."""


@dataclass(frozen=True, slots=True)
class Stored:
    """What became of a lift.

    Attributes
    ----------
    state : {"new", "analysed again", "brought back", "known"}
        "analysed again": the attempt was there, and this result is kept beside the earlier ones. "brought back": the
        very same result was there behind a newer one, and counts again. "known": it counts already, and nothing was
        written.
    """

    state: Literal["new", "analysed again", "brought back", "known"]
    attempt_uid: str
    result_uid: str
    attempt_id: int
    result_id: int


def add_lift(
    store: Store,
    athlete: str,
    lift: Lift,
    *,
    definitions: str,
    at: float | None = None,
    files: Sequence[KeptFile] = (),
    session_id: int | None = None,
    setup: Mapping[str, object] | None = None,
    software: str | None = None,
) -> Stored:
    """Store a lift of an athlete with all that was measured, found and checked.

    Parameters
    ----------
    athlete : str
        A name in the store.
    definitions : str
        Version of the measures' definitions.
    at : float, optional
        When the recording was made, seconds since 1970 (UTC); left out, now.
    files : sequence of KeptFile
        The raw files, from `recordings.keep_file`.
    setup : mapping, optional
        Anything else that decides the numbers (settings, device names), as JSON can hold it.
    """
    about: dict[str, object] = {
        "card": msgspec.to_builtins(lift.card),
        "foot": asdict(lift.foot),
        "instants": asdict(lift.instants),
        "notes": list(lift.notes),
        **(setup or {}),
    }
    return add_attempt(
        store,
        athlete,
        lift.measures.values(),
        card=msgspec.structs.replace(lift.card, movement=lift.movement),
        findings=lift.findings,
        quality=lift.quality,
        lift_at_s=lift.instants.lowest_s,
        definitions=definitions,
        at=at,
        files=files,
        session_id=session_id,
        setup=about,
        software=software,
    )


def add_attempt(
    store: Store,
    athlete: str,
    measures: Iterable[Measure],
    *,
    card: AttemptCard,
    definitions: str,
    findings: Sequence[Finding] = (),
    quality: Sequence[QualityCheck] = (),
    lift_at_s: float | None = None,
    at: float | None = None,
    files: Sequence[KeptFile] = (),
    session_id: int | None = None,
    setup: Mapping[str, object] | None = None,
    software: str | None = None,
) -> Stored:
    """Store one attempt given in parts; `add_lift` is the usual way.

    Notes
    -----
    An attempt is known by the content of its raw files and the time of the lift in them (± 0.25 s). A known attempt
    with another result gets a second result; the first stays. The one that was found last counts, even if it is the
    same as an earlier one. Everything is written together or not at all.

    Raises
    ------
    InputError
        If the athlete is unknown, or the same lift is stored for somebody else.
    """
    who = find_athlete_id(store, athlete)
    values = tuple(measures)
    ids = _name_ids(store, values)
    software = software or __version__
    setup_text = json.dumps(setup or {}, sort_keys=True, ensure_ascii=False)
    print_ = _fingerprint(values, findings, quality, (software, definitions, setup_text))
    hashed = content_hash(files)
    attempt = _attempt_row(who, card, hashed, lift_at_s, at, session_id)
    now = time.time()
    with writing(store) as conn:
        recording_ids = _note_recordings(conn, files, now)
        known = known_attempt(conn, hashed, lift_at_s)
        if known is not None and known.athlete_id != who:
            raise InputError(
                f'store: the lift at {lift_at_s:.1f} s of this recording is stored for the athlete "{known.name}", '
                f'not "{athlete}". Correct the name, or delete it there first.'
            )
        if known is not None:
            same = conn.execute(
                sa.select(t.results.c.id, t.results.c.uid).where(
                    t.results.c.attempt_id == known.id, t.results.c.fingerprint == print_
                )
            ).first()
            if same is not None:
                return _brought_back(conn, known, same, now)
        attempt_id = known.id if known is not None else _insert_id(conn, t.attempts, attempt)
        insert_missing(conn, t.attempt_recordings, [{"attempt_id": attempt_id, **r} for r in recording_ids])
        result = {
            "uid": uuid.uuid4().hex,
            "attempt_id": attempt_id,
            "analysed_at": now,
            "software": software,
            "definitions": definitions,
            "setup": setup_text,
            "fingerprint": print_,
        }
        result_id = _insert_id(conn, t.results, result)
        _insert_details(conn, (who, attempt_id, result_id), values, ids, findings, quality)
    state: Literal["new", "analysed again"] = "new" if known is None else "analysed again"
    uid = attempt["uid"] if known is None else known.uid
    return Stored(state, uid, str(result["uid"]), attempt_id, result_id)


def _brought_back(conn: sa.Connection, known: Any, same: Any, now: float) -> Stored:
    """Let a result that was found once more be the newest of its attempt, if it is not yet."""
    r = t.results.c
    newer = sa.select(r.id).where(r.attempt_id == known.id).order_by(r.analysed_at.desc(), r.id.desc()).limit(1)
    if conn.execute(newer).scalar_one() == same.id:
        return Stored("known", known.uid, same.uid, known.id, same.id)
    conn.execute(sa.update(t.results).where(r.id == same.id).values(analysed_at=now))
    return Stored("brought back", known.uid, same.uid, known.id, same.id)


def change_attempt(
    store: Store,
    attempt_id: int,
    *,
    outcome: str | None = None,
    load_kg: float | None = None,
    cue: str | None = None,
    drill: str | None = None,
    note: str | None = None,
) -> None:
    """Correct or add what the coach knows of an attempt; what is left out stays. Results are never changed."""
    if outcome is not None and outcome not in ("", *get_args(Outcome)):
        raise InputError(f'attempt: the outcome is "{outcome}"; {", ".join(get_args(Outcome))} are allowed. Use one.')
    if load_kg is not None and not 0.0 < load_kg < 600.0:
        raise InputError(f"attempt: the load is {load_kg:g} kg; more than 0 and below 600 is allowed. Correct it.")
    given = {"outcome": outcome, "load_kg": load_kg, "cue": cue, "drill": drill, "note": note}
    changes = {k: v for k, v in given.items() if v is not None}
    with writing(store) as conn:
        update = sa.update(t.attempts).where(t.attempts.c.id == attempt_id).values(changes)
        if changes and conn.execute(update).rowcount == 0:
            raise InputError(f"store: there is no attempt {attempt_id}. List the athlete's attempts for their numbers.")


# --------------------------------------------------------------------------------------------------- inside


def _name_ids(store: Store, measures: Sequence[Measure]) -> dict[tuple[str, str], int]:
    """Ids of the measures' names; new names are written first, in a transaction of their own."""
    wanted = {(m.name, m.unit) for m in measures}
    if not wanted <= store.names.keys():
        rows = [{"name": name, "unit": unit} for name, unit in sorted(wanted)]
        with writing(store) as conn:
            insert_missing(conn, t.measure_names, rows)
            found = {(r.name, r.unit): int(r.id) for r in conn.execute(sa.select(t.measure_names))}
        store.names.update(found)
    return store.names


def _attempt_row(
    who: int, card: AttemptCard, hashed: str | None, lift_at_s: float | None, at: float | None, session_id: int | None
) -> dict[str, Any]:
    began = time.time() if at is None else at
    return {
        "uid": uuid.uuid4().hex,
        "athlete_id": who,
        "session_id": session_id,
        "lifted_at": began + (lift_at_s or 0.0) if at is not None else began,
        "content_hash": hashed,
        "lift_at_s": lift_at_s,
        "movement": card.movement or "",
        "load_kg": card.load_kg,
        "body_mass_kg": card.body_mass_kg,
        "drill": card.drill or "",
        "cue": card.cue or "",
        "outcome": card.outcome or "",
        "note": card.note,
    }


def _note_recordings(conn: sa.Connection, files: Sequence[KeptFile], now: float) -> list[dict[str, Any]]:
    """Note the raw files, and hold their rows so that the same recording cannot be added twice at once."""
    if not files:
        return []
    rows = [
        {"sha256": f.sha256, "n_bytes": f.n_bytes, "file_name": f.file_name, "stored_at": now}
        for f in sorted(files, key=lambda f: f.sha256)
    ]
    insert_missing(conn, t.recordings, rows)
    r = t.recordings.c
    query = (
        sa.select(r.id, r.sha256).where(r.sha256.in_([f.sha256 for f in files])).order_by(r.sha256).with_for_update()
    )
    ids = {row.sha256: row.id for row in conn.execute(query)}
    roles = {ids[f.sha256]: f.role for f in files}
    return [{"recording_id": i, "role": role} for i, role in roles.items()]


def known_attempt(conn: sa.Connection, hashed: str | None, lift_at_s: float | None) -> Any:
    """Row (id, uid, athlete_id, name) of the stored attempt that is this lift of this recording; None if none is."""
    if hashed is None or lift_at_s is None:
        return None
    a = t.attempts.c
    return conn.execute(
        sa.select(a.id, a.uid, a.athlete_id, t.athletes.c.name)
        .join(t.athletes, t.athletes.c.id == a.athlete_id)
        .where(a.content_hash == hashed, a.lift_at_s.between(lift_at_s - SAME_LIFT_S, lift_at_s + SAME_LIFT_S))
        .order_by(sa.func.abs(a.lift_at_s - lift_at_s))
        .limit(1)
    ).first()


def _insert_id(conn: sa.Connection, table: sa.Table, row: Mapping[str, Any]) -> int:
    return int(conn.execute(sa.insert(table).values(row).returning(table.c.id)).scalar_one())


def _insert_details(
    conn: sa.Connection,
    keys: tuple[int, int, int],
    measures: Sequence[Measure],
    ids: Mapping[tuple[str, str], int],
    findings: Sequence[Finding],
    quality: Sequence[QualityCheck],
) -> None:
    who, attempt_id, result_id = keys
    rows = [
        {
            "athlete_id": who,
            "measure_id": ids[m.name, m.unit],
            "attempt_id": attempt_id,
            "result_id": result_id,
            "value": m.value,
            "low": m.low,
            "high": m.high,
            "withheld": m.withheld,
        }
        for m in measures
    ]
    if rows:
        conn.execute(sa.insert(t.measures), rows)
    said = [
        {
            "result_id": result_id,
            "place": i,
            "evidence": json.dumps(f.evidence),
            **{k: getattr(f, k) for k in ("pattern", "strength", "sentence", "limit_source")},
            **{k: getattr(f.cue, k) for k in ("cue", "drill", "caution")},
        }
        for i, f in enumerate(findings)
    ]
    if said:
        conn.execute(sa.insert(t.findings), said)
    checked = [
        {
            "result_id": result_id,
            "place": i,
            "withholds": json.dumps(q.withholds),
            **{k: getattr(q, k) for k in ("name", "verdict", "sentence")},
        }
        for i, q in enumerate(quality)
    ]
    if checked:
        conn.execute(sa.insert(t.quality_checks), checked)


def _fingerprint(
    measures: Sequence[Measure],
    findings: Sequence[Finding],
    quality: Sequence[QualityCheck],
    made_by: tuple[str, str, str],
) -> str:
    """Hash of a result: the same analysis of the same lift gives the same one."""
    told = repr((made_by, sorted(repr(m) for m in measures), tuple(findings), tuple(quality)))
    return hashlib.sha256(told.encode()).hexdigest()
