"""Over 160 random simulated lifts of all kinds: stated intervals hold the truth, and no lift is missed or invented."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from helpers import simulated

from forcekit.analysis.pipeline import analyze
from forcekit.registry import MEASURES
from forcekit.results import Lift
from forcekit.simulate.faults import PATTERNS, random_plan
from forcekit.simulate.lifter import stance_truth
from forcekit.simulate.sensors import PlateSensor

N_LIFTS = 160
RATES_HZ = (80.0, 100.0, 200.0, 250.0, 500.0, 1000.0, 1000.0, 2000.0)
OF_THE_STANCE = (
    "stance_pressure", "shift_in_dip", "shift_in_drive", "shift_total", "side_shift",
    "stance_pressure_of_foot", "shift_in_dip_of_foot", "shift_in_drive_of_foot", "shift_total_of_foot",
)  # fmt: skip
"""Measures whose truth depends on which stretch was weighed."""
FAMILIES = {
    "weight": ("system_weight", "system_mass"),
    "instants": ("onset_at", "braking_start_at", "lowest_at", "drive_end_at", "takeoff_at"),
    "times": ("unweighting_time", "braking_time", "dip_time", "drive_time", "transition_time"),
    "motion": tuple(n for n, i in MEASURES.items() if i.group == "motion"),
    "force": tuple(n for n, i in MEASURES.items() if i.group == "force" and n not in ("system_weight", "system_mass")),
    "pressure": tuple(n for n, i in MEASURES.items() if i.group == "pressure"),
    "horizontal": tuple(n for n, i in MEASURES.items() if i.group == "horizontal"),
}


@dataclass
class Tally:
    """What came out of all lifts."""

    hits: dict[str, list[bool]] = field(default_factory=dict)
    errors: dict[str, list[float]] = field(default_factory=dict)
    wrong_count: list[str] = field(default_factory=list)


def sensor_of(i: int, rng: np.random.Generator) -> PlateSensor:
    """Plate of lift i: all kinds and rates in turn, mounted and spoilt at random."""
    kinds: tuple[Any, ...] = ("cells", "components", "pressure", "vertical")
    return PlateSensor(
        kind=kinds[i % 4],
        two_plates=bool(i // 4 % 3 == 2),
        rate_hz=RATES_HZ[i // 4 % len(RATES_HZ)],
        noise_n=float(rng.uniform(0.3, 2.0)),
        turn_deg=float(rng.uniform(-5.0, 5.0)) if i % 4 in (1, 2) else 0.0,
        acts_on=("lifter", "plate")[int(rng.integers(2))],
        z_axis=("up", "down")[int(rng.integers(2))],
    )


@pytest.fixture(scope="module")
def tally() -> Tally:
    """Every lift analysed and compared with its truth."""
    out = Tally()
    for i in range(N_LIFTS):
        rng = np.random.default_rng([2024, i])
        pattern = PATTERNS[i // 2 % len(PATTERNS)] if i % 2 else None
        sensor = sensor_of(i, rng)
        motion, recording = simulated(random_plan(rng, pattern), i, sensor)
        found = analyze(recording)
        if len(found) != 1:
            out.wrong_count.append(f"lift {i} ({pattern}, {sensor.kind}, {sensor.rate_hz:.0f} Hz): {len(found)} found")
            continue
        compare(found[0], dict(motion.truths[0].measures), out, sensor, motion)
    return out


def compare(lift: Lift, truth: dict[str, float], out: Tally, sensor: PlateSensor, motion: Any) -> None:
    """Note for each measure whether its interval held the truth, and at 1000 Hz how far off it was."""
    truth |= stance_truth(motion, lift.instants.stance_start_s, lift.instants.stance_end_s)
    for name, m in lift.measures.items():
        if m.value is None or m.low is None or m.high is None or name not in truth:
            continue
        true = truth[name]
        out.hits.setdefault(name, []).append(m.low <= true <= m.high)
        if sensor.rate_hz == 1000.0:
            out.errors.setdefault(name, []).append(m.value - true)


def limits(n: int) -> tuple[float, float]:
    """Smallest and largest coverage that n intervals of 95 % show with 99.9 % probability, were they independent."""
    from scipy.stats import binom

    low, high = binom.interval(0.999, n, 0.95)
    return float(low) / n, float(high) / n


def test_no_lift_is_missed_and_none_invented(tally: Tally) -> None:
    """Each recording holds one lift, and one is found."""
    assert tally.wrong_count == []


def test_most_measures_of_most_lifts_are_given(tally: Tally) -> None:
    """Withholding is no way to be right: motion and instants come out for nearly every lift."""
    for name in ("dip_depth", "lowest_at", "peak_drive_velocity", "braking_time", "system_weight"):
        assert len(tally.hits[name]) >= 0.95 * N_LIFTS, name


@pytest.mark.parametrize("family", FAMILIES)
def test_intervals_of_95_percent_hold_the_truth_95_times_in_100(tally: Tally, family: str) -> None:
    """Pooled over a family of measures the coverage lies within the exact binomial limits of 95 %.

    The measures of one lift are not independent, so the limits are those of as many intervals as there are lifts, at
    99.9 %: 0.888 to 1.0 for 160 lifts (printed by `limits`), wider where fewer plates measure it.
    """
    hits = [np.array(tally.hits[name]) for name in FAMILIES[family] if name in tally.hits]
    n = max(h.size for h in hits)
    coverage = float(np.mean(np.concatenate(hits)))
    low, high = limits(n)
    assert low <= coverage <= high, {name: round(float(np.mean(tally.hits[name])), 3) for name in FAMILIES[family]}


@pytest.mark.parametrize("name", [n for n, i in MEASURES.items() if i.group not in ("bar",)])
def test_no_single_measure_is_far_from_its_coverage(tally: Tally, name: str) -> None:
    """Each measure by itself covers within the exact binomial limits at 99.99 %, on the low side."""
    from scipy.stats import binom

    hits = np.array(tally.hits[name])
    assert np.mean(hits) >= binom.ppf(1e-4, hits.size, 0.95) / hits.size


def rms(values: list[float]) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


def test_depth_lowest_point_and_shift_are_close_at_1000_hz(tally: Tally) -> None:
    """At 1000 Hz: dip depth within 3 mm RMS, lowest point within 2 ms, shifts within 1 % of the foot."""
    assert len(tally.errors["dip_depth"]) >= 30
    assert rms(tally.errors["dip_depth"]) <= 0.003
    assert rms(tally.errors["lowest_at"]) <= 0.002
    for name in ("shift_in_dip_of_foot", "shift_in_drive_of_foot", "shift_total_of_foot"):
        assert rms(tally.errors[name]) <= 0.01, name
