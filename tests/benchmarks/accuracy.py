"""How far to trust the numbers: simulated lifts with known truth, table of errors and coverage.

Run from the checkout::

    python tests/benchmarks/accuracy.py            # 2000 lifts, about five minutes on two cores
    python tests/benchmarks/accuracy.py 400        # fewer

Every lift is drawn anew: lifter, load, movement, timing, fault, plate kind (four cells, six components, ready pressure,
vertical force; one or two plates), rate (80 to 2000 Hz), noise, errors of gain, zero, drift, cell position, heel line
and foot length, site known or not; four in ten have an uncalibrated sensor on the bar that runs on its own clock. The
truth comes from the simulator, which shares no code with the analysis. Pressure of the stance is true as the mean of
the noise-free pressure over the last second before the onset.
"""

from __future__ import annotations

import dataclasses
import os
import sys
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from typing import Any

import numpy as np

KINDS = ("cells", "components", "pressure", "vertical")
RATES = (80, 100, 200, 300, 500, 1000, 1000, 1000, 2000)
BAR_PATTERNS = ("bar_floats", "arms_early", "elbows_drop")
PATTERNS = (
    *BAR_PATTERNS,
    "forward_in_dip", "back_then_forward", "forward_throughout", "toward_heels", "slow_turnaround", "too_deep",
    "too_shallow", "double_dip", "side_to_side", "falls_short",
)  # fmt: skip
NEEDS_PRESSURE = {"forward_in_dip", "back_then_forward", "forward_throughout", "toward_heels", "side_to_side"}


def one(seed: int) -> dict[str, Any]:
    """Simulate, record and analyse one lift; return its errors against the truth."""
    from forcekit.analysis.pipeline import analyze
    from forcekit.model import Site
    from forcekit.simulate.bar_sensor import record_bar
    from forcekit.simulate.faults import random_plan
    from forcekit.simulate.lifter import simulate_lift
    from forcekit.simulate.sensors import PlateSensor, record_plate

    rng = np.random.default_rng([seed, 2026])
    pattern = None if rng.random() < 0.35 else str(rng.choice(PATTERNS))
    kind = str(rng.choice(KINDS))
    rate = float(rng.choice(RATES))
    plan = random_plan(rng, pattern, latitude_deg=float(rng.uniform(-70.0, 70.0)))
    motion = simulate_lift(plan, seed)
    sensor = PlateSensor(
        kind=kind,  # type: ignore[arg-type]
        two_plates=kind != "vertical" and bool(rng.random() < 0.3),
        rate_hz=rate,
        noise_n=float(rng.uniform(0.3, 2.5)),
        noise_nm=float(rng.uniform(0.1, 0.6)),
    )
    recording = record_plate(motion, sensor, seed)
    if rng.random() < 0.25:  # a quarter of the plates do not say where they stand
        plate = recording.plate
        assert plate is not None
        device = _without_site(plate.device, Site())
        recording = dataclasses.replace(recording, plate=dataclasses.replace(plate, device=device))
    if rng.random() < float(os.environ.get("BAR_SHARE", "0.4")) and rate >= 200.0:
        recording = dataclasses.replace(recording, bar=record_bar(motion, bar_sensor(rng, motion.gravity_mps2), seed))
    analysis = analyze(recording)
    out: dict[str, Any] = {
        "pattern": pattern,
        "bar": recording.bar is not None,
        "kind": kind,
        "rate": rate,
        "n": len(analysis.lifts),
        "movement": plan.movement,
    }
    if len(analysis.lifts) == 1:
        lift, truth = analysis.lifts[0], motion.truths[0].measures
        out["errors"] = {
            name: (m.value - truth[name], m.low - truth[name], m.high - truth[name])
            for name, m in lift.measures.items()
            if m.value is not None and m.low is not None and m.high is not None and name in truth
        }
        out["clear"] = [f.pattern for f in lift.findings if f.strength == "clear"]
    return out


def bar_sensor(rng: np.random.Generator, gravity_mps2: float) -> Any:
    """A sensor on the bar with a clock of its own, bias, scale error and noise as uncalibrated ones have."""
    from forcekit.simulate.bar_sensor import SimulatedBarSensor

    def three(scale: float) -> tuple[float, float, float]:
        x = scale * rng.standard_normal(3)
        return float(x[0]), float(x[1]), float(x[2])

    return SimulatedBarSensor(
        rate_hz=float(rng.choice((200.0, 1000.0))),
        mount_rotvec_rad=(0.0, float(rng.uniform(-3.0, 3.0)), 0.0),
        offset_m=(0.0, float(rng.uniform(-0.3, 0.3)), 0.0),
        accel_bias_mps2=three(0.05),
        gyro_bias_radps=three(0.009),
        accel_scale=three(0.003),
        gyro_scale=three(0.005),
        accel_noise=1.5e-3,
        gyro_noise=1.75e-4,
        clock_offset_s=float(rng.uniform(-20.0, 20.0)),
        clock_drift_ppm=float(rng.uniform(-80.0, 80.0)),
        gravity_mps2=gravity_mps2,
    )


def _without_site(device: Any, site: Any) -> Any:
    import msgspec

    return msgspec.structs.replace(device, site=site)


def run(n: int, workers: int = 2) -> list[dict[str, Any]]:
    """Analyse n simulated lifts on several processes, in order."""
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(one, range(n), chunksize=8))


def main() -> None:
    """Print the tables."""
    from forcekit.registry import MEASURES

    n = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    results = run(n)
    wrong = [r for r in results if r["n"] != 1]
    print(f"{n} simulated lifts, {KINDS}, {min(RATES)} to {max(RATES)} Hz; lifts missed or invented: {len(wrong)}")
    errors: dict[str, list[tuple[float, float, float, float]]] = defaultdict(list)
    for r in results:
        for name, e in r.get("errors", {}).items():
            errors[name].append((*e, r["rate"]))
    print()
    print("| measure | n | covered by the 95 % interval | RMS error | at 1000 Hz and more | median half-width | unit |")
    print("|---|---|---|---|---|---|---|")
    inside = 0
    for name, info in MEASURES.items():
        if not errors[name]:
            continue
        e = np.array(errors[name])
        covered = 100.0 * float(np.mean((e[:, 1] <= 0.0) & (e[:, 2] >= 0.0)))
        inside += 93.0 <= covered <= 97.0
        fast = e[e[:, 3] >= 1000.0]
        rms, rms_fast = (float(np.sqrt(np.mean(x[:, 0] ** 2))) * info.factor if len(x) else np.nan for x in (e, fast))
        half = float(np.median(e[:, 2] - e[:, 1])) / 2.0 * info.factor
        print(f"| {name} | {len(e)} | {covered:.1f} % | {rms:.3g} | {rms_fast:.3g} | {half:.3g} | {info.shown_unit} |")
    print(f"\n{inside} of {sum(bool(v) for v in errors.values())} measures are covered in 93 to 97 %.")
    print("\ncause named first and clear, where the plate can show it:")
    right: Counter[str] = Counter()
    asked: Counter[str] = Counter()
    others: Counter[str] = Counter()
    for r in results:
        pattern = r["pattern"] or "clean"
        if pattern in NEEDS_PRESSURE and r["kind"] == "vertical":
            continue
        if pattern == "slow_turnaround" and r["rate"] < 200.0:
            continue
        if pattern in BAR_PATTERNS and not r["bar"]:
            continue
        asked[pattern] += 1
        first = (r.get("clear") or ["clean"])[0]
        right[pattern] += first == pattern
        if first != pattern:
            others[f"{pattern} taken for {first}"] += 1
    for pattern, count in sorted(asked.items()):
        print(f"  {pattern:22} {right[pattern]} of {count}")
    print(
        f"  all: {sum(right.values())} of {sum(asked.values())} "
        f"({100.0 * sum(right.values()) / sum(asked.values()):.1f} %)"
    )
    for what, count in others.items():
        print(f"  {what}: {count}")


if __name__ == "__main__":
    main()
