"""Allan deviation against the worked numbers of NIST Special Publication 1065.

Riley WJ (2008), Handbook of Frequency Stability Analysis, NIST SP 1065: the 10-point NBS test suite (Tables 29/30, from
NBS Monograph 140) and the 1000-point suite with the Park-Miller generator (page 108). Seen as quoted by the tests of a
public library, not in the handbook itself.
"""

from __future__ import annotations

import csv

import numpy as np
import pytest
from helpers import open_data

from forcekit.mechanics.allan import allan_deviation

NINE = (892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0)


def test_nine_frequencies() -> None:
    """Overlapping deviation of the nine frequencies at one and two samples."""
    got = allan_deviation(np.array(NINE), 1.0, counts=(1, 2)).deviation
    assert got.tolist() == pytest.approx([91.22945, 85.95287], abs=5e-6)


def test_thousand_points() -> None:
    """Overlapping deviation of the thousand pseudo-random frequencies at 1, 10 and 100 samples."""
    n = [1234567890]
    for _ in range(999):
        n.append(16807 * n[-1] % 2147483647)
    assert n[1:4] == [395529916, 1209410747, 633705974]
    got = allan_deviation(np.array(n) / 2147483647.0, 1.0, counts=(1, 10, 100)).deviation
    assert got.tolist() == pytest.approx([0.2922319, 0.09159953, 0.03241343], rel=2e-7)


def test_the_file_of_the_suite_holds_the_same_frequencies() -> None:
    """The frequencies typed here are those of the open data file, whose phases are their running sum but for a line."""
    with (open_data("stat_reference") / "allan_nbs14_10point.csv").open() as lines:
        rows = list(csv.DictReader(lines))
    assert [float(r["frequency"]) for r in rows[:-1]] == list(NINE)
    phase = np.array([float(r["phase"]) for r in rows])
    steps = np.diff(phase)
    np.testing.assert_allclose(steps, np.array(NINE) - np.mean(NINE), atol=1e-4)
