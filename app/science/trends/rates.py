"""Rates of change by least squares, as the guide defines them."""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

DAYS_PER_YEAR: Final = 365.0
"""The guide's printed rates use a year of 365 days."""


class LeastSquaresRate(NamedTuple):
    """Result of :func:`least_squares_rate`; every array has the leading shape of the input."""

    per_year: Floats
    """[unit/year]; NaN with fewer than two points or no span."""
    span_days: Floats
    """[days]; NaN without a point."""
    points: NDArray[np.int64]
    standard_error_per_year: Floats
    """[unit/year] from the scatter about the line; NaN with fewer than three points."""


def least_squares_rate(days: ArrayLike, values: ArrayLike, valid: ArrayLike) -> LeastSquaresRate:
    """Slope of the least-squares line through the valid points of each series.

    Args:
        days: times, shape (..., k). [days]
        values: measured values, shape (..., k). [any unit, µL/L for gases]
        valid: which points take part, shape (..., k); points with NaN never do.

    Returns:
        Rate per year, span, number of points and standard error of the rate, each of the leading shape.

    Notes:
        rate = 365 sum((t - mean t)(y - mean y))/sum((t - mean t)^2); its standard error is
        365 sqrt(sum(residual^2)/((n - 2) sum((t - mean t)^2))). The guide takes the last 3 to 6 points over 4 to 24
        months; which points those are is the caller's choice.

    References:
        1. IEEE Std C57.104-2019, 6.1.1 and Annex B.
    """
    t, y, use = np.broadcast_arrays(
        np.asarray(days, dtype=np.float64),
        np.asarray(values, dtype=np.float64),
        np.asarray(valid, dtype=np.bool_),
    )
    use = use & np.isfinite(t) & np.isfinite(y)
    count = use.sum(axis=-1)
    divisor = np.maximum(count, 1)
    # the first usable point is the origin: days since 1970 squared would cost digits
    last = np.where(use, t, -np.inf).max(axis=-1, initial=-np.inf)
    first = np.where(use, t, np.inf).min(axis=-1, initial=np.inf)
    t = np.where(use, t - np.where(count > 0, first, 0.0)[..., None], 0.0)
    y = np.where(use, y, 0.0)
    dt = np.where(use, t - (t.sum(axis=-1) / divisor)[..., None], 0.0)
    dy = np.where(use, y - (y.sum(axis=-1) / divisor)[..., None], 0.0)
    spread = (dt * dt).sum(axis=-1)
    has_slope = (count >= 2) & (spread > 0.0)
    slope = np.where(has_slope, (dt * dy).sum(axis=-1), np.nan) / np.where(has_slope, spread, 1.0)
    residual = np.where(use, dy - np.nan_to_num(slope)[..., None] * dt, 0.0)
    has_error = has_slope & (count >= 3)
    variance = np.where(has_error, (residual * residual).sum(axis=-1), np.nan) / np.where(
        has_error, (count - 2) * spread, 1.0
    )
    with np.errstate(invalid="ignore"):
        span = np.where(count > 0, last - first, np.nan)
    return LeastSquaresRate(
        per_year=np.asarray(slope * DAYS_PER_YEAR),
        span_days=np.asarray(span),
        points=np.asarray(count, dtype=np.int64),
        standard_error_per_year=np.asarray(np.sqrt(variance) * DAYS_PER_YEAR),
    )
