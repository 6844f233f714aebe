"""What a coach asks of an athlete's history: the statistics applied to the store."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Literal

import numpy as np

from forcekit.errors import InputError
from forcekit.history.breakload import BreakLoad, break_load
from forcekit.history.control_reps import ChartKind, ControlChart, control_chart
from forcekit.history.loads import LEAST_REPS, commonest_load
from forcekit.history.misses import MissContrast, miss_contrast
from forcekit.history.people import list_athletes
from forcekit.history.reliability import TypicalError, typical_error
from forcekit.history.series import Series, measure_names_of, series
from forcekit.history.several import Comparison, compare_many
from forcekit.history.squad import squad_from, squad_range
from forcekit.history.store import Store
from forcekit.history.trend import Trend, trend
from forcekit.history.trial import CueTrial, cue_trial
from forcekit.history.usual import Method, UsualRange, usual_range
from forcekit.history.wording import Wording, measure_words
from forcekit.model import BoolArray, FloatArray
from forcekit.results import Measure

__all__ = [
    "COMPARED",
    "break_load_of",
    "compare_lift",
    "control_chart_of",
    "cue_trial_of",
    "miss_contrast_of",
    "trend_of",
    "typical_error_of",
    "usual_limits",
    "usual_of",
]

COMPARED = (
    "dip_depth",
    "dip_time",
    "braking_time",
    "transition_time",
    "peak_dip_velocity",
    "peak_drive_velocity",
    "shift_in_dip",
    "shift_in_drive",
)
"""Measures compared unless told: a few for each of depth, tempo, speed and balance. More of them make every single one
harder to show."""
TRIAL_LOAD_FRAC = 0.10
"""Loads within this share of the trial's mean load belong to the trial's earlier reps; our choice."""
MOST_BEFORE = 6
"""At most so many reps just before the cue are "before"; the earlier ones are history. Our choice."""


def usual_of(
    store: Store,
    athlete: str,
    measure: str,
    *,
    load_kg: float | None = None,
    movement: str | None = None,
    method: Method = "auto",
    squad: bool = True,
    words: Wording | None = None,
) -> UsualRange:
    """Usual range of a measure for an athlete's next rep at a load.

    Parameters
    ----------
    movement : str, optional
        Only attempts of this movement.
    squad : bool
        Whether a lifter with fewer than 3 reps in all is answered from the other athletes of the store, if 5 of them
        have reps within 10 % of the load.
    """
    unit = measure_names_of(store, athlete).get(measure)
    if unit is None and not squad:
        series(store, athlete, measure)  # says what there is instead
    mine = None if unit is None else series(store, athlete, measure, movement=movement)
    values, loads = (np.empty(0), np.empty(0)) if mine is None else (mine.value, mine.load_kg)
    unit = unit or ""
    words = words or measure_words(measure, unit)
    if not squad or np.count_nonzero(np.isfinite(values)) >= LEAST_REPS:
        return usual_range(values, loads, load_kg=load_kg, method=method, measure=measure, unit=unit, words=words)
    others, unit = _others(store, athlete, measure, load_kg, movement)
    try:
        group = squad_from(others)
    except InputError:
        return usual_range(values, loads, load_kg=load_kg, method=method, measure=measure, unit=unit, words=words)
    near = np.isfinite(values) if load_kg is None else np.abs(loads - load_kg) <= TRIAL_LOAD_FRAC * load_kg
    return squad_range(values[near], group, load_kg=load_kg, measure=measure, unit=unit, words=words)


def usual_limits(
    store: Store, athlete: str, measures: Iterable[str], *, load_kg: float | None = None, movement: str | None = None
) -> dict[str, UsualRange]:
    """Usual ranges from the athlete's own reps, of those measures that have one; for the limits of findings."""
    have = measure_names_of(store, athlete)
    found = {}
    for name in measures:
        if name in have:
            usual = usual_of(store, athlete, name, load_kg=load_kg, movement=movement, squad=False)
            if usual.ok:
                found[name] = usual
    return found


def compare_lift(
    store: Store,
    athlete: str,
    measures: Mapping[str, Measure],
    *,
    load_kg: float | None = None,
    movement: str | None = None,
    names: Iterable[str] = COMPARED,
    leave_out: int | None = None,
    until: float | None = None,
    words: Mapping[str, Wording] | None = None,
) -> Comparison:
    """Compare a lift with the athlete's earlier ones in several measures at once.

    Parameters
    ----------
    measures : mapping of str to Measure
        Of the lift, such as `Lift.measures`.
    names : iterable of str
        Measures to compare.
    leave_out : int, optional
        Id of the attempt when the lift is in the store already.
    until : float, optional
        Only with attempts before this time, seconds since 1970 (UTC).
    """
    new = {n: m.value for n in names if (m := measures.get(n)) is not None and m.value is not None}
    have = measure_names_of(store, athlete)
    old, ids, loads, _ = _columns(store, athlete, [n for n in new if n in have], movement, until=until)
    if leave_out is not None:
        kept = ids != leave_out
        old, loads = {n: v[kept] for n, v in old.items()}, loads[kept]
    units = {n: measures[n].unit for n in new}
    words = {n: measure_words(n, units[n]) for n in new} | dict(words or {})
    return compare_many(new, old, loads_kg=loads, load_kg=load_kg, units=units, words=words)


def trend_of(
    store: Store,
    athlete: str,
    measure: str,
    *,
    movement: str | None = None,
    since: float | None = None,
    words: Wording | None = None,
) -> Trend:
    """Trend of a measure over an athlete's sessions, load allowed for where all loads are known."""
    s = series(store, athlete, measure, movement=movement, since=since)
    loads = s.load_kg if np.isfinite(s.load_kg).all() else None
    words = words or measure_words(measure, s.unit)
    return trend(s.lifted_at, s.value, sessions=s.session, loads_kg=loads, measure=measure, unit=s.unit, words=words)


def control_chart_of(
    store: Store,
    athlete: str,
    measure: str,
    *,
    kind: ChartKind = "single",
    robust: bool = False,
    movement: str | None = None,
    since: float | None = None,
    words: Wording | None = None,
) -> ControlChart:
    """Control chart of a measure over an athlete's reps of one movement; a rep whose value is withheld is left out.

    Raises
    ------
    InputError
        If the reps are of several movements and none is named.
    """
    s = series(store, athlete, measure, movement=movement, since=since)
    named = sorted({m for m, v in zip(s.movement, s.value, strict=True) if m and np.isfinite(v)})
    if len(named) > 1:
        raise InputError(
            f"control chart: the reps with {measure} are of {len(named)} movements ({', '.join(named)}), which differ "
            "by more than chance. Name one with --movement."
        )
    words = words or measure_words(measure, s.unit)
    return control_chart(
        s.lifted_at,
        s.value,
        kind=kind,
        sessions=s.session,
        loads_kg=s.load_kg,
        robust=robust,
        measure=measure,
        unit=s.unit,
        words=words,
    )


def typical_error_of(
    store: Store, athlete: str, measure: str, *, movement: str | None = None, words: Wording | None = None
) -> TypicalError:
    """Typical error of a measure within an athlete's sessions, at equal load where loads are known."""
    s = series(store, athlete, measure, movement=movement)
    pairs = np.column_stack([s.session, np.where(np.isfinite(s.load_kg), s.load_kg, -1.0)])
    groups = np.unique(pairs, axis=0, return_inverse=True)[1].reshape(-1).astype(np.float64) if len(s) else s.session
    words = words or measure_words(measure, s.unit)
    return typical_error(s.value, groups, measure=measure, unit=s.unit, words=words)


def cue_trial_of(
    store: Store,
    athlete: str,
    measure: str,
    *,
    cue: str | None = None,
    drill: str | None = None,
    wanted: Literal["higher", "lower"] | None = None,
    movement: str | None = None,
    words: Wording | None = None,
) -> CueTrial:
    """Whether a cue or a drill changed a measure; the reps with it are those whose attempt names it.

    Parameters
    ----------
    cue, drill : str
        Exactly one, as written with the attempts.

    Notes
    -----
    Only reps within 10 % of the mean load of those with the cue count; where none of them is that near, as between 60
    and 100 kg, those within 10 % of the load lifted most often with it. "Before" are the reps of the same session
    before the first one with it, at least 3 and at most 6 of the latest; all earlier ones are history.
    """
    if (cue is None) == (drill is None) or "" in (cue, drill):
        raise InputError("cue trial: give either a cue or a drill, as it is written with the attempts.")
    s = series(store, athlete, measure, movement=movement)
    s = s.where(np.isfinite(s.value))
    given = s.cue if cue is not None else s.drill
    name = cue or drill or ""
    with_it = np.array([g == name for g in given], dtype=np.bool_)
    if not with_it.any():
        kind = "cue" if cue is not None else "drill"
        used = ", ".join(f'"{g}"' for g in sorted({g for g in given if g}))
        listed = f"these are written: {used}. Use one of them." if used else f"none has a {kind} at all."
        of = "" if movement is None else f' of "{movement}"'
        raise InputError(f'cue trial: no rep{of} with {measure} has the {kind} "{name}"; {listed}')
    near = _near_load(s, with_it)
    with_it &= near
    earlier = np.flatnonzero(near & ~with_it & (s.lifted_at < s.lifted_at[with_it].min()))
    same_session = np.count_nonzero(s.session[earlier] == s.session[np.flatnonzero(with_it)[0]])
    n_before = min(max(LEAST_REPS, int(same_session)), MOST_BEFORE, earlier.size)
    before, history = earlier[earlier.size - n_before :], earlier[: earlier.size - n_before]
    return cue_trial(
        s.value[before],
        s.value[with_it],
        s.value[history],
        wanted=wanted,
        cue=f'the {"cue" if cue is not None else "drill"} "{name}"',
        measure=measure,
        unit=s.unit,
        words=words or measure_words(measure, s.unit),
    )


def miss_contrast_of(
    store: Store,
    athlete: str,
    *,
    names: Iterable[str] = COMPARED,
    miss: str | None = None,
    movement: str | None = None,
    words: Mapping[str, Wording] | None = None,
) -> MissContrast:
    """What differs between an athlete's makes and misses.

    Parameters
    ----------
    names : iterable of str
        Measures to compare; those not stored are passed over.
    miss : str, optional
        One kind of miss, such as ``"missed forward"``; left out, all.
    """
    have = measure_names_of(store, athlete)
    chosen = [n for n in names if n in have]
    if not chosen:
        return miss_contrast({}, np.zeros(0, dtype=np.bool_))
    columns, _, loads, said = _columns(store, athlete, chosen, movement)
    missed = np.array([o.startswith("missed") and miss in (None, o) for o in said], dtype=np.bool_)
    known = missed | np.array([o == "made" for o in said], dtype=np.bool_)
    loads_kg = loads[known] if np.isfinite(loads[known]).any() else None
    values = {n: v[known] for n, v in columns.items()}
    units = {n: have[n] for n in chosen}
    words = {n: measure_words(n, have[n]) for n in chosen} | dict(words or {})
    return miss_contrast(values, missed[known], loads_kg=loads_kg, units=units, words=words)


def break_load_of(
    store: Store,
    athlete: str,
    measure: str = "shift_total",
    *,
    limit: float | None = None,
    side: Literal["above", "below"] = "above",
    movement: str | None = None,
    since: float | None = None,
    words: Wording | None = None,
) -> BreakLoad:
    """From which load a measure (unless told, the shift of pressure) leaves an athlete's usual range."""
    s = series(store, athlete, measure, movement=movement, since=since)
    words = words or measure_words(measure, s.unit)
    return break_load(s.value, s.load_kg, limit=limit, side=side, measure=measure, unit=s.unit, words=words)


# --------------------------------------------------------------------------------------------------- inside


def _columns(
    store: Store, athlete: str, names: Iterable[str], movement: str | None, *, until: float | None = None
) -> tuple[dict[str, FloatArray], FloatArray, FloatArray, list[str]]:
    """Several measures on the same attempts, NaN where one is missing; with attempt ids, loads and outcomes."""
    read = {name: series(store, athlete, name, movement=movement, until=until) for name in names}
    about: dict[int, tuple[float, str]] = {}
    for s in read.values():
        about |= dict(zip(s.attempt_id.tolist(), zip(s.load_kg.tolist(), s.outcome, strict=True), strict=True))
    ids = np.array(sorted(about), dtype=np.float64)
    columns = {}
    for name, s in read.items():
        column = np.full(ids.size, np.nan)
        column[np.searchsorted(ids, s.attempt_id.astype(np.float64))] = s.value
        columns[name] = column
    loads = np.array([about[int(i)][0] for i in ids], dtype=np.float64)
    return columns, ids, loads, [about[int(i)][1] for i in ids]


def _near_load(s: Series, with_it: BoolArray) -> BoolArray:
    """Reps within 10 % of the mean load of those with the cue, or of the commonest; all, where no load is known."""
    loads = s.load_kg[with_it]
    commonest = commonest_load(loads)
    if commonest is None:
        return np.ones(len(s), dtype=np.bool_)
    mean = float(np.nanmean(loads))
    near: BoolArray = np.abs(s.load_kg - mean) <= TRIAL_LOAD_FRAC * mean
    return near if near[with_it].any() else np.abs(s.load_kg - commonest) <= TRIAL_LOAD_FRAC * commonest


def _others(
    store: Store, athlete: str, measure: str, load_kg: float | None, movement: str | None
) -> tuple[list[FloatArray], str]:
    """Reps of the other athletes near the load, one array each, and the measure's unit."""
    found: list[FloatArray] = []
    unit = ""
    for other in list_athletes(store):
        if other.name == athlete.strip() or measure not in measure_names_of(store, other.name):
            continue
        s = series(store, other.name, measure, movement=movement)
        near = np.isfinite(s.value)
        if load_kg is not None:
            near &= np.abs(s.load_kg - load_kg) <= TRIAL_LOAD_FRAC * load_kg
        found.append(s.value[near])
        unit = s.unit
    return found, unit
