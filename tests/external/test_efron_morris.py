"""Shrinkage against the batting averages of Efron and Morris.

An outsider can compute the factor from the 18 averages after 45 times at bat.

Efron, B. and Morris, C. (1977), Stein's paradox in statistics, Scientific American 236(5):119-127: grand mean .265,
factor .212 (from memory), .400 drawn to .294 (seen in secondary copies). The printed averages have three digits; the
test uses these, since exact fractions give a slightly different factor.
"""

from __future__ import annotations

import numpy as np
import pytest

from forcekit.history.squad import james_stein

HITS_OF_45 = np.array([18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7])


def test_batting_averages():
    """The best batter's .400 is drawn to .294, the mean is .265."""
    printed = np.round(HITS_OF_45 / 45, 3)
    mean = printed.mean()
    _, drawn = james_stein(printed, mean * (1 - mean) / 45)

    assert mean == pytest.approx(0.265, abs=0.0005)
    assert drawn[0] == pytest.approx(0.294, abs=0.0005)


@pytest.mark.unseen
def test_shrinkage_factor():
    """The factor is .212."""
    printed = np.round(HITS_OF_45 / 45, 3)
    factor, _ = james_stein(printed, printed.mean() * (1 - printed.mean()) / 45)

    assert factor == pytest.approx(0.212, abs=0.0005)
