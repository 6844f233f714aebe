"""An athlete's history for the bench and for the lifter's own page: sentences and figures, ready to be sent."""

from __future__ import annotations

import io
import threading
from collections.abc import Callable, Sequence
from typing import Any

from forcekit.errors import CannotMeasure, InputError
from forcekit.history.people import add_athlete, list_athletes
from forcekit.history.store import Store

__all__ = ["SUBJECTS", "add_person", "figure_svg", "people", "review"]

SUBJECTS: dict[str, tuple[str, tuple[str, ...]]] = {
    "timing": ("Timing of dip and drive", ("unweighting_time", "braking_time", "transition_time", "drive_time")),
    "balance": ("Pressure on the foot", ("stance_pressure", "shift_in_dip", "shift_in_drive", "shift_total")),
    "depth": ("Depth and speed", ("dip_depth", "peak_dip_velocity", "peak_drive_velocity")),
    "bar": ("The bar", ("bar_dip_depth", "bar_separation", "bar_forward_in_drive", "bar_lead")),
}
"""What the bench can look at: title and measures of each."""


_ONE_FIGURE = threading.Lock()
"""The settings of matplotlib are those of the whole program: two pages' figures are drawn one after the other."""


def people(store: Store) -> list[dict[str, Any]]:
    """All athletes by name, with how many lifts of each are kept and when the last was."""
    return [
        {"name": a.name, "lifts": a.n_attempts, "last_at": a.last_lifted_at, "note": a.note}
        for a in list_athletes(store)
    ]


def add_person(
    store: Store, name: str, *, body_mass_kg: float | None, stature_cm: float | None, foot_length_cm: float | None
) -> str:
    """Add an athlete as typed at the bench; gives the name as kept."""
    made = add_athlete(
        store,
        name,
        body_mass_kg=body_mass_kg,
        stature_m=None if stature_cm is None else stature_cm / 100.0,
        foot_length_m=None if foot_length_cm is None else foot_length_cm / 100.0,
    )
    return made.name


def review(store: Store, athlete: str, subject: str) -> dict[str, Any]:
    """What the history says about an athlete in one subject: trends, misses, break load, each as a sentence.

    Parameters
    ----------
    store : Store
    athlete : str
    subject : str
        A key of `SUBJECTS`.

    Notes
    -----
    Where the data do not support an answer the sentence says why.
    """
    from forcekit.history.questions import break_load_of, miss_contrast_of, trend_of, usual_of
    from forcekit.history.series import movements_of, together_text

    title, measures = _kept(store, athlete, subject)
    trends = [t for m in measures if (t := _sentence(lambda m=m: trend_of(store, athlete, m)))]  # type: ignore[misc]
    usual = [t for m in measures if (t := _sentence(lambda m=m: usual_of(store, athlete, m, squad=False)))]  # type: ignore[misc]
    misses = _sentence(lambda: miss_contrast_of(store, athlete, names=measures))
    broken = _sentence(lambda: break_load_of(store, athlete))
    return {
        "athlete": athlete,
        "title": title,
        "trends": trends,
        "usual": usual,
        "misses": misses,
        "break_load": broken,
        "together": together_text(movements_of(store, athlete)),
        "lifts": _lifts(store, athlete),
    }


def figure_svg(store: Store, athlete: str, subject: str) -> bytes:
    """Figure of an athlete's attempts in one subject, as SVG; the same history gives the same bytes."""
    from forcekit.history.timeline import timeline_of
    from forcekit.show.charts import drawing
    from forcekit.show.trends import trend_figure

    _, measures = _kept(store, athlete, subject)
    timeline = timeline_of(store, athlete, measures)
    drawn = io.BytesIO()
    with _ONE_FIGURE, drawing():
        trend_figure(timeline).savefig(drawn, format="svg", metadata={"Date": None})
    return drawn.getvalue()


# --------------------------------------------------------------------------------------------------- inside


def _kept(store: Store, athlete: str, subject: str) -> tuple[str, Sequence[str]]:
    """Title of a subject and those of its measures that are kept for an athlete."""
    from forcekit.history.series import measure_names_of

    if subject not in SUBJECTS:
        raise InputError(f'there is nothing about "{subject}"; {", ".join(SUBJECTS)} can be looked at.')
    title, names = SUBJECTS[subject]
    have = measure_names_of(store, athlete)
    measures = [n for n in names if n in have]
    if not measures:
        raise InputError(f'No lift of "{athlete}" with {title.lower()} is kept yet; lift first, then look here.')
    return title, measures


def _sentence(ask: Callable[[], Any]) -> str | None:
    """Sentence of an answer, or why there is none."""
    try:
        return str(ask().sentence)
    except (InputError, CannotMeasure) as error:
        return str(error)


def _lifts(store: Store, athlete: str) -> list[dict[str, Any]]:
    """The newest lifts: when, load, outcome, cue."""
    from forcekit.history.series import list_attempts

    return [
        {
            "at": line.lifted_at,
            "load_kg": line.load_kg,
            "outcome": line.outcome,
            "movement": line.movement,
            "cue": line.cue,
            "drill": line.drill,
        }
        for line in reversed(list_attempts(store, athlete, last=MOST_LIFTS))
    ]


MOST_LIFTS = 30
"""Lifts in the table of the bench (our choice)."""
