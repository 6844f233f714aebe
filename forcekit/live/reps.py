"""One rep of a running session, and how it is told: numbers against what is usual, sentence, cue, curves."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from forcekit.history.usual import UsualRange
from forcekit.model import AttemptCard, FloatArray, Outcome
from forcekit.registry import MEASURES
from forcekit.results import Curves, Lift
from forcekit.show.words import found_sentence, half_shown, headline, with_interval

__all__ = ["SHOWN", "Rep", "numbers_of", "rep_curves", "rep_state"]

SHOWN = ("dip_depth", "transition_time", "shift_total_of_foot")
"""The three large numbers: dip depth, turnaround, pressure shift."""
CURVE_HZ = 250.0
"""Points a second of the curves that are drawn (our choice)."""
BEFORE_S, AFTER_S = 1.0, 0.6
"""The curves begin so long before the onset and end so long after the drive (our choice)."""


@dataclass(slots=True)
class Rep:
    """A lift of this session, as far as it is known.

    Attributes
    ----------
    number : int
        Of the rep on the page, from 1 on; withdrawn ones leave no gap.
    window : int
        Of its window in the stream.
    card : AttemptCard
        As it was when the lift began.
    stage : "first look" or "settled"
    attempt : int or None
        In the history.
    """

    number: int
    window: int
    lift: Lift
    card: AttemptCard
    stage: str
    usual: Mapping[str, UsualRange] = field(default_factory=dict)
    outcome: Outcome | None = None
    note: str = ""
    change: str | None = None
    attempt: int | None = None
    kept: str = ""
    marked: tuple[float, AttemptCard] | None = None
    """Its card with its outcome in the recording, and the date on it (laptop's clock, seconds)."""


def numbers_of(lift: Lift, usual: Mapping[str, UsualRange]) -> list[dict[str, Any]]:
    """The three large numbers in SI, each with its text, its usual range and where it lies."""
    return [_number(lift, name, usual.get(name)) for name in SHOWN]


def _number(lift: Lift, name: str, usual: UsualRange | None) -> dict[str, Any]:
    m = lift.measures[name]
    info = MEASURES[name]
    known = usual is not None and usual.low is not None and usual.high is not None
    verdict = None
    if known and m.value is not None:
        assert usual is not None
        assert usual.low is not None
        assert usual.high is not None
        verdict = "below" if m.value < usual.low else "above" if m.value > usual.high else "within usual"
    return {
        "measure": name,
        "label": info.label,
        "value": m.value,
        "low": m.low,
        "high": m.high,
        "unit": info.unit,
        "text": with_interval(m) if m.ok else "",
        "half": half_shown(m) if m.ok else "",
        "usual": {"low": usual.low, "high": usual.high, "n": usual.n, "load_kg": usual.load_kg}
        if known and usual is not None
        else None,
        "verdict": verdict,
        "withheld": m.withheld,
    }


def rep_state(rep: Rep) -> dict[str, Any]:
    """Everything about a rep but its curves, ready for JSON."""
    lift = rep.lift
    first = lift.findings[0] if lift.findings else None
    return {
        "rep": rep.number,
        "at_s": lift.instants.lowest_s,
        "load_kg": rep.card.load_kg,
        "outcome": rep.outcome,
        "movement": lift.movement,
        "drill": rep.card.drill,
        "cue": rep.card.cue,
        "athlete": rep.card.athlete,
        "note": rep.note,
        "stage": rep.stage,
        "sentence": found_sentence(lift),
        "headline": headline(lift),
        "pattern": first.pattern if first else None,
        "strength": first.strength if first else None,
        "cue_words": first.cue.cue if first else None,
        "drill_words": first.cue.drill if first else None,
        "caution": first.cue.caution if first else None,
        "numbers": numbers_of(lift, rep.usual),
        "quality": [
            {"name": q.name, "verdict": q.verdict, "sentence": q.sentence} for q in lift.quality if q.verdict != "good"
        ],
        "change": rep.change,
        "kept": rep.kept,
    }


def rep_curves(rep: Rep) -> dict[str, Any]:
    """Curves and instants of a rep for drawing, ready for JSON: seconds, newtons, fractions of the foot, metres."""
    lift, c = rep.lift, rep.lift.curves
    i = lift.instants
    keep = _thinned(c.t_s, i.onset_s - BEFORE_S, i.drive_end_s + AFTER_S)
    out: dict[str, Any] = {
        "rep": rep.number,
        "stage": rep.stage,
        "t": _listed(c.t_s, keep),
        "force": None if c.force_n is None else _listed(c.force_n, keep),
        "weight": None if c.force_n is None else float(c.force_n[c.t_s < i.stance_end_s].mean()),
        "at": {
            "onset": i.onset_s,
            "braking": i.braking_start_s,
            "lowest": i.lowest_s,
            "counted": i.delivered_s if i.delivered_s is not None else i.drive_end_s,
            "end": i.drive_end_s,
        },
        "along": None,
        "across": None,
        "stance": lift.measures["stance_pressure_of_foot"].value,
        "drive": lift.measures["pressure_in_drive_of_foot"].value,
        "bar": None,
        "words": {"force": headline(lift), "foot": _foot_words(lift), "bar": _no_bar_words(rep)},
    }
    along = _along(lift, c)
    if along is not None and c.cop_y_m is not None and lift.foot.length_m:
        stood = c.t_s < i.onset_s
        middle = float(np.nanmean(c.cop_y_m[stood])) if np.isfinite(c.cop_y_m[stood]).any() else 0.0
        out["along"] = _listed(along, keep)
        out["across"] = _listed((c.cop_y_m - middle) / lift.foot.length_m, keep)
    bar = lift.bar
    if bar is not None and bar.forward_m is not None:
        on = _thinned(bar.t_s, i.onset_s - BEFORE_S, i.drive_end_s + AFTER_S)
        out["bar"] = {"t": _listed(bar.t_s, on), "forward": _listed(bar.forward_m, on), "up": _listed(bar.up_m, on)}
        out["words"]["bar"] = _bar_words(lift)
    return out


def _along(lift: Lift, c: Curves) -> FloatArray | None:
    foot = lift.foot
    if c.cop_x_m is None or foot.heel_m is None or not foot.length_m:
        return None
    return np.asarray((c.cop_x_m - foot.heel_m) / foot.length_m)


def _foot_words(lift: Lift) -> str:
    names = ("stance_pressure_of_foot", "pressure_at_lowest_of_foot", "pressure_in_drive_of_foot")
    seen = [f"{MEASURES[n].label} {with_interval(lift.measures[n])}" for n in names if lift.measures[n].ok]
    return "; ".join(seen) if seen else "The pressure under the foot is not known."


def _bar_words(lift: Lift) -> str:
    names = ("bar_dip_depth", "bar_forward_in_dip", "bar_forward_in_drive")
    seen = [f"{MEASURES[n].label} {with_interval(lift.measures[n])}" for n in names if lift.measures[n].ok]
    return "; ".join(seen) if seen else "The path of the bar is not known."


def _no_bar_words(rep: Rep) -> str:
    """Why no path of the bar is drawn."""
    if rep.stage == "first look":
        return "The first look is by the plate alone."
    why = rep.lift.measures["bar_dip_depth"].withheld or "the path of the bar is not known"
    return f"{why[0].upper()}{why[1:].rstrip('.')}."


def _thinned(t_s: FloatArray, start_s: float, end_s: float) -> slice:
    """The samples to draw."""
    a, b = np.searchsorted(t_s, [start_s, end_s])
    step_s = float(t_s[-1] - t_s[0]) / max(1, t_s.size - 1)
    return slice(int(a), int(b), max(1, round(1.0 / (CURVE_HZ * step_s))))


def _listed(values: FloatArray, keep: slice) -> list[float | None]:
    """Numbers for JSON, which knows no NaN; six digits are more than a drawing shows."""
    return [round(v, 6) if math.isfinite(v) else None for v in values[keep].tolist()]
