"""Least squares against the certified coefficients of two NIST reference data sets.

An outsider can fit the same numbers with any statistics program and compare all digits.

NIST/ITL Statistical Reference Datasets (StRD), linear least squares: Norris (ozone monitors, lower difficulty) and
Longley (ill-conditioned economic data, higher difficulty). Seen as carried in the tests of general-purpose
open-source libraries.
"""

from __future__ import annotations

import numpy as np
import pytest

from forcekit.history.regression import fit_linear

NORRIS_X = """
.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 .4 .6 775.5 666.9 338.0 447.5 11.6 556.0 228.1 995.8
887.6 120.2 .3 .3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1 448.9 .5
"""
NORRIS_Y = """
.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 .3 .1 778.1 668.8 339.3 448.9 10.8 557.7 228.3 998.0
888.8 119.6 .3 .6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4 449.2 .2
"""
LONGLEY = """
60323 83.0 234289 2356 1590 107608 1947
61122 88.5 259426 2325 1456 108632 1948
60171 88.2 258054 3682 1616 109773 1949
61187 89.5 284599 3351 1650 110929 1950
63221 96.2 328975 2099 3099 112075 1951
63639 98.1 346999 1932 3594 113270 1952
64989 99.0 365385 1870 3547 115094 1953
63761 100.0 363112 3578 3350 116219 1954
66019 101.2 397469 2904 3048 117388 1955
67857 104.6 419180 2822 2857 118734 1956
68169 108.4 442769 2936 2798 120445 1957
66513 110.8 444546 4681 2637 121950 1958
68655 112.6 482704 3813 2552 123366 1959
69564 114.2 502601 3931 2514 125368 1960
69331 115.7 518173 4806 2572 127852 1961
70551 116.9 554894 4007 2827 130081 1962
"""


def test_norris_line():
    """Intercept, slope, their standard errors, R² and F agree with the certified values to 9 digits."""
    fit = fit_linear(np.array(NORRIS_X.split(), float), np.array(NORRIS_Y.split(), float))

    # relative tolerance: 15 certified digits, less the digits double precision loses in sums of 36 squares
    assert fit.coefficients == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-9)
    assert fit.standard_errors == pytest.approx([0.232818234301152, 0.429796848199937e-3], rel=1e-9)
    assert fit.r_squared == pytest.approx(0.999993745883712, rel=1e-12)
    assert fit.residual_sd**2 * fit.df == pytest.approx(26.6173985294224, rel=1e-9)
    assert fit.f_statistic == pytest.approx(5436385.54079785, rel=1e-9)
    assert fit.df == 34


def test_longley_plane():
    """Seven coefficients of a nearly dependent design agree with the certified values to 7 digits."""
    table = np.array(LONGLEY.split(), float).reshape(16, 7)
    fit = fit_linear(table[:, 1:], table[:, 0])
    coefficients = [
        -3482258.63459582, 15.0618722713733, -0.0358191792925910, -2.02022980381683, -1.03322686717359,
        -0.0511041056535807, 1829.15146461355,
    ]  # fmt: skip
    errors = [
        890420.383607373, 84.9149257747669, 0.0334910077722432, 0.488399681651699, 0.214274163161675,
        0.226073200069370, 455.478499142212,
    ]  # fmt: skip

    # the scaled design's condition number is near 1e5: 16 digits less 5, less some for the sums
    assert fit.coefficients == pytest.approx(coefficients, rel=1e-7)
    assert fit.standard_errors == pytest.approx(errors, rel=1e-7)
    assert fit.residual_sd == pytest.approx(304.854073561965, rel=1e-9)
    assert fit.r_squared == pytest.approx(0.995479004577296, rel=1e-12)
    assert fit.f_statistic == pytest.approx(330.285339234588, rel=1e-9)
