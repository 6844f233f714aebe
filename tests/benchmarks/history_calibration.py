# ruff: noqa: E402
"""How often the statistics of the history are right: the whole table, from simulated histories with known truth.

Run from the checkout::

    python tests/benchmarks/history_calibration.py            # about ten minutes on two cores
    python tests/benchmarks/history_calibration.py 0.1        # a tenth of the runs
    python tests/benchmarks/history_calibration.py --factors  # the factors of the robust range, found again

The standard error beside each rate is that of the simulation. A rate beyond its promise by more than two of them is
marked, and then the exit code is 1.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1] / "history")]

import numpy as np
from calibration import (
    NOISE,
    alarms,
    alarms_of_several,
    alarms_over_load,
    break_loads,
    misses,
    squad_coverage,
    trends,
    trials,
)

Row = tuple[str, str, list[tuple[str, float]], int]

PROMISED = {
    "false alarms of the usual range (5 %)": {"": (0.04, 0.06)},
    "any false alarm among several measures (5 %)": {"": (0.04, 0.06)},
    "new lifter's next rep in the squad's range (95 %)": {"": (0.93, 0.97)},
    "cue trial intervals (95 %)": {"": (0.93, 0.97)},
    "useless cue tried after bad reps (worked: at most 5 %)": {"worked": (0.0, 0.05)},
    "break load (95 %)": {"covers": (0.93, 0.97)},
    "break load, 4 loads lifted: a bend looks like a step (95 % or more)": {"covers": (0.93, 1.0)},
    "break load where there is none (called: at most one side of 5 %)": {"called": (0.0, 0.025)},
    "miss contrast, 6 measures": {"covers": (0.93, 0.97), "any of 5 without effect shown": (0.0, 0.06)},
}
"""Title of a table -> which of its rates ("": all) must lie where."""
POWER = "cue trial, true change of 2 typical errors"


def _single(n: int, runs: int) -> Row:
    found = [("t-based", alarms(n, runs))]
    if n >= 5:
        found.append(("median-based", alarms(n, runs, method="robust")))
    found.append(("over load", alarms_over_load(n, runs // 2)) if n >= 8 else ("over load", np.nan))
    return "false alarms of the usual range (5 %)", f"{n} reps", found, runs


def _several(n: int, m: int, correlation: float, runs: int) -> Row:
    rate = alarms_of_several(n, m, correlation, runs)
    return (
        "any false alarm among several measures (5 %)",
        f"{n} reps, {m} measures, r {correlation}",
        [("", rate)],
        runs,
    )


def _squad(n: int, k: int, between: float, runs: int) -> Row:
    rate = squad_coverage(n, k, between, runs)
    return (
        "new lifter's next rep in the squad's range (95 %)",
        f"{n} own, {k} others, between {between} TE",
        [("", rate)],
        runs,
    )


def _power(sizes: tuple[int, int, int], runs: int) -> Row:
    seen = trials(sizes, runs, effect=2.0)
    found = [("found", (seen["worked"] + seen["changed, cause open"]) / runs), ("not shown", seen["not shown"] / runs)]
    return POWER, f"before, after, history {sizes}", found, runs


def _covers(sizes: tuple[int, int, int], spread: float, runs: int) -> Row:
    seen = trials(sizes, runs, effect=1.0, spread_after=spread)
    found = [("against before", seen["before covers"] / runs)]
    if sizes[2]:
        found.append(("against usual", seen["usual covers"] / runs))
    return "cue trial intervals (95 %)", f"{sizes}, spread after {spread} TE", found, runs


def _return(sizes: tuple[int, int, int], day_sd: float, runs: int) -> Row:
    seen = trials(sizes, runs, bad_before=True, day_sd=day_sd)
    found = [(k, seen[k] / runs) for k in ("worked", "back to usual", "not shown")]
    return "useless cue tried after bad reps (worked: at most 5 %)", f"{sizes}, days differ by {day_sd} TE", found, runs


def _break(kind: str, per_load: int, limit: float | None, noise: float, runs: int) -> Row:
    covered, seen = break_loads(kind, per_load, runs, limit=limit, noise=noise * NOISE)  # type: ignore[arg-type]
    found = [("covers", covered), *((k, v / runs) for k, v in seen.most_common(3))]
    told = "limit given" if limit is not None else "limit from light reps"
    return "break load (95 %)", f"{kind}, {14 * per_load} reps, noise {noise:g}, {told}", found, runs


def _break_few(kind: str, per_load: int, runs: int) -> Row:
    loads = np.array([40.0, 60.0, 80.0, 100.0])
    covered, seen = break_loads(kind, per_load, runs, loads=loads)  # type: ignore[arg-type]
    found = [("covers", covered), *((k, v / runs) for k, v in seen.most_common(3))]
    title = "break load, 4 loads lifted: a bend looks like a step (95 % or more)"
    return title, f"{kind}, {4 * per_load} reps, limit given", found, runs


def _no_break(per_load: int, runs: int) -> Row:
    _, seen = break_loads("level", per_load, runs, limit=None)
    called = seen["reached"] + seen["reached, heavier end open"]
    found = [("called", called / runs), ("not reached", seen["not reached"] / runs)]
    title = "break load where there is none (called: at most one side of 5 %)"
    return title, f"{14 * per_load} reps, limit from light reps", found, runs


def _miss(n_makes: int, n_misses: int, effect: float, runs: int) -> Row:
    covered, shown, others = misses(n_makes, n_misses, 6, effect, runs)
    found = [("covers", covered), ("shown", shown), ("any of 5 without effect shown", others)]
    return "miss contrast, 6 measures", f"{n_makes} makes, {n_misses} misses, effect {effect} TE", found, runs


def _trend(n: int, slope: float, step: float, runs: int) -> Row:
    seen = trends(n, runs, slope=slope, step=step)
    found = [(k, seen[k] / runs) for k in ("steady", "line", "steps", "slope shown")]
    return "trend over sessions", f"{n} sessions, slope {slope}, step {step} TE", found, runs


def jobs(scale: float) -> list[tuple[Callable[..., Row], tuple[object, ...]]]:
    """All rows of the table with their runs."""

    def runs(n: int) -> int:
        return max(50, int(n * scale))

    rows: list[tuple[Callable[..., Row], tuple[object, ...]]] = []
    rows += [(_single, (n, runs(10000))) for n in (3, 4, 5, 6, 8, 10, 15, 20, 30, 50)]
    rows += [(_several, (n, m, r, runs(4000))) for n, m in ((3, 8), (6, 4), (10, 8), (50, 8)) for r in (0.0, 0.8)]
    rows += [(_squad, (n, k, b, runs(4000))) for n in (0, 1, 3) for k, b in ((5, 1.0), (10, 0.5), (10, 2.0))]
    rows += [(_power, (s, runs(3000))) for s in ((5, 5, 0), (5, 5, 5), (5, 5, 10), (5, 5, 20), (3, 5, 20), (3, 3, 20))]
    rows += [
        (_covers, (s, q, runs(5000))) for s in ((3, 3, 0), (5, 5, 0), (3, 3, 10), (5, 5, 20)) for q in (0.5, 1.0, 2.0)
    ]
    rows += [(_return, (s, d, runs(3000))) for s in ((3, 3, 20), (5, 5, 20)) for d in (0.0, 0.5, 1.0, 2.0)]
    kinds = ("bent", "straight", "curved", "step")
    rows += [(_break, (k, r, c, 1.0, runs(2000))) for k in kinds for r in (1, 2, 3) for c in (0.04, None)]
    rows += [(_break, (k, r, 0.04, q, runs(2000))) for k in kinds for r in (1, 3) for q in (0.5, 2.0)]
    rows += [(_break_few, (k, r, runs(2000))) for k in kinds for r in (3, 9)]
    rows += [(_no_break, (r, runs(1000))) for r in (1, 3)]
    rows += [(_miss, (a, b, e, runs(2000))) for a, b in ((5, 3), (12, 5), (30, 12)) for e in (0.0, 2.0)]
    rows += [(_trend, (n, s, p, runs(3000))) for n in (8, 15, 30) for s, p in ((0.0, 0.0), (0.2, 0.0), (0.0, 2.0))]
    return rows


def _call(job: tuple[Callable[..., Row], tuple[object, ...]]) -> Row:
    return job[0](*job[1])


def _broken(title: str, case: str, name: str, rate: float, runs: int) -> bool:
    """Whether a rate lies beyond its promise by more than chance."""
    limits = PROMISED.get(title, {})
    low, high = limits.get(name) or limits.get("") or (0.0, 1.0)
    if title == POWER and name == "found" and ", 5, " in case:
        low = 0.80
    slack = 2.0 * max(rate * (1.0 - rate) / runs, 1e-9) ** 0.5
    return not low - slack <= rate <= high + slack


def table(scale: float) -> bool:
    """Print all rows; true when no promise is broken."""
    heading, n_broken = "", 0
    with ProcessPoolExecutor(2) as pool:
        for title, case, rates, runs in pool.map(_call, jobs(scale)):
            if title != heading:
                print(f"\n{title}")
                heading = title
            told = "   ".join(
                f"{k} {100 * p:5.1f} ± {100 * (p * (1 - p) / runs) ** 0.5:.1f} %" for k, p in rates if p == p
            )
            broken = [k or "rate" for k, p in rates if p == p and _broken(title, case, k, p, runs)]
            n_broken += len(broken)
            print(f"  {case:<48} {told}{f'   BROKEN: {broken}' if broken else ''}", flush=True)
    print(f"\n{n_broken} of the promises are broken")
    return n_broken == 0


def factors() -> None:
    """Find the factors of the robust range again: P(|x − median| > k·1.4826·MAD) = 5 %."""
    from scipy.optimize import brentq
    from scipy.special import ndtr

    rng = np.random.default_rng(5)
    for n in (*range(5, 21), 25, 30, 40, 50, 75, 100):
        blocks = [rng.standard_normal((50000, n)) for _ in range(12 if n <= 20 else 6)]
        middle = np.concatenate([np.median(b, axis=1) for b in blocks])
        spread = np.concatenate([np.median(np.abs(b - np.median(b, axis=1)[:, None]), axis=1) for b in blocks])
        spread *= 1.482602218505602
        k = brentq(lambda k: np.mean(ndtr(-middle - k * spread) + ndtr(middle - k * spread)) - 0.05, 1.5, 30.0)  # noqa: B023
        print(f"{n:4d} {k:.3f}", flush=True)


if __name__ == "__main__":
    if "--factors" in sys.argv:
        factors()
    else:
        sys.exit(0 if table(float(sys.argv[1]) if len(sys.argv) > 1 else 1.0) else 1)
