"""What a measure is read as: an estimate or the reason why there is none, and how it becomes a `Measure`."""

from __future__ import annotations

import math
from dataclasses import dataclass

from forcekit.errors import CannotMeasure, Reason
from forcekit.mechanics.uncertain import K95, Uncertain
from forcekit.registry import MEASURES
from forcekit.results import Measure, QualityCheck

__all__ = ["Reading", "Readings", "as_measures"]


@dataclass(frozen=True, slots=True)
class Reading:
    """An estimate whose interval may reach further to one side: extra half-widths (95 %) below and above."""

    estimate: Uncertain
    below: float = 0.0
    above: float = 0.0


NO_BAR = CannotMeasure(Reason.NO_BAR)
Readings = dict[str, Reading | CannotMeasure]


def as_measures(readings: Readings, checks: tuple[QualityCheck, ...]) -> dict[str, Measure]:
    """Turn readings into measures with 95 % intervals; what a check withholds is withheld by its sentence."""
    withheld: dict[str, str] = {}
    for check in checks:
        for name in check.withholds:
            if check.name == "sampling rate":
                info = MEASURES[name]
                withheld.setdefault(name, f"{Reason.RATE_TOO_LOW.value}: {info.least_rate_hz:.0f} Hz are needed")
            else:
                withheld.setdefault(name, f"{check.name}: {check.sentence}")
    out: dict[str, Measure] = {}
    for name, info in MEASURES.items():
        reading = readings.get(name, NO_BAR)
        if isinstance(reading, CannotMeasure):
            out[name] = Measure(name, info.unit, withheld=str(reading))
        elif name in withheld:
            out[name] = Measure(name, info.unit, withheld=withheld[name])
        else:
            value, half = reading.estimate.value, K95 * reading.estimate.u
            if math.isfinite(value) and math.isfinite(half):
                low, high = value - math.hypot(half, reading.below), value + math.hypot(half, reading.above)
                out[name] = Measure(name, info.unit, value, low, high)
            else:
                out[name] = Measure(name, info.unit, withheld=Reason.TOO_LIGHT.value)
    return out
