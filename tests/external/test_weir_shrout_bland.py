"""Typical error, intraclass correlations and agreement against published data sets.

An outsider can compute each from a two-way table of means with a pocket calculator.

- Weir, J. P. (2005), Quantifying test-retest reliability using the intraclass correlation coefficient and the SEM,
  J Strength Cond Res 19:231-240, data set A and p. 236 (data and results as carried in an open-source package's test).
- Shrout, P. E. and Fleiss, J. L. (1979), Intraclass correlations, Psychological Bulletin 86:420-428, tables 2 and 4
  (data and ICC(2,1) as quoted in two public repositories, the other forms from memory).
- Bland, J. M. and Altman, D. G. (1986), Statistical methods for assessing agreement between two methods of clinical
  measurement, Lancet i:307-310, table 1 (as carried in secondary copies).
"""

from __future__ import annotations

import numpy as np
import pytest

from forcekit.history.reliability import agreement, intraclass_correlation, reliability, typical_error

WEIR_A = np.array([[146, 148, 170, 90, 157, 156, 176, 205], [140, 152, 152, 99, 145, 153, 167, 218]], float).T
SHROUT_FLEISS = np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], float)
WRIGHT_1 = np.fromstring("494 395 516 434 476 557 413 442 650 433 417 656 267 478 178 423 427", sep=" ")
WRIGHT_2 = np.fromstring("490 397 512 401 470 611 415 431 638 429 420 633 275 492 165 372 421", sep=" ")
MINI_1 = np.fromstring("512 430 520 428 500 600 364 380 658 445 432 626 260 477 259 350 451", sep=" ")


def test_weir_data_set_a():
    """SEM 7.6, SEE 7.1 and SEP 10.2 as printed, ICC(3,1) 0.95."""
    found = reliability(WEIR_A)

    assert found.sem == pytest.approx(7.6, abs=0.05)
    # SEE and SEP come from the printed, rounded ICC there: half a unit of their last digit and of the ICC's
    assert (found.see, found.sep) == pytest.approx((7.1, 10.2), abs=0.06)
    assert found.icc.single_consistency == pytest.approx(0.95, abs=0.005)


def test_typical_error_of_two_trials_is_sd_of_differences_over_root_two():
    """Hopkins' typical error equals the SEM of the two-way analysis (checked on Weir's data)."""
    d = WEIR_A[:, 1] - WEIR_A[:, 0]

    assert reliability(WEIR_A).sem == pytest.approx(d.std(ddof=1) / np.sqrt(2.0), rel=1e-12)


def test_shrout_fleiss_agreement_form():
    """ICC(2,1) is 0.29."""
    assert intraclass_correlation(SHROUT_FLEISS).single_agreement == pytest.approx(0.29, abs=0.005)


@pytest.mark.unseen
def test_shrout_fleiss_all_forms():
    """The six forms are .17 .29 .71 .44 .62 .91."""
    icc = intraclass_correlation(SHROUT_FLEISS)
    found = (
        icc.single_one_way, icc.single_agreement, icc.single_consistency,
        icc.mean_one_way, icc.mean_agreement, icc.mean_consistency,
    )  # fmt: skip

    assert found == pytest.approx((0.17, 0.29, 0.71, 0.44, 0.62, 0.91), abs=0.005)


def test_bland_altman_peak_flow():
    """Mean difference of the two meters −2.1 l/min, SD 38.8 l/min, 17 people."""
    found = agreement(WRIGHT_1, MINI_1)

    assert (found.bias, found.sd) == pytest.approx((-2.1, 38.8), abs=0.05)
    # limits printed as mean ± 2 SD there; ours are ± 1.96 SD
    assert found.limit_low == pytest.approx(-2.1 - 1.96 * 38.8, abs=0.2)


def test_within_person_error_of_repeated_readings():
    """Within-person SD from the repeated Wright readings, √(Σd²/2n), is the pooled typical error in groups of two."""
    values = np.concatenate([WRIGHT_1, WRIGHT_2])
    people = np.tile(np.arange(17.0), 2)
    by_hand = np.sqrt(np.sum((WRIGHT_1 - WRIGHT_2) ** 2) / 34)

    assert by_hand == pytest.approx(15.3, abs=0.05)  # as published for these readings (secondary copies)
    assert typical_error(values, people).value == pytest.approx(by_hand, rel=1e-12)
