"""How often two equal sessions are told to differ: false alarms of `history.between.compare_sessions`.

Run from the checkout::

    python tests/benchmarks/history_sessions.py        # 300 histories, about three minutes
    python tests/benchmarks/history_sessions.py 1000

Each history has 6 sessions of 2 to 5 reps at 70, 80 and 90 kg with four measures that hang together and follow the
load. In the first half nothing differs between days: both comparisons should alarm in 5 % of histories. In the second
half days differ by half the spread of single reps: that is no change of the lifter, the comparison with all earlier
sessions should stay near 5 %, and that with the last session alarms more often, because those two sessions do differ.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np

NAMES = ("dip_depth", "braking_time", "transition_time", "peak_drive_velocity")
MEANS, SPREADS = np.array([0.18, 0.155, 0.027, 1.48]), np.array([0.005, 0.006, 0.0015, 0.02])


def history(folder: Path, rng: np.random.Generator, day_share: float) -> tuple[bool | None, bool | None]:
    """Whether each comparison alarms in one random history; None where it is withheld."""
    from forcekit.history.attempts import add_attempt
    from forcekit.history.between import compare_sessions
    from forcekit.history.people import add_athlete
    from forcekit.history.store import open_store
    from forcekit.model import AttemptCard
    from forcekit.results import Measure

    mixing = np.linalg.cholesky(0.5 * np.eye(4) + 0.5)
    with open_store(folder) as store:
        add_athlete(store, "A")
        for session in range(6):
            day = day_share * rng.standard_normal(4)
            for rep in range(int(rng.integers(2, 6))):
                load = float(rng.choice([70.0, 80.0, 80.0, 90.0]))
                z = mixing @ rng.standard_normal(4) + day
                values = MEANS * (1.0 + 0.002 * (load - 80.0)) + SPREADS * z
                measures = [Measure(n, "", float(v), float(v), float(v)) for n, v in zip(NAMES, values, strict=True)]
                card = AttemptCard(load_kg=load, movement="jerk")
                add_attempt(
                    store, "A", measures, card=card, definitions="1", at=1.7e9 + 3 * 86400.0 * session + 60 * rep
                )
        found = compare_sessions(store, "A", names=NAMES)
    sides = (found.last, found.same_load)
    last, same = (None if s.withheld else bool(s.different) for s in sides)
    return last, same


def main() -> None:
    """Print the share of histories with an alarm."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    for day_share in (0.0, 0.5):
        rng = np.random.default_rng(7)
        with tempfile.TemporaryDirectory() as folder:
            found = [history(Path(folder) / str(i), rng, day_share) for i in range(n)]
        for name, column in zip(("the last session", "the same load before"), zip(*found, strict=True), strict=True):
            told = [x for x in column if x is not None]
            share, of = float(np.mean(told)), len(told)
            print(
                f"days differ by {day_share:g} of a rep's spread; against {name}: alarm in {100 * share:.1f} % of {of} "
                f"(± {196 * np.sqrt(share * (1 - share) / of):.1f})"
            )


if __name__ == "__main__":
    main()
