"""Reading exported tables back into a store; what is there already is left as it is."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

import sqlalchemy as sa

from forcekit.errors import InputError
from forcekit.history import schema as t
from forcekit.history.attempts import known_attempt
from forcekit.history.people import check_name
from forcekit.history.recordings import find_kept, keep_file, remove_unused
from forcekit.history.store import Store, insert_missing, writing
from forcekit.history.tables import check_format, read_table

__all__ = ["Imported", "import_tables"]

_BATCH = 20000


@dataclass(frozen=True, slots=True)
class Imported:
    """What was added, raw files among it, and how many attempts were there already."""

    n_athletes: int
    n_attempts: int
    n_results: int
    n_known: int
    n_files: int


def import_tables(store: Store, folder: str | Path) -> Imported:
    """Add everything of an exported folder that the store does not have yet, all of it or nothing.

    Parameters
    ----------
    folder : str or Path
        Written by `tables.export_tables`.

    Raises
    ------
    InputError
        If the folder is no export of this version, a table is missing or broken, a name could not be shown or typed, or
        an athlete of another origin has the same name.
    """
    source = Path(folder).expanduser()
    check_format(source)
    rows = {name: list(read_table(source, name)) for name in (*_PARENTS, "athletes", "sessions")}
    _check_parents(rows)
    for row in rows["athletes"]:
        check_name(row["name"] or "", "import, table athletes")
    owner = {r["uid"]: r["athlete_uid"] for r in rows["attempts"]}
    attempt_of = {r["uid"]: r["attempt_uid"] for r in rows["results"]}
    named = {r["sha256"] for r in rows["recordings"]}
    files = _keep_raw(store, source, named)
    try:
        with writing(store) as conn:
            before = {table: _count(conn, table) for table in (t.athletes, t.attempts, t.results)}
            people = _add_people(conn, rows)
            meetings = _ids(conn, t.sessions, rows["sessions"])
            lifts, n_known = _add_attempts(conn, rows["attempts"], people, meetings)
            _add_recordings(conn, rows["recordings"], lifts)
            fresh = _add_results(conn, rows["results"], lifts)
            places = {uid: (people[owner[of]], lifts[of], fresh.get(uid)) for uid, of in attempt_of.items()}
            for some in _of_results(source, "measures", places):
                _add_measures(conn, some)
            for table in (t.findings, t.quality_checks):
                for some in _of_results(source, table.name, places):
                    conn.execute(sa.insert(table), [{"result_id": place[2], **row} for place, row in some])
            added = [_count(conn, table) - n for table, n in before.items()]
    except BaseException as error:
        remove_unused(store, files)
        if isinstance(error, sa.exc.IntegrityError | sa.exc.DataError):
            raise InputError(
                f"import: the tables do not hold together ({str(error.orig).splitlines()[0]}). Nothing was added; "
                "export the store again."
            ) from error
        raise
    # A file that was there before may have gone with its attempts while this was written; now it is needed.
    files += _keep_raw(store, source, named)
    return Imported(added[0], added[1], added[2], n_known, len(set(files)))


_Place = tuple[int, int, int]
"""Ids of athlete, attempt and result in this store."""
_PARENTS = {
    "body_masses": {"athlete_uid": "athletes"},
    "attempts": {"athlete_uid": "athletes", "session_uid": "sessions"},
    "recordings": {"attempt_uid": "attempts"},
    "results": {"attempt_uid": "attempts"},
}
"""Table -> column -> the table whose rows it names."""


def _check_parents(rows: dict[str, list[dict[str, Any]]]) -> None:
    for table, columns in _PARENTS.items():
        for column, parent in columns.items():
            known = {r["uid"] for r in rows[parent]}
            strange = next((r[column] for r in rows[table] if r[column] and r[column] not in known), None)
            if strange is not None:
                _without_parent(table, column, strange, parent)


def _without_parent(table: str, column: str, uid: str, parent: str) -> NoReturn:
    raise InputError(f"import: {table}, column {column}: {uid} is not in the table {parent}. Export the store again.")


def _of_results(
    source: Path, table: str, places: dict[str, tuple[int, int, int | None]]
) -> Iterator[list[tuple[_Place, dict[str, Any]]]]:
    """Rows of a table that belong to new results, so many at a time; a club's measures do not fit into memory."""
    some: list[tuple[_Place, dict[str, Any]]] = []
    for row in read_table(source, table):
        uid = row.pop("result_uid")
        if uid not in places:
            _without_parent(table, "result_uid", uid, "results")
        athlete, attempt, result = places[uid]
        if result is None:
            continue
        some.append(((athlete, attempt, result), row))
        if len(some) == _BATCH:
            yield some
            some = []
    if some:
        yield some


def _keep_raw(store: Store, source: Path, wanted: set[str]) -> list[str]:
    """Copy in the raw files that the tables name and the store lacks; gives their hashes."""
    new: list[str] = []
    try:
        for path in sorted((source / "recordings").glob("*")):
            sha256 = path.name.split(".")[0]
            if sha256 not in wanted or find_kept(store, sha256) is not None:
                continue
            kept = keep_file(store, path)
            new.append(kept.sha256)
            if kept.sha256 != sha256:
                raise InputError(f"import: the content of {path.name} does not match its name. Copy the export again.")
    except BaseException:
        remove_unused(store, new)
        raise
    return new


def _count(conn: sa.Connection, table: sa.Table) -> int:
    return int(conn.execute(sa.select(sa.func.count()).select_from(table)).scalar_one())


def _insert(conn: sa.Connection, table: sa.Table, rows: list[dict[str, Any]]) -> None:
    for i in range(0, len(rows), _BATCH):
        conn.execute(sa.insert(table), rows[i : i + _BATCH])


def _ids_of(conn: sa.Connection, table: sa.Table, uids: Iterable[str]) -> dict[str, int]:
    wanted = list(uids)
    found: dict[str, int] = {}
    for i in range(0, len(wanted), 500):
        query = sa.select(table.c.uid, table.c.id).where(table.c.uid.in_(wanted[i : i + 500]))
        found |= {r.uid: r.id for r in conn.execute(query)}
    return found


def _ids(conn: sa.Connection, table: sa.Table, rows: list[dict[str, Any]]) -> dict[str, int]:
    """Insert the rows whose uid is new, and give the ids of all."""
    known = _ids_of(conn, table, (r["uid"] for r in rows))
    _insert(conn, table, [r for r in rows if r["uid"] not in known])
    return _ids_of(conn, table, (r["uid"] for r in rows))


def _add_people(conn: sa.Connection, rows: dict[str, list[dict[str, Any]]]) -> dict[str, int]:
    for row in rows["athletes"]:
        other = conn.execute(
            sa.select(t.athletes.c.uid).where(t.athletes.c.name == row["name"], t.athletes.c.uid != row["uid"])
        ).first()
        if other is not None:
            raise InputError(
                f'import: the store has another athlete named "{row["name"]}". Rename one of them, then import again.'
            )
    people = _ids(conn, t.athletes, rows["athletes"])
    masses = [
        {"athlete_id": people[r["athlete_uid"]], **{k: r[k] for k in ("at", "mass_kg", "source")}}
        for r in rows["body_masses"]
    ]
    insert_missing(conn, t.body_masses, masses)
    return people


def _add_attempts(
    conn: sa.Connection, rows: list[dict[str, Any]], people: dict[str, int], meetings: dict[str, int]
) -> tuple[dict[str, int], int]:
    """Insert new attempts; gives the ids of all, and how many were known by uid or by recording and lift time."""
    known = _ids_of(conn, t.attempts, (r["uid"] for r in rows))
    fresh = []
    for row in rows:
        if row["uid"] in known:
            continue
        same = known_attempt(conn, row["content_hash"], row["lift_at_s"])
        if same is not None:
            if same.athlete_id != people[row["athlete_uid"]]:
                raise InputError(
                    f'import: a lift of this folder is stored for the athlete "{same.name}" already. '
                    "Delete it in one of the two stores, then import again."
                )
            known[row["uid"]] = same.id
            continue
        kept = {k: v for k, v in row.items() if k not in ("athlete_uid", "session_uid")}
        ids = {"athlete_id": people[row["athlete_uid"]], "session_id": meetings.get(row["session_uid"])}
        fresh.append(kept | ids)
    _insert(conn, t.attempts, fresh)
    return known | _ids_of(conn, t.attempts, (r["uid"] for r in fresh)), len(known)


def _add_recordings(conn: sa.Connection, rows: list[dict[str, Any]], lifts: dict[str, int]) -> None:
    files = {r["sha256"]: {k: r[k] for k in ("sha256", "n_bytes", "file_name", "stored_at")} for r in rows}
    insert_missing(conn, t.recordings, [files[h] for h in sorted(files)])
    ids = {r.sha256: r.id for r in conn.execute(sa.select(t.recordings.c.sha256, t.recordings.c.id))}
    links = [{"attempt_id": lifts[r["attempt_uid"]], "recording_id": ids[r["sha256"]], "role": r["role"]} for r in rows]
    insert_missing(conn, t.attempt_recordings, links)


def _add_results(conn: sa.Connection, rows: list[dict[str, Any]], lifts: dict[str, int]) -> dict[str, int]:
    """Insert new results; gives the ids of the new ones only."""
    known = _ids_of(conn, t.results, (r["uid"] for r in rows))
    fresh = [r for r in rows if r["uid"] not in known]
    kept = [{k: v for k, v in r.items() if k != "attempt_uid"} | {"attempt_id": lifts[r["attempt_uid"]]} for r in fresh]
    _insert(conn, t.results, kept)
    return _ids_of(conn, t.results, (r["uid"] for r in fresh))


def _add_measures(conn: sa.Connection, some: list[tuple[_Place, dict[str, Any]]]) -> None:
    names = sorted({(row["measure"], row["unit"] or "") for _, row in some})
    insert_missing(conn, t.measure_names, [{"name": name, "unit": unit} for name, unit in names])
    ids = {(r.name, r.unit): r.id for r in conn.execute(sa.select(t.measure_names))}
    kept = [
        {
            "athlete_id": athlete,
            "measure_id": ids[row["measure"], row["unit"] or ""],
            "attempt_id": attempt,
            "result_id": result,
            **{k: row[k] for k in ("value", "low", "high", "withheld")},
        }
        for (athlete, attempt, result), row in some
    ]
    conn.execute(sa.insert(t.measures), kept)
