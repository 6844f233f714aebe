"""The JSON that `forcekit analyze --json` prints: a contract with whoever reads it.

``{"forcekit": version, "source": ..., "lifts": [...], "passed_over": [...], "notes": [...], "reason": null or text}``;
values are in SI units, times in seconds from the recording's start.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from forcekit.results import Analysis, Lift, Measure
from forcekit.show.words import not_judged

__all__ = ["analysis_dict"]


def analysis_dict(analysis: Analysis, version: str) -> dict[str, Any]:
    """Return an analysis as plain dictionaries and lists, ready for JSON."""
    out: dict[str, Any] = {
        "forcekit": version,
        "source": analysis.source,
        "lifts": [_lift(lift) for lift in analysis.lifts],
        "passed_over": [asdict(p) for p in analysis.passed_over],
        "notes": list(analysis.notes),
        "reason": analysis.reason,
    }
    return out


def _measure(m: Measure) -> dict[str, Any]:
    if m.value is None:
        return {"withheld": m.withheld}
    return {"value": m.value, "low": m.low, "high": m.high, "unit": m.unit}


def _lift(lift: Lift) -> dict[str, Any]:
    card = lift.card
    return {
        "movement": lift.movement,
        "athlete": card.athlete,
        "load_kg": card.load_kg,
        "outcome": card.outcome,
        "instants": asdict(lift.instants),
        "measures": {name: _measure(m) for name, m in lift.measures.items()},
        "findings": [
            {
                "pattern": f.pattern,
                "strength": f.strength,
                "sentence": f.sentence,
                "evidence": {name: _measure(lift.measures[name]) for name in f.evidence},
                "limit_source": f.limit_source,
                "cue": f.cue.cue,
                "drill": f.cue.drill,
                "caution": f.cue.caution,
            }
            for f in lift.findings
        ],
        "not_judged": not_judged(lift),
        "quality": [
            {"name": q.name, "verdict": q.verdict, "sentence": q.sentence, "withholds": list(q.withholds)}
            for q in lift.quality
        ],
        "foot": asdict(lift.foot),
        "notes": list(lift.notes),
    }
