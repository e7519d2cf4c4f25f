"""Acceleration: does a rise get faster. When a limit is reached: :mod:`.crossing`."""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.trends.rates import DAYS_PER_YEAR
from app.science.trends.trend import flatten

Floats = NDArray[np.float64]


class Acceleration(NamedTuple):
    """Result of :func:`acceleration`; every array has the leading shape of the input."""

    per_year_squared: Floats
    """Second derivative [unit/year²]; NaN with fewer than four points."""
    standard_error: Floats
    """[unit/year²] from the scatter about the curve."""
    points: NDArray[np.int64]


def acceleration(days: ArrayLike, values: ArrayLike, valid: ArrayLike) -> Acceleration:
    """Curvature of the least-squares parabola through the valid points.

    Args:
        days: times, shape (..., k). [days]
        values: measured values, shape (..., k). [any unit]
        valid: which points take part, shape (..., k).

    Returns:
        Second derivative and its standard error, NaN with fewer than four points or fewer than three times.

    Notes:
        y = c0 + c1 t + c2 t²; the acceleration is 2 c2 in years. Only one beyond two or three standard errors says that
        the rate is rising; with half a dozen samples hardly any is.

    References:
        1. Ordinary least squares, any textbook.
    """
    t, y, use, shape = flatten(days, values, valid)
    count = use.sum(axis=1)
    n = np.maximum(count, 1)
    scale = np.where(use, t, 0.0).max(axis=1, initial=0.0)
    scale = np.where(scale > 0.0, scale, 1.0)
    # between 0 and 1: squares of days since 1970 would lose the curvature in rounding
    x = t / scale[:, None]
    # t and t² made orthogonal to the columns before them, so that the last weight is the curvature itself
    x1 = _less_mean(x, use, n)
    x2 = _less_mean(x * x, use, n)
    spread1 = (x1 * x1).sum(axis=1)
    x2 = x2 - x1 * np.divide((x1 * x2).sum(axis=1), spread1, out=np.zeros(len(t)), where=spread1 > 0)[:, None]
    dy = _less_mean(y, use, n)
    spread2 = (x2 * x2).sum(axis=1)
    has = (count >= 4) & (spread2 > 1e-12)
    safe1, safe2 = np.where(has, spread1, 1.0), np.where(has, spread2, 1.0)
    c1, c2 = (x1 * dy).sum(axis=1) / safe1, (x2 * dy).sum(axis=1) / safe2
    residual = dy - c1[:, None] * x1 - c2[:, None] * x2
    variance = (residual * residual).sum(axis=1) / (np.maximum(count - 3, 1) * safe2)
    to_years = 2.0 * (DAYS_PER_YEAR / scale) ** 2
    return Acceleration(
        per_year_squared=np.where(has, c2 * to_years, np.nan).reshape(shape),
        standard_error=np.where(has, np.sqrt(variance) * to_years, np.nan).reshape(shape),
        points=count.reshape(shape),
    )


def _less_mean(values: Floats, use: NDArray[np.bool_], n: NDArray[np.int64]) -> Floats:
    mean = np.where(use, values, 0.0).sum(axis=1) / n
    centred: Floats = np.where(use, values - mean[:, None], 0.0)
    return centred
