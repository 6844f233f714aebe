"""How often the statistics are right, found by simulated histories with known truth.

Every function simulates `runs` histories and gives a rate. The tests use few runs, and
`tests/benchmarks/history_calibration.py` prints the whole table with many.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import Literal

import numpy as np

from forcekit.history.breakload import break_load
from forcekit.history.misses import miss_contrast
from forcekit.history.several import compare_many
from forcekit.history.squad import squad_from, squad_range
from forcekit.history.trend import trend
from forcekit.history.trial import cue_trial
from forcekit.history.usual import Method, compare_with_usual, usual_range
from forcekit.model import FloatArray

Curve = Literal["bent", "straight", "curved", "step", "level"]
LOADS = np.arange(40.0, 106.0, 5.0)
NOISE = 0.008
"""Spread of single reps about their average, in metres."""
CROSSING_KG = (55.0, 100.0)
"""Loads at which simulated averages cross the limit."""


def alarms(n: int, runs: int, *, method: Method = "plain", seed: int = 1) -> float:
    """Share of usual reps called different, n earlier reps."""
    rng = np.random.default_rng(seed)
    out = 0
    for x in rng.standard_normal((runs, n + 1)):
        out += compare_with_usual(float(x[-1]), usual_range(x[:-1], method=method)).verdict != "usual"
    return out / runs


def alarms_over_load(n: int, runs: int, *, seed: int = 1) -> float:
    """The same with reps at mixed loads on which the measure depends."""
    rng = np.random.default_rng(seed)
    out = 0
    for _ in range(runs):
        loads = rng.choice(LOADS, n)
        load = float(rng.uniform(loads.min(), loads.max()))
        x = 0.05 * loads + rng.standard_normal(n)
        usual = usual_range(x, loads, load_kg=load, method="load-adjusted" if n >= 6 and np.ptp(loads) > 6 else "auto")
        out += compare_with_usual(0.05 * load + float(rng.standard_normal()), usual).verdict in ("above", "below")
    return out / runs


def alarms_of_several(n: int, m: int, correlation: float, runs: int, *, seed: int = 1) -> float:
    """Share of usual reps with any of m measures called different."""
    rng = np.random.default_rng(seed)
    shape = np.linalg.cholesky(np.full((m, m), correlation) + (1.0 - correlation) * np.eye(m))
    out = 0
    for _ in range(runs):
        rows = rng.standard_normal((n + 1, m)) @ shape.T
        new = {f"m{j}": float(rows[-1, j]) for j in range(m)}
        out += bool(compare_many(new, {f"m{j}": rows[:-1, j] for j in range(m)}).different)
    return out / runs


def squad_coverage(n: int, athletes: int, between: float, runs: int, *, seed: int = 1) -> float:
    """Share of a new lifter's next reps inside the range drawn toward the squad (8 reps of each of the others)."""
    rng = np.random.default_rng(seed)
    hits = 0
    for _ in range(runs):
        squad = squad_from([level + rng.standard_normal(8) for level in between * rng.standard_normal(athletes)])
        level = between * float(rng.standard_normal())
        usual = squad_range(level + rng.standard_normal(n), squad)
        assert usual.low is not None
        assert usual.high is not None
        hits += usual.low <= level + float(rng.standard_normal()) <= usual.high
    return hits / runs


def trials(
    sizes: tuple[int, int, int],
    runs: int,
    *,
    effect: float = 0.0,
    spread_after: float = 1.0,
    day_sd: float = 0.0,
    bad_before: bool = False,
    seed: int = 1,
) -> Counter[str]:
    """Verdicts and coverage of simulated cue trials: (before, after, history) reps, effect in typical errors.

    `bad_before` starts the trial only after reps whose mean is low by 1.5 standard errors or more; `day_sd` is the
    spread of whole days (5 reps a day; before and after are one day).
    """
    n_before, n_after, n_history = sizes
    rng = np.random.default_rng(seed)
    seen: Counter[str] = Counter()
    for _ in range(runs):
        history = (
            rng.standard_normal(n_history) + np.repeat(day_sd * rng.standard_normal(n_history // 5 + 1), 5)[:n_history]
        )
        before, day = _reps_before(rng, n_before, day_sd, bad_before)
        after = effect + day + spread_after * rng.standard_normal(n_after)
        trial = cue_trial(before, after, history, wanted="higher")
        seen[trial.verdict] += 1
        for name, found in (("before covers", trial.against_before), ("usual covers", trial.against_usual)):
            seen[name] += found is not None and found.low <= effect <= found.high
    return seen


def _reps_before(rng: np.random.Generator, n: int, day_sd: float, bad: bool) -> tuple[FloatArray, float]:
    while True:
        day = day_sd * float(rng.standard_normal())
        reps = day + rng.standard_normal(n)
        if not bad or reps.mean() < -1.5 / np.sqrt(n):
            return reps, day


def rise_drawn(kind: Curve, rng: np.random.Generator) -> Callable[[FloatArray], FloatArray]:
    """Average shift in metres over the load in kg, of an athlete drawn anew.

    It crosses 4 cm at a load anywhere in `CROSSING_KG`. A step lies in a gap between two loads lifted, and an interval
    holds one place in a gap or does not, so only steps at any place say what an interval's 95 % are worth.
    """
    crossing = rng.uniform(*CROSSING_KG)
    bend = float(rng.uniform(40.0, crossing - 5.0)) if kind == "bent" else 40.0
    power = 2 if kind == "curved" else 1

    def average(load: FloatArray) -> FloatArray:
        if kind == "level":
            return np.full_like(load, 0.02)
        if kind == "step":
            return 0.02 + 0.03 * (load >= crossing)
        return 0.02 + 0.02 * (np.maximum(0.0, load - bend) / (crossing - bend)) ** power

    return average


def break_loads(
    kind: Curve,
    per_load: int,
    runs: int,
    *,
    limit: float | None = 0.04,
    loads: FloatArray = LOADS,
    noise: float = NOISE,
    seed: int = 1,
) -> tuple[float, Counter[str]]:
    """Share of break-load intervals that hold the true crossing of the stated limit, and the verdicts."""
    rng = np.random.default_rng(seed)
    lifted = np.repeat(loads, per_load)
    fine = np.linspace(lifted.min(), lifted.max(), 6501)
    hits = 0
    seen: Counter[str] = Counter()
    for _ in range(runs):
        average = rise_drawn(kind, rng)
        found = break_load(average(lifted) + noise * rng.standard_normal(lifted.size), lifted, limit=limit)
        assert found.limit is not None
        over = average(fine) >= found.limit
        crossing = float(fine[int(np.argmax(over))]) if over.any() else np.inf
        low = found.low_kg if found.low_kg is not None else -np.inf
        high = found.high_kg if found.high_kg is not None else np.inf
        hits += crossing == np.inf if found.verdict == "not reached" else low <= crossing <= high
        seen[found.verdict] += 1
    return hits / runs, seen


def misses(
    n_makes: int, n_misses: int, m: int, effect: float, runs: int, *, seed: int = 1
) -> tuple[float, float, float]:
    """Coverage of the first measure's interval, share with it shown, share with any of the others shown.

    Of the contrasts that were answered. Misses are heavier, all measures depend on load and on each other (0.5); the
    effect is in typical errors.
    """
    rng = np.random.default_rng(seed)
    missed = np.arange(n_makes + n_misses) >= n_makes
    covered = shown = others = answered = 0
    for _ in range(runs):
        loads = np.where(missed, rng.uniform(75.0, 100.0, missed.size), rng.uniform(60.0, 95.0, missed.size))
        common = rng.standard_normal(missed.size)
        names = [f"m{j}" for j in range(m)]
        table = {
            k: 0.05 * loads + np.sqrt(0.5) * (common + rng.standard_normal(missed.size)) + effect * missed * (k == "m0")
            for k in names
        }
        found = miss_contrast(table, missed, loads_kg=loads)
        if found.withheld is not None:
            continue
        answered += 1
        first = next(d for d in found.differences if d.measure == "m0")
        covered += first.low <= effect <= first.high
        shown += first.shown
        others += any(d.shown for d in found.differences if d.measure != "m0")
    return covered / answered, shown / answered, others / answered


def trends(n_sessions: int, runs: int, *, slope: float = 0.0, step: float = 0.0, seed: int = 1) -> Counter[str]:
    """Shapes found in series of sessions (4 reps each, days differ by half a typical error)."""
    rng = np.random.default_rng(seed)
    session = np.repeat(np.arange(float(n_sessions)), 4)
    when = session * 3.5 * 86400.0
    seen: Counter[str] = Counter()
    for _ in range(runs):
        days = np.repeat(0.5 * rng.standard_normal(n_sessions), 4)
        level = slope * session + step * (session >= n_sessions // 2)
        found = trend(when, level + days + rng.standard_normal(session.size), sessions=session)
        seen[found.shape] += 1
        seen["slope shown"] += found.p is not None and found.p <= 0.05
    return seen
