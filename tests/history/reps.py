"""Attempts with invented numbers, for the tests of the store."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from forcekit.history.attempts import Stored, add_attempt
from forcekit.history.recordings import KeptFile, keep_file
from forcekit.history.store import Store
from forcekit.model import AttemptCard
from forcekit.results import Cue, Finding, Measure, QualityCheck

DAY_S = 86400.0
START = 1_700_000_000.0
FINDING = Finding(
    "slow turnaround",
    "clear",
    "The turnaround is slow.",
    ("transition_time",),
    "own usual range",
    Cue("up", "dip", "-"),
)
CHECK = QualityCheck("stance", "bad", "Not still.", ("dip_depth",))


def measures(values: Mapping[str, float]) -> list[Measure]:
    """Measures in seconds (names with "time"), metres or without a unit, with an interval of ± 1 %; one is withheld."""
    made = [Measure(n, "s" if "time" in n else "m", v, v - 0.01 * abs(v), v + 0.01 * abs(v)) for n, v in values.items()]
    return [*made, Measure("push_angle", "rad", withheld="the plate does not measure horizontal force")]


def kept(store: Store, folder: Path, content: str) -> KeptFile:
    """A raw file with this content, in the store."""
    path = folder / "plate.csv"
    path.write_text(content)
    return keep_file(store, path)


def add(
    store: Store,
    athlete: str = "Ina",
    *,
    day: float = 0.0,
    load_kg: float | None = 80.0,
    outcome: str | None = "made",
    cue: str | None = None,
    files: tuple[KeptFile, ...] = (),
    lift_at_s: float | None = None,
    definitions: str = "1",
    session_id: int | None = None,
    movement: str = "jerk",
    **values: float,
) -> Stored:
    """Store one attempt."""
    return add_attempt(
        store,
        athlete,
        measures(values or {"transition_time": 0.125, "dip_depth": 0.15}),
        card=AttemptCard(load_kg=load_kg, outcome=outcome, cue=cue, movement=movement),  # type: ignore[arg-type]
        findings=[FINDING],
        quality=[CHECK],
        at=START + day * DAY_S,
        lift_at_s=lift_at_s,
        files=files,
        definitions=definitions,
        session_id=session_id,
    )
