"""One session against the last one, and against the same load in all sessions before."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from forcekit.errors import InputError
from forcekit.history.loads import LEAST_REPS, SAME_LOAD_FRAC, commonest_load, reps_text, span_text
from forcekit.history.questions import COMPARED
from forcekit.history.series import Series, measure_names_of, series
from forcekit.history.several import NO_SCATTER, JointTest, joint_test, scatters
from forcekit.history.store import Store
from forcekit.history.wording import Wording, interval_text, iso_day, join_words, load_text, measure_words, number_text
from forcekit.model import BoolArray, FloatArray

__all__ = ["Against", "MeasureChange", "SessionComparison", "compare_sessions"]

LEAST_SPARE = 3
"""Fewest degrees of freedom of the scatter between repeated reps (our choice, as for a usual range of 3 reps)."""
MOST_REPS = 150
"""The newest so many reps tell how much repeated reps scatter (our choice; older ones are another lifter)."""
LEAST_SHARE = 0.5
"""A measure that more than this share of the reps lacks is left out."""


@dataclass(frozen=True, slots=True)
class MeasureChange:
    """One measure of this session against an earlier time; SI. The interval holds for all measures together.

    Attributes
    ----------
    now, before : float
        Means.
    change, low, high : float
        Change with its joint 95 % interval, at equal load.
    p, p_joint : float
        For this measure alone, and with the false-alarm rate held over all of them.
    seen_from : float
        Half the joint interval: a smaller change could not have been seen.
    """

    measure: str
    words: Wording
    now: float
    before: float
    change: float
    low: float
    high: float
    p: float
    p_joint: float
    seen_from: float
    differs: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class Against:
    """What this session was compared with, and what came of it.

    Attributes
    ----------
    with_what : str
        In words, such as "the session of 2024-03-10" or "5 earlier sessions at 80 kg".
    measures : tuple of MeasureChange
        Empty when withheld.
    left_out : mapping of str to str
        Measures not compared, and why.
    """

    with_what: str
    loads_kg: tuple[float, ...]
    n_now: int
    n_before: int
    measures: tuple[MeasureChange, ...]
    left_out: Mapping[str, str]
    withheld: str | None
    sentence: str

    @property
    def different(self) -> tuple[MeasureChange, ...]:
        """The measures that differ, the surest first."""
        return tuple(sorted((m for m in self.measures if m.differs), key=lambda m: m.p_joint))


@dataclass(frozen=True, slots=True)
class SessionComparison:
    """One session against the last one and against the same load before.

    Attributes
    ----------
    started_at, ended_at : float
        First and last attempt of this session, seconds since 1970 (UTC).
    load_kg : float or None
        The load asked for `same_load`; the reps compared are within 5 % of it.
    """

    athlete: str
    movement: str
    started_at: float
    ended_at: float
    n_reps: int
    load_kg: float | None
    last: Against
    same_load: Against


@dataclass(frozen=True, slots=True, eq=False)
class _Reps:
    """Several measures on the same reps in order of time; columns of shape (n,)."""

    value: dict[str, FloatArray]
    units: dict[str, str]
    load: FloatArray
    session: FloatArray
    at: FloatArray


def compare_sessions(
    store: Store,
    athlete: str,
    *,
    at: float | None = None,
    load_kg: float | None = None,
    movement: str | None = None,
    names: Iterable[str] = COMPARED,
) -> SessionComparison:
    """Compare a session with the one before it and with the same load in all sessions before it.

    Parameters
    ----------
    at : float, optional
        A time; the last session that began before it is compared. Left out, the newest.
    load_kg : float, optional
        Load for the second comparison; left out, the one lifted most often in the session, the heaviest of several.
    movement : str, optional
        Left out, the one done most often in the session.
    names : iterable of str
        Measures to compare.

    Notes
    -----
    *Against the last session*: reps at loads lifted in both (within 5 %), load by load, so that a heavier day is not
    taken for another lifter. The yardstick is the typical error: the scatter of repeated reps at one load within one
    session, pooled over the newest 150 reps of the history and taken to be the same everywhere. What is told is whether
    these two sessions differ, not whether the lifter has changed: days differ.

    *Against the same load before*: means of sessions, each counted once, so that the scatter from day to day is the
    yardstick; at least 3 earlier sessions. Means of few reps scatter more than means of many; that is not allowed for.

    Both test all measures at once (`several.joint_test`): when nothing differs, any false alarm at all comes in 1 of 20
    comparisons.

    Raises
    ------
    InputError
        If there is no such session.
    """
    chosen = tuple(names)
    have = measure_names_of(store, athlete)
    read = {n: series(store, athlete, n, until=at) for n in chosen if n in have}
    longest = max(read.values(), key=len, default=None)
    if longest is None or not len(longest):
        if read and at is not None:
            raise InputError(f'compare: "{athlete}" has no attempt with these measures by then. Give a later session.')
        raise InputError(f'compare: "{athlete}" has no attempt with these measures yet. Analyse and keep some first.')
    this = float(longest.session[-1])
    movement = movement or _most(longest, this)
    reps = _reps(read, have, movement)
    now = reps.session == this
    if not now.any():
        raise InputError(f'compare: no attempt of the session is a "{movement}"; leave --movement out, or correct it.')
    load = load_kg if load_kg is not None else commonest_load(reps.load[now])
    return SessionComparison(
        athlete=athlete,
        movement=movement,
        started_at=float(reps.at[now].min()),
        ended_at=float(reps.at[now].max()),
        n_reps=int(np.count_nonzero(now)),
        load_kg=load,
        last=_against_last(reps, now),
        same_load=_against_load(reps, now, load),
    )


# --------------------------------------------------------------------------------------------------- inside


def _most(s: Series, session: float) -> str:
    """Movement done most often in a session; of several the one that comes first in the alphabet."""
    done = [m for m, k in zip(s.movement, s.session.tolist(), strict=True) if k == session]
    return max(sorted(set(done)), key=done.count)


def _reps(read: Mapping[str, Series], units: Mapping[str, str], movement: str) -> _Reps:
    """All measures on the same reps of one movement, in order of time."""
    about: dict[int, tuple[float, float, float]] = {}
    for s in read.values():
        rows = zip(s.attempt_id.tolist(), s.lifted_at.tolist(), s.load_kg.tolist(), s.session.tolist(), strict=True)
        about |= {i: (t, k, d) for (i, t, k, d), m in zip(rows, s.movement, strict=True) if m == movement}
    ids = sorted(about, key=lambda i: (about[i][0], i))
    place = {i: j for j, i in enumerate(ids)}
    value = {}
    for name, s in read.items():
        column = np.full(len(ids), np.nan)
        for i, v in zip(s.attempt_id.tolist(), s.value.tolist(), strict=True):
            if i in place:
                column[place[i]] = v
        value[name] = column
    at, load, session = (np.array([about[i][k] for i in ids], dtype=np.float64) for k in range(3))
    return _Reps(value, {n: units[n] for n in read}, load, session, at)


def _groups(loads: FloatArray) -> FloatArray:
    """Number of the group of like loads (each within 5 % of its lightest) of every rep; 0 where the load is unknown."""
    group = np.zeros(loads.size)
    number, first = 0, -np.inf
    for load in np.unique(loads[np.isfinite(loads)]):
        if load > (1.0 + SAME_LOAD_FRAC) * first:
            number, first = number + 1, float(load)
        group[loads == load] = number
    return group


def _against_last(reps: _Reps, now: BoolArray) -> Against:
    """Compare with the newest earlier session that has a load in common."""
    earlier = reps.at < reps.at[now].min()
    if not earlier.any():
        return _withheld("the last session", "there is no earlier session of this movement")
    group = _groups(reps.load)
    newest = float(reps.session[earlier][-1])
    for session in dict.fromkeys(reps.session[earlier][::-1].tolist()):
        then = earlier & (reps.session == session)
        shared = np.intersect1d(group[now], group[then])
        if shared.size:
            what = f"the session of {iso_day(float(reps.at[then].min()))}"
            if session != newest:
                what += f" (the last one, of {iso_day(float(reps.at[reps.session == newest].min()))}, had other loads)"
            return _two_sessions(reps, now & np.isin(group, shared), then & np.isin(group, shared), group, what)
    return _withheld("the last session", "no earlier session has a load within 5 % of one of this session")


def _two_sessions(reps: _Reps, now: BoolArray, then: BoolArray, group: FloatArray, what: str) -> Against:
    """Test the difference of two sets of reps at equal load; all other reps tell how much repeats scatter."""
    names, left_out = _comparable(reps, now, then)
    rows = np.flatnonzero(np.all([np.isfinite(reps.value[n]) for n in names], axis=0)) if names else np.empty(0, int)
    rows = np.union1d(rows[-MOST_REPS:], rows[now[rows] | then[rows]]).astype(np.int64)
    # Where a measure is missing, a load may be left in one session only and says nothing of the change.
    shared = np.intersect1d(group[rows][now[rows]], group[rows][then[rows]])
    now, then = now & np.isin(group, shared), then & np.isin(group, shared)
    both = now | then
    # Outside the two sessions every load of every session is a level of its own; inside, every load is.
    level = np.where(both, -group, 1.0 + group + 1000.0 * np.unique(reps.session, return_inverse=True)[1])[rows]
    nuisance = (level[:, None] == np.unique(level)).astype(np.float64)
    spare = rows.size - nuisance.shape[1] - 1
    n_now, n_before = int(now[rows].sum()), int(then[rows].sum())
    loads = tuple(float(k) for k in np.unique(reps.load[now & np.isfinite(reps.load)]))
    if not names:
        return _withheld(what, "no measure was taken in both sessions", left_out)
    if not shared.size:
        return _withheld(what, "the two have no reps at one load in which all measures were taken", left_out)
    if spare < LEAST_SPARE:
        why = "too few reps are repeated at one load within a session to know how much single reps scatter"
        return _withheld(what, why, left_out)
    y, effect = np.column_stack([reps.value[n][rows] for n in names]), now[rows].astype(np.float64)
    names, y, left_out = _scattering(names, y, nuisance, effect, left_out)
    if not names:
        return _withheld(what, NO_SCATTER, left_out)
    test = joint_test(y, nuisance, effect)
    before = y[then[rows]].mean(axis=0)
    changes = tuple(_change(n, before[i], test, i, measure_words(n, reps.units[n]), what) for i, n in enumerate(names))
    return _told(what, loads, n_now, n_before, changes, left_out)


def _against_load(reps: _Reps, now: BoolArray, load: float | None) -> Against:
    """Compare the mean at one load with the means of all earlier sessions at that load."""
    near = "without a load written" if load is None else f"within 5 % of {load_text(load)}"
    like = ~np.isfinite(reps.load) if load is None else np.abs(reps.load - load) <= SAME_LOAD_FRAC * load
    here = now & like
    # What is compared is told with the loads lifted, not with the one asked for.
    what = f"earlier sessions {near if load is None else _at_span(reps.load[like], near)}"
    if not here.any():
        return _withheld(what, f"this session has no rep {near}")
    earlier = like & (reps.at < reps.at[now].min())
    sessions = np.unique(reps.session[earlier])
    names, left_out = _comparable(reps, here, earlier)
    means = {n: _means(reps.value[n], reps.session, sessions, earlier) for n in names}
    whole = np.all([np.isfinite(m) for m in means.values()], axis=0) if names else np.zeros(sessions.size, np.bool_)
    n_whole = int(np.count_nonzero(whole))
    compared = earlier & np.isin(reps.session, sessions[whole])
    at_load = near if load is None else _at_span(reps.load[compared if n_whole else like], near)
    of_whole = f"{n_whole} earlier session{'' if n_whole == 1 else 's'} {at_load}"
    if n_whole < LEAST_REPS:
        with_all = " with all these measures" if n_whole < sessions.size else ""
        return _withheld(what, f"{of_whole}{with_all}, at least {LEAST_REPS} are needed", left_out)
    what = of_whole
    today = [float(np.nanmean(reps.value[n][here])) for n in names]
    y = np.column_stack([np.append(means[n][whole], v) for n, v in zip(names, today, strict=True)])
    nuisance, effect = np.ones((n_whole + 1, 1)), np.append(np.zeros(n_whole), 1.0)
    names, y, left_out = _scattering(names, y, nuisance, effect, left_out)
    if not names:
        return _withheld(what, NO_SCATTER, left_out)
    test = joint_test(y, nuisance, effect)
    before = y[:-1].mean(axis=0)
    changes = tuple(_change(n, before[i], test, i, measure_words(n, reps.units[n]), what) for i, n in enumerate(names))
    loads = () if load is None else tuple(float(k) for k in np.unique(reps.load[here]))
    return _told(what, loads, int(here.sum()), int(np.count_nonzero(compared)), changes, left_out)


def _at_span(loads: FloatArray, near: str) -> str:
    """Write the loads that were lifted; where none was, the ones looked for."""
    return f"at {span_text(loads)}" if loads.size else near


def _means(value: FloatArray, session: FloatArray, sessions: FloatArray, rows: BoolArray) -> FloatArray:
    """Mean of each session over some rows, NaN where nothing was measured."""
    out = np.full(sessions.size, np.nan)
    for i, s in enumerate(sessions):
        mine = value[rows & (session == s) & np.isfinite(value)]
        if mine.size:
            out[i] = mine.mean()
    return out


def _comparable(reps: _Reps, now: BoolArray, then: BoolArray) -> tuple[list[str], dict[str, str]]:
    """Measures taken in at least half of the reps on both sides."""
    names: list[str] = []
    left_out: dict[str, str] = {}
    for name, value in reps.value.items():
        shares = [float(np.isfinite(value[side]).mean()) if side.any() else 0.0 for side in (now, then)]
        if min(shares) >= LEAST_SHARE:
            names.append(name)
        else:
            left_out[name] = "measured in too few of the reps"
    return names, left_out


def _scattering(
    names: list[str], y: FloatArray, nuisance: FloatArray, effect: FloatArray, left_out: dict[str, str]
) -> tuple[list[str], FloatArray, dict[str, str]]:
    """Take out measures whose repeats do not scatter at all: nothing can be said about them."""
    does = scatters(y, nuisance, effect)
    still = dict.fromkeys((n for n, k in zip(names, does, strict=True) if not k), NO_SCATTER)
    return [n for n in names if n not in still], y[:, does], left_out | still


def _change(name: str, before: float, test: JointTest, i: int, words: Wording, what: str) -> MeasureChange:
    change = float(test.estimate[i])
    half = test.factor_joint * float(test.standard_error[i])
    differs = bool(test.p_joint[i] <= 0.05)
    way = words.higher if change > 0.0 else words.lower
    size = number_text(abs(change), words, half)
    if differs:
        # Where the stepwise test sees more than the joint interval does, the interval may still touch zero.
        near, far = sorted((max(abs(change) - half, 0.0), abs(change) + half))
        sentence = f"{words.label}: {size} {way} than in {what} (95 % {interval_text(near, far, words)})."
    else:
        sentence = (
            f"{words.label}: no change to be seen ({size} {way}; only from "
            f"{number_text(half, words, half)} on could it be told from chance)."
        )
    p, joint = float(test.p[i]), float(test.p_joint[i])
    return MeasureChange(
        name, words, float(before) + change, float(before), change, change - half, change + half, p, joint, half,
        differs, sentence,
    )  # fmt: skip


def _told(
    what: str,
    loads: tuple[float, ...],
    n_now: int,
    n_before: int,
    changes: tuple[MeasureChange, ...],
    left_out: Mapping[str, str],
) -> Against:
    out = sorted((c for c in changes if c.differs), key=lambda c: c.p_joint)
    at = f" at {join_words([load_text(k) for k in loads])}" if loads else ""
    were = "was" if n_now == 1 else "were"
    of = f"Compared {were} {reps_text(n_now)} of this session{at} with {reps_text(n_before)} of {what}."
    n = f"{len(changes)} measure{'' if len(changes) == 1 else 's'}"
    if not out:
        sentence = f"No change to be seen in {n}. {of}"
    else:
        parts = [f"{c.words.label} {c.words.higher if c.change > 0.0 else c.words.lower}" for c in out]
        sentence = f"Changed, of {n}: {join_words(parts)}. {of}"
    return Against(what, loads, n_now, n_before, changes, left_out, None, sentence)


def _withheld(what: str, why: str, left_out: Mapping[str, str] | None = None) -> Against:
    return Against(what, (), 0, 0, (), dict(left_out or {}), why, f"Not compared with {what}: {why}.")
