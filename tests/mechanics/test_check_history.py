"""History of daily checks: a drift is told from scatter, with its uncertainty."""

from __future__ import annotations

import numpy as np
import pytest

from forcekit.errors import InputError
from forcekit.mechanics.check_history import check_trend


def test_exact_line() -> None:
    """A line without scatter comes back, and 1 % is reached when the line says."""
    day = np.arange(0.0, 40.0, 4.0)

    found = check_trend(day, 0.0002 * day, np.full(10, 0.0005))

    assert found.per_month_frac == pytest.approx(0.006, rel=1e-9)
    # Uncertainty of a slope with equal weights: u / sqrt(sum of squared distances from the middle day).
    assert found.per_month_u_frac == pytest.approx(30.0 * 0.0005 / np.sqrt(np.sum((day - day.mean()) ** 2)))
    assert found.drifts
    assert found.due_in_days == pytest.approx((0.01 - 0.0002 * 36.0) / 0.0002)
    assert "is due in about 14 days" in found.sentence


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_beyond_the_limit_is_due_now(sign: float) -> None:
    """A plate that is 2 % off and drifts back is not due when it comes out at the other side, but now."""
    day = np.arange(0.0, 40.0, 4.0)

    found = check_trend(day, sign * (0.025 - 0.0001 * day), np.full(10, 0.0005))

    assert found.drifts
    assert found.due_in_days == 0.0
    assert found.sentence.endswith("a new calibration is due now.")


def test_scatter_is_no_drift() -> None:
    """Of 400 histories without a drift about one in twenty is called drifting, not more."""
    rng = np.random.default_rng(1)
    day = np.arange(0.0, 60.0, 3.0)
    called = [check_trend(day, rng.normal(0.0, 0.001, 20), np.full(20, 0.001)).drifts for _ in range(400)]

    # 4.6 % beyond two sigma, less the widening by scatter; binomial SD of 400 is 1.0 %.
    assert np.mean(called) < 0.046 + 3 * 0.0105


def test_more_scatter_than_claimed_widens() -> None:
    """Checks that scatter three times as much as they claim give three times the uncertainty."""
    day = np.arange(30.0)
    error = 0.003 * np.where(np.arange(30) % 2, 1.0, -1.0)
    honest = check_trend(day, error, np.full(30, 0.003)).per_month_u_frac
    claimed = check_trend(day, error, np.full(30, 0.001)).per_month_u_frac

    assert honest is not None
    # The scatter about the line is 0.003·sqrt(30/28), a little above the honest claim, so both are widened alike.
    assert claimed == pytest.approx(honest, rel=1e-9)


def test_too_few_and_nonsense() -> None:
    """Two checks give no drift; a check without uncertainty is refused."""
    few = check_trend([1.0, 2.0], [0.0, 0.01], [0.001, 0.001])

    assert (few.per_month_frac, few.drifts) == (None, False)
    assert few.sentence == "2 checks so far; a drift needs checks on 3 days."
    with pytest.raises(InputError, match="leave that check out"):
        check_trend([1.0, 2.0, 3.0], [0.0, 0.0, 0.0], [0.001, 0.0, 0.001])
