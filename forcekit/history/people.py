"""Athletes, their body mass over time, and training sessions."""

from __future__ import annotations

import difflib
import time
import uuid
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from forcekit.errors import InputError
from forcekit.history.schema import athletes, attempts, body_masses, sessions
from forcekit.history.store import Store, insert_missing, reading, writing

__all__ = [
    "Athlete",
    "add_athlete",
    "add_body_mass",
    "add_session",
    "body_mass_at",
    "change_athlete",
    "check_name",
    "find_athlete",
    "find_athlete_id",
    "list_athletes",
]

_ALLOWED = {
    "stature_m": (1.0, 2.5),
    "foot_length_m": (0.15, 0.40),
    "shoe_size_mm": (150.0, 400.0),
    "mass_kg": (20.0, 300.0),
}
"""What a person can be; wide on purpose, to catch a wrong unit."""


@dataclass(frozen=True, slots=True)
class Athlete:
    """One athlete of the store; `name` may be a pseudonym."""

    id: int
    uid: str
    name: str
    stature_m: float | None
    foot_length_m: float | None
    shoe_size_mm: float | None
    note: str
    n_attempts: int
    last_lifted_at: float | None


def add_athlete(
    store: Store,
    name: str,
    *,
    stature_m: float | None = None,
    foot_length_m: float | None = None,
    shoe_size_mm: float | None = None,
    body_mass_kg: float | None = None,
    note: str = "",
) -> Athlete:
    """Add an athlete under a name or pseudonym that is not in use.

    Parameters
    ----------
    name : str
    stature_m, foot_length_m : float, optional, metre
    shoe_size_mm : float, optional
        Mondopoint size, the foot length in millimetres.
    body_mass_kg : float, optional
        Today's body mass.

    Raises
    ------
    InputError
        If the name is empty or in use, or a number cannot be a person's.
    """
    name = name.strip()
    if not name:
        raise InputError("athlete: the name is empty. Give a name or a pseudonym.")
    check_name(name)
    row: dict[str, Any] = {"stature_m": stature_m, "foot_length_m": foot_length_m, "shoe_size_mm": shoe_size_mm}
    for key, value in {**row, "mass_kg": body_mass_kg}.items():
        _check(name, key, value)
    row |= {"uid": uuid.uuid4().hex, "name": name, "note": note, "added_at": time.time()}
    try:
        with writing(store) as conn:
            new_id = conn.execute(sa.insert(athletes).values(row).returning(athletes.c.id)).scalar_one()
            if body_mass_kg is not None:
                mass = {"athlete_id": new_id, "at": time.time(), "mass_kg": body_mass_kg, "source": "entered"}
                conn.execute(sa.insert(body_masses).values(mass))
    except sa.exc.IntegrityError as error:
        raise InputError(
            f'athlete: "{name}" is in the store already. Choose another name, or use that athlete.'
        ) from error
    return find_athlete(store, name)


def change_athlete(store: Store, name: str, /, **changes: float | str | None) -> Athlete:
    """Change what is stored about an athlete: stature_m, foot_length_m, shoe_size_mm, note or name."""
    athlete = find_athlete(store, name)
    allowed = {"stature_m", "foot_length_m", "shoe_size_mm", "note", "name"}
    if set(changes) - allowed:
        wrong = ", ".join(sorted(set(changes) - allowed))
        raise InputError(f"athlete: {wrong} cannot be changed; {', '.join(sorted(allowed))} can. Correct the option.")
    if "name" in changes:
        changes["name"] = check_name(str(changes["name"]).strip())
    for key, value in changes.items():
        if isinstance(value, int | float):
            _check(name, key, float(value))
    try:
        with writing(store) as conn:
            conn.execute(sa.update(athletes).where(athletes.c.id == athlete.id).values(changes))
    except sa.exc.IntegrityError as error:
        raise InputError(f'athlete: "{changes.get("name")}" is in the store already. Choose another name.') from error
    return find_athlete(store, str(changes.get("name", name)))


def find_athlete(store: Store, name: str) -> Athlete:
    """Find an athlete by name.

    Raises
    ------
    InputError
        If there is none; the message names similar ones.
    """
    found = _athletes(store, name.strip())
    if found:
        return found[0]
    with reading(store) as conn:
        names = list(conn.execute(sa.select(athletes.c.name)).scalars())
    near = difflib.get_close_matches(name, names, 3)
    hint = f"Did you mean {' or '.join(near)}?" if near else "Add the athlete first."
    raise InputError(f'athlete: "{name}" is not in the store, which has {len(names)}. {hint}')


def find_athlete_id(store: Store, athlete: str) -> int:
    """Id of an athlete, by the shortest way."""
    with reading(store) as conn:
        found = conn.execute(sa.select(athletes.c.id).where(athletes.c.name == athlete.strip())).scalar_one_or_none()
    return int(found) if found is not None else find_athlete(store, athlete).id


def list_athletes(store: Store) -> tuple[Athlete, ...]:
    """List all athletes by name, with the number of their attempts and the time of the last."""
    return tuple(_athletes(store, None))


def add_body_mass(store: Store, name: str, mass_kg: float, *, at: float | None = None, source: str = "entered") -> None:
    """Store a body mass in kg at a time (seconds since 1970, now when left out)."""
    _check(name, "mass_kg", mass_kg)
    athlete = find_athlete(store, name)
    row = {"athlete_id": athlete.id, "at": time.time() if at is None else at, "mass_kg": mass_kg, "source": source}
    with writing(store) as conn:
        insert_missing(conn, body_masses, [row])


def body_mass_at(store: Store, name: str, at: float) -> float | None:
    """Body mass in kg that was known at a time: the last one before it, else the first after it; None if none."""
    athlete = find_athlete(store, name)
    mine = body_masses.c.athlete_id == athlete.id
    before = sa.select(body_masses.c.mass_kg).where(mine, body_masses.c.at <= at).order_by(body_masses.c.at.desc())
    after = sa.select(body_masses.c.mass_kg).where(mine, body_masses.c.at > at).order_by(body_masses.c.at)
    with reading(store) as conn:
        found = conn.execute(before.limit(1)).scalar() or conn.execute(after.limit(1)).scalar()
    return None if found is None else float(found)


def check_name(name: str, what: str = "athlete") -> str:
    """Give the name back if it is one line of text that a screen can show and a person can type.

    Raises
    ------
    InputError
        If it is not; `what` stands before the sentence.
    """
    if not name.strip() or not name.isprintable():
        raise InputError(f"{what}: the name {name!r} is empty or holds characters that cannot be seen. Give another.")
    if name != name.strip():
        raise InputError(f"{what}: the name {name!r} begins or ends with a blank. Take it away.")
    return name


def add_session(store: Store, *, at: float | None = None, place: str = "", note: str = "") -> int:
    """Start a training session; gives its id, to be passed with each attempt."""
    row = {"uid": uuid.uuid4().hex, "started_at": time.time() if at is None else at, "place": place, "note": note}
    with writing(store) as conn:
        return int(conn.execute(sa.insert(sessions).values(row).returning(sessions.c.id)).scalar_one())


def _athletes(store: Store, name: str | None) -> list[Athlete]:
    counted = sa.select(
        attempts.c.athlete_id, sa.func.count().label("n"), sa.func.max(attempts.c.lifted_at).label("last")
    ).group_by(attempts.c.athlete_id)
    query = sa.select(athletes).order_by(athletes.c.name)
    with reading(store) as conn:
        if name is not None:
            query = query.where(athletes.c.name == name)
        rows = conn.execute(query).mappings().all()
        if name is not None and rows:
            counted = counted.where(attempts.c.athlete_id == rows[0]["id"])
        about = {r.athlete_id: (r.n, r.last) for r in conn.execute(counted)} if rows else {}
    keys = ("id", "uid", "name", "stature_m", "foot_length_m", "shoe_size_mm", "note")
    found = []
    for row in rows:
        n_attempts, last = about.get(row["id"], (0, None))
        found.append(Athlete(**{k: row[k] for k in keys}, n_attempts=n_attempts, last_lifted_at=last))
    return found


def _check(name: str, key: str, value: float | None) -> None:
    low, high = _ALLOWED.get(key, (0.0, 0.0))
    if value is None or low <= value <= high:
        return
    raise InputError(
        f'athlete "{name}": {key} is {value:g}; {low:g} to {high:g} is allowed. Check the number and its unit.'
    )
