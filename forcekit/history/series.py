"""Reading attempts back: one measure over time, or all measures of one attempt."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import compress
from typing import Any

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa

from forcekit.errors import InputError
from forcekit.history import schema as t
from forcekit.history.people import find_athlete_id
from forcekit.history.store import Store, reading
from forcekit.history.wording import join_words
from forcekit.model import BoolArray, FloatArray
from forcekit.results import AS_SEEN, Measure

__all__ = [
    "AttemptLine",
    "Series",
    "check_movement",
    "find_attempt",
    "list_attempts",
    "measure_names_of",
    "measures_of",
    "movements_of",
    "movements_text",
    "newest_result",
    "series",
    "together_text",
]


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """One measure of one athlete in order of time; of each attempt the result that was analysed last.

    Attributes
    ----------
    lifted_at : array, shape (n,)
        Seconds since 1970 (UTC).
    value, low, high : array, shape (n,)
        SI; NaN where withheld.
    load_kg : array, shape (n,)
        NaN where not known.
    session : array, shape (n,)
        Session id; attempts without one are numbered by the day (local time), negative.
    outcome, cue, drill, movement : tuple of str
        Empty where not known.
    attempt_id : array of int, shape (n,)
    """

    athlete: str
    measure: str
    unit: str
    lifted_at: FloatArray
    value: FloatArray
    low: FloatArray
    high: FloatArray
    load_kg: FloatArray
    session: FloatArray
    outcome: tuple[str, ...]
    cue: tuple[str, ...]
    drill: tuple[str, ...]
    movement: tuple[str, ...]
    attempt_id: npt.NDArray[np.int64]

    def where(self, rows: BoolArray) -> Series:
        """Give the attempts for which `rows` is true."""
        index = [int(i) for i in np.flatnonzero(rows)]
        return Series(
            athlete=self.athlete,
            measure=self.measure,
            unit=self.unit,
            lifted_at=self.lifted_at[index],
            value=self.value[index],
            low=self.low[index],
            high=self.high[index],
            load_kg=self.load_kg[index],
            session=self.session[index],
            outcome=tuple(self.outcome[i] for i in index),
            cue=tuple(self.cue[i] for i in index),
            drill=tuple(self.drill[i] for i in index),
            movement=tuple(self.movement[i] for i in index),
            attempt_id=self.attempt_id[index],
        )

    def __len__(self) -> int:
        return int(self.value.size)


def series(
    store: Store,
    athlete: str,
    measure: str,
    *,
    movement: str | None = None,
    since: float | None = None,
    until: float | None = None,
) -> Series:
    """Read one measure of one athlete over time.

    Parameters
    ----------
    movement : str, optional
        Only attempts of this movement.
    since, until : float, optional
        Only attempts from and before these times, seconds since 1970 (UTC).

    Raises
    ------
    InputError
        If the athlete or the measure is unknown.
    """
    who = find_athlete_id(store, athlete)
    a, m = t.attempts.c, t.measures.c
    columns = (a.id, a.lifted_at, a.load_kg, a.session_id, a.outcome, a.cue, a.drill, a.movement)
    mine = sa.select(*columns).where(a.athlete_id == who).order_by(a.lifted_at, a.id)
    if movement is not None:
        mine = mine.where(a.movement == movement)
    if since is not None:
        mine = mine.where(a.lifted_at >= since)
    if until is not None:
        mine = mine.where(a.lifted_at < until)
    with reading(store) as conn:
        name_id, unit = _one_name(conn, who, measure)
        rows = conn.execute(mine).all()
        ids = [r[0] for r in rows] or [0]
        numbers = conn.execute(
            sa.select(m.attempt_id, m.value, m.low, m.high, m.result_id)
            .where(m.athlete_id == who, m.measure_id == name_id, m.attempt_id.between(min(ids), max(ids)))
            .order_by(m.attempt_id, m.result_id)
        ).all()
        numbers = _by_analysis(conn, who, numbers)
    return _joined(athlete, measure, unit, rows, numbers)


def _by_analysis(conn: sa.Connection, who: int, numbers: Sequence[Any]) -> Sequence[Any]:
    """Put the numbers of each attempt in the order in which they were analysed; an import brings older ones later.

    When they were is read only where an attempt has several results.
    """
    if len({n.attempt_id for n in numbers}) == len(numbers):
        return numbers
    r = t.results.c
    source = t.results.join(t.attempts, r.attempt_id == t.attempts.c.id)
    query = sa.select(r.id, r.analysed_at).select_from(source).where(t.attempts.c.athlete_id == who)
    at = {row.id: row.analysed_at for row in conn.execute(query)}
    return sorted(numbers, key=lambda n: (n.attempt_id, at[n.result_id], n.result_id))


def newest_result(attempt_id: sa.ColumnElement[int]) -> sa.ScalarSelect[int]:
    """Id of the result of an attempt that was analysed last, as a part of a query."""
    r = t.results.alias().c
    newest = sa.select(r.id).where(r.attempt_id == attempt_id).order_by(r.analysed_at.desc(), r.id.desc())
    return newest.limit(1).scalar_subquery()


def _joined(athlete: str, measure: str, unit: str, rows: Sequence[Any], numbers: Sequence[Any]) -> Series:
    """Put attempts (in order of time) and numbers (in order of attempt and analysis) together, column by column."""
    ids, lifted, load, session, outcome, cue, drill, movement = _columns(rows, 8)
    of_attempt, value, low, high, _ = _columns(numbers, 5)
    attempt_id, numbered = np.array(ids, dtype=np.int64), np.array(of_attempt, dtype=np.int64)
    # The last number of an attempt is of its newest result.
    last = np.searchsorted(numbered, attempt_id, side="right") - 1
    have = np.zeros(attempt_id.size, dtype=np.bool_)
    if numbered.size:
        have = (last >= 0) & (numbered[last] == attempt_id)
    picked = last[have]
    moment, held = _floats(lifted), _floats(session)
    return Series(
        athlete=athlete,
        measure=measure,
        unit=unit,
        lifted_at=moment[have],
        value=_floats(value)[picked],
        low=_floats(low)[picked],
        high=_floats(high)[picked],
        load_kg=_floats(load)[have],
        session=np.where(np.isfinite(held), held, -1.0 - _days(lifted))[have],
        outcome=tuple(compress(outcome, have)),
        cue=tuple(compress(cue, have)),
        drill=tuple(compress(drill, have)),
        movement=tuple(compress(movement, have)),
        attempt_id=attempt_id[have],
    )


def _days(moments: Sequence[float]) -> FloatArray:
    """Number of the day of each moment, local time: an evening in the gym is one session wherever it is."""
    return np.array([date.fromtimestamp(at).toordinal() for at in moments], dtype=np.float64)


def _columns(rows: Sequence[Any], n: int) -> list[tuple[Any, ...]]:
    return list(zip(*rows, strict=True)) if rows else [()] * n


@dataclass(frozen=True, slots=True)
class AttemptLine:
    """One attempt as a list shows it."""

    id: int
    uid: str
    lifted_at: float
    movement: str
    load_kg: float | None
    outcome: str
    cue: str
    drill: str
    note: str
    n_results: int


def list_attempts(store: Store, athlete: str, *, last: int | None = None) -> tuple[AttemptLine, ...]:
    """List an athlete's attempts in order of time; with `last`, only so many of the newest."""
    who = find_athlete_id(store, athlete)
    a = t.attempts.c
    counted = sa.select(sa.func.count()).where(t.results.c.attempt_id == a.id).scalar_subquery()
    columns = (a.id, a.uid, a.lifted_at, a.movement, a.load_kg, a.outcome, a.cue, a.drill, a.note, counted)
    query = sa.select(*columns).where(a.athlete_id == who).order_by(a.lifted_at.desc(), a.id.desc())
    with reading(store) as conn:
        rows = conn.execute(query.limit(last) if last is not None else query).all()
    return tuple(AttemptLine(*row) for row in reversed(rows))


def find_attempt(store: Store, attempt_id: int) -> tuple[str, AttemptLine]:
    """Give one attempt and the name of its athlete."""
    a = t.attempts.c
    counted = sa.select(sa.func.count()).where(t.results.c.attempt_id == a.id).scalar_subquery()
    columns = (a.id, a.uid, a.lifted_at, a.movement, a.load_kg, a.outcome, a.cue, a.drill, a.note, counted)
    query = sa.select(t.athletes.c.name, *columns).join(t.athletes, a.athlete_id == t.athletes.c.id)
    with reading(store) as conn:
        row = conn.execute(query.where(a.id == attempt_id)).first()
    if row is None:
        raise InputError(f"store: there is no attempt {attempt_id}. List the athlete's attempts for their numbers.")
    return str(row[0]), AttemptLine(*row[1:])


def measures_of(store: Store, attempt_id: int, *, result_id: int | None = None) -> dict[str, Measure]:
    """Measures of one attempt: of the result that was analysed last, or of the one given."""
    m, names = t.measures.c, t.measure_names.c
    with reading(store) as conn:
        who = conn.execute(sa.select(t.attempts.c.athlete_id).where(t.attempts.c.id == attempt_id)).scalar_one_or_none()
        if who is None:
            raise InputError(f"store: there is no attempt {attempt_id}. List the athlete's attempts for their numbers.")
        if result_id is None:
            result_id = conn.execute(sa.select(newest_result(sa.literal(attempt_id)))).scalar_one()
        # The measure ids lead the database through the athlete's part of the table, one place per measure.
        rows = conn.execute(
            sa.select(names.name, names.unit, m.value, m.low, m.high, m.withheld)
            .select_from(t.measure_names.join(t.measures, m.measure_id == names.id))
            .where(m.athlete_id == who, m.attempt_id == attempt_id, m.result_id == result_id)
            .order_by(names.id)
        ).all()
    return {r[0]: Measure(*r) for r in rows}


def measure_names_of(store: Store, athlete: str) -> dict[str, str]:
    """Measures that are stored for an athlete, name -> unit."""
    who = find_athlete_id(store, athlete)
    m, names = t.measures.c, t.measure_names.c
    some = sa.exists().where(m.athlete_id == who, m.measure_id == names.id)
    with reading(store) as conn:
        return {
            r.name: r.unit for r in conn.execute(sa.select(names.name, names.unit).where(some).order_by(names.name))
        }


def movements_of(
    store: Store, athlete: str | None, *, since: float | None = None, until: float | None = None
) -> dict[str, int]:
    """Number of attempts of each movement, the commonest first; the empty name is of those without one written.

    Parameters
    ----------
    athlete : str or None
        None counts those of all athletes.
    since, until : float, optional
        Only attempts from and before these times, seconds since 1970 (UTC).
    """
    a = t.attempts.c
    query = sa.select(a.movement, sa.func.count().label("n")).group_by(a.movement)
    if athlete is not None:
        query = query.where(a.athlete_id == find_athlete_id(store, athlete))
    if since is not None:
        query = query.where(a.lifted_at >= since)
    if until is not None:
        query = query.where(a.lifted_at < until)
    with reading(store) as conn:
        found = {str(row.movement): int(row.n) for row in conn.execute(query)}
    return dict(sorted(found.items(), key=lambda pair: (-pair[1], pair[0])))


def movements_text(found: Mapping[str, int]) -> str:
    """Write movements with the number of their attempts.

    Examples
    --------
    >>> movements_text({"jerk": 40, "push press": 12, "": 1})
    '"jerk" (40 attempts), "push press" (12) and no movement written (1)'
    """
    named = [f'"{movement}"' if movement else "no movement written" for movement in found]
    counts = [str(n) for n in found.values()]
    counts[:1] = [f"{n} attempt{'' if n == '1' else 's'}" for n in counts[:1]]
    return join_words([f"{name} ({n})" for name, n in zip(named, counts, strict=True)])


def together_text(found: Mapping[str, int]) -> str | None:
    """Sentence that names the movements an answer holds; None where it holds one.

    Examples
    --------
    >>> together_text({"jerk": 40, "push press": 12})
    'All movements are taken together: "jerk" (40 attempts) and "push press" (12).'
    """
    if len(found) < 2:
        return None
    seen = sum(movement.startswith(AS_SEEN) for movement in found)
    more = " Where the card named no movement, lifts go by what the feet did: these are two." if seen > 1 else ""
    return f"All movements are taken together: {movements_text(found)}.{more}"


def check_movement(store: Store, athlete: str | None, movement: str | None) -> None:
    """Raise an InputError that names the movements there are, if there are attempts but none of this one.

    Parameters
    ----------
    athlete : str or None
        None looks at those of all athletes.
    """
    found = {} if movement is None else movements_of(store, athlete)
    if found and movement not in found:
        of = "in the history" if athlete is None else f'of "{athlete}"'
        raise InputError(
            f'no attempt {of} is a "{movement}"; kept are {movements_text(found)}. Leave --movement out, or correct it.'
        )


def _one_name(conn: sa.Connection, who: int, measure: str) -> tuple[int, str]:
    m, names = t.measures.c, t.measure_names.c
    some = sa.exists().where(m.athlete_id == who, m.measure_id == names.id)
    found = conn.execute(sa.select(names.id, names.unit).where(names.name == measure, some)).all()
    if len(found) == 1:
        return int(found[0].id), str(found[0].unit)
    if found:
        units = " and ".join(r.unit or "no unit" for r in found)
        raise InputError(
            f"store: {measure} is stored in {units}. Analyse the older recordings again, so that one remains."
        )
    every = conn.execute(sa.select(names.name).where(some).order_by(names.name)).scalars().all()
    if not every:
        raise InputError("store: nothing is stored for this athlete yet. Analyse and keep some lifts first.")
    listed = ", ".join(every)
    raise InputError(f"store: {measure} is not stored for this athlete, who has {listed}. Choose one of these.")


def _floats(values: Sequence[float | None]) -> FloatArray:
    """Numbers as an array, None as NaN."""
    return np.array(values, dtype=np.float64)
