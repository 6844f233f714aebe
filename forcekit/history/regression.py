"""Least squares with standard errors and prediction intervals, stable for nearly dependent columns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forcekit.model import FloatArray

__all__ = ["ROUNDING_FRAC", "LinearFit", "Prediction", "beyond_rounding", "fit_linear", "predict"]

ROUNDING_FRAC = 1e-12
"""What is left of numbers at less than this share of their size is rounding, not scatter."""


def beyond_rounding(sd: float, values: FloatArray) -> float:
    """Standard deviation of some values, zero where it is no more than the rounding of their sum.

    Examples
    --------
    >>> same = np.full(3, 0.1)
    >>> bool(same.std() > 0.0), beyond_rounding(float(same.std()), same)
    (True, 0.0)
    """
    return sd if sd > ROUNDING_FRAC * float(np.abs(values).max()) else 0.0


@dataclass(frozen=True, slots=True, eq=False)
class LinearFit:
    """A least-squares fit y = b0 + b1·x1 + … with what is needed to predict.

    Attributes
    ----------
    coefficients, standard_errors : array, shape (k + 1,)
        Intercept first.
    residual_sd : float
        Square root of the residual sum of squares over `df`, in the unit of y.
    df : int
        Number of rows less number of coefficients.
    r_squared, f_statistic : float
        Explained share of the variation about the mean; F of all slopes together.
    residuals : array, shape (n,)
    means : array, shape (k,)
        Column means.
    inverse : array, shape (k, k)
        Inverse of the centred cross products; times the residual variance it is the slopes' covariance.
    """

    coefficients: FloatArray
    standard_errors: FloatArray
    residual_sd: float
    df: int
    r_squared: float
    f_statistic: float
    residuals: FloatArray
    means: FloatArray
    inverse: FloatArray


@dataclass(frozen=True, slots=True)
class Prediction:
    """The fitted value at one place, the standard error of the mean there and of one new value there."""

    centre: float
    se_mean: float
    se_new: float


def fit_linear(x: FloatArray, y: FloatArray) -> LinearFit:
    """Fit a plane (a line for one column) by ordinary least squares, with an intercept.

    Parameters
    ----------
    x : array, shape (n,) or (n, k)
    y : array, shape (n,)

    Raises
    ------
    ValueError
        If there are not more rows than coefficients, or a column depends on the others.

    Notes
    -----
    Columns are centred and scaled to unit length before a QR decomposition, so that badly scaled columns keep
    their digits; intercept and covariances are turned back afterwards.

    Examples
    --------
    >>> fit = fit_linear(np.array([0.0, 1.0, 2.0, 3.0]), np.array([1.0, 3.0, 5.0, 7.0]))
    >>> [round(float(b), 12) for b in fit.coefficients]
    [1.0, 2.0]
    """
    columns = x[:, None] if x.ndim == 1 else x
    n, k = columns.shape
    if n <= k + 1:
        raise ValueError(f"{n} rows cannot carry {k + 1} coefficients and a residual")
    means = columns.mean(axis=0)
    centred = columns - means
    scale = np.sqrt(np.einsum("ij,ij->j", centred, centred))
    if np.any(scale <= 1e-14 * np.abs(means) * np.sqrt(n)):
        raise ValueError("a column is constant")
    q, r = np.linalg.qr(centred / scale)
    if np.abs(np.diag(r)).min() < 1e-13:
        raise ValueError("a column depends on the others")
    y_mean = float(y.mean())
    slopes = np.linalg.solve(r, q.T @ (y - y_mean)) / scale
    r_inverse = np.linalg.inv(r)
    inverse = (r_inverse @ r_inverse.T) / np.outer(scale, scale)
    residuals = (y - y_mean) - centred @ slopes
    rss = float(residuals @ residuals)
    df = n - k - 1
    variance = rss / df
    tss = float((y - y_mean) @ (y - y_mean))
    se = np.sqrt(variance * np.concatenate([[1.0 / n + means @ inverse @ means], np.diag(inverse)]))
    return LinearFit(
        coefficients=np.concatenate([[y_mean - means @ slopes], slopes]),
        standard_errors=se,
        residual_sd=float(np.sqrt(variance)),
        df=df,
        r_squared=1.0 - rss / tss if tss > 0.0 else 1.0,
        f_statistic=(tss - rss) / k / variance if variance > 0.0 else np.inf,
        residuals=residuals,
        means=means,
        inverse=inverse,
    )


def predict(fit: LinearFit, at: FloatArray | float) -> Prediction:
    """Fitted value and its standard errors at one place.

    Parameters
    ----------
    fit : LinearFit
    at : float or array, shape (k,)

    Notes
    -----
    se_mean = s·√(1/n + d'·C·d) and se_new = s·√(1 + 1/n + d'·C·d), with d the distance from the column means
    and C the inverse of the centred cross products; multiply by Student's t with `df` degrees of freedom.
    """
    place = np.atleast_1d(np.asarray(at, dtype=np.float64))
    n = fit.residuals.size
    d = place - fit.means
    leverage = 1.0 / n + float(d @ fit.inverse @ d)
    centre = float(fit.coefficients[0] + place @ fit.coefficients[1:])
    return Prediction(centre, fit.residual_sd * leverage**0.5, fit.residual_sd * (1.0 + leverage) ** 0.5)
