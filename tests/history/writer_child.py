"""A process that adds attempts and says each one's uid after it was stored; made to be killed.

    python writer_child.py ADDRESS RECORDINGS ATHLETE[,ATHLETE...] FIRST N_ATTEMPTS SCRATCH

For several athletes it becomes so many processes, once all is imported: they begin at the same moment. Each attempt has
N_MEASURES measures, a finding, a quality check and a raw file of its own.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from forcekit.history.attempts import Stored, add_attempt
from forcekit.history.recordings import keep_file
from forcekit.history.store import Store, open_store
from forcekit.model import AttemptCard
from forcekit.results import Cue, Finding, Measure, QualityCheck

N_MEASURES = 30
MEASURES = tuple(f"measure_{i}" for i in range(N_MEASURES - 1))
FINDING = Finding(
    "slow turnaround", "clear", "The turnaround is slow.", (MEASURES[0],), "own usual range", Cue("bounce", "dips", "-")
)
CHECK = QualityCheck("stance", "good", "Still enough.")


def add_one(store: Store, athlete: str, number: int, scratch: Path) -> Stored:
    """Store attempt number so and so with a raw file that only it has."""
    raw = scratch / f"{athlete}_{number}.csv"
    raw.write_text(f"t,F\n0,{number}\n1,{athlete}\n")
    kept = keep_file(store, raw)
    raw.unlink()
    values = [Measure(name, "s", number + i / 100, number - 1.0, number + 1.0) for i, name in enumerate(MEASURES)]
    values.append(Measure("push_angle", "rad", withheld="the plate does not measure horizontal force"))
    return add_attempt(
        store,
        athlete,
        values,
        card=AttemptCard(load_kg=60.0 + number % 8, movement="jerk", outcome="made"),
        findings=[FINDING],
        quality=[CHECK],
        lift_at_s=3.0,
        at=1_700_000_000.0 + 60.0 * number,
        files=[kept],
        definitions="1",
    )


def main() -> None:
    """Add attempts until done or killed."""
    address, recordings, athletes, first, n, scratch = sys.argv[1:]
    athlete, *others = athletes.split(",")
    children: list[int] = []
    for other in others:
        child = os.fork()
        if child == 0:
            athlete, children = other, []
            break
        children.append(child)
    with open_store(address, recordings=recordings) as store:
        for number in range(int(first), int(first) + int(n)):
            stored = add_one(store, athlete, number, Path(scratch))
            sys.stdout.write(stored.attempt_uid + "\n")
            sys.stdout.flush()
    if any(os.waitpid(child, 0)[1] for child in children):
        sys.exit(1)


if __name__ == "__main__":
    main()
