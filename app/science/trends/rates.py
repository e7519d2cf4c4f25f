"""Rates of change by least squares, as the guide defines them."""

from functools import cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.measuring.student import two_sided_t_quantile, upper_t_p
from app.science.tables import rows

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


class LineSums(NamedTuple):
    """Running sums of a straight line through points: what is needed of them, however many they are."""

    sums: Floats
    """(..., 6): of 1, t, y, t², t y, y² over the points; t in days from an origin near the points."""

    @staticmethod
    def terms(days: Floats, values: Floats) -> Floats:
        """What each point adds: (..., 6)."""
        return np.stack(
            [np.ones_like(days), days, values, days * days, days * values, values * values], axis=-1
        )


class Line(NamedTuple):
    """Result of :func:`line_through`; every array has the leading shape of the input."""

    per_year: Floats
    """[unit/year]; NaN with fewer than two points or no span."""
    low: Floats
    high: Floats
    """The interval of the slope [unit/year]; NaN with fewer than three points."""


def line_through(found: LineSums, noise: ArrayLike) -> Line:
    """Slope of a least-squares line and its interval, from running sums.

    Args:
        found: sums over the points of each line, shape (..., 6).
        noise: standard deviation of one measured value as it is known beforehand, shape (...). [any unit]

    Returns:
        Slope and interval of the leading shape.

    Notes:
        Three points that happen to lie on a line say little of their scatter. So the variance is that about the line
        together with the one known beforehand, which counts for the d degrees of freedom of
        ``tables/uncertainty.csv``: s² = (S + d noise²)/(n - 2 + d), with Student's t of n - 2 + d of them.

    References:
        1. The slope: IEEE Std C57.104-2019, 6.1.1. 2. The variance known beforehand, its weight, and the confidence:
           ours, common practice, no source.
    """
    n, st, sy, stt, sty, syy = np.moveaxis(found.sums, -1, 0)
    points = np.maximum(n, 1.0)
    spread = stt - st * st / points
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = np.where((n >= 2) & (spread > 0.0), (sty - st * sy / points) / spread, np.nan)
        about = np.maximum(syy - sy * sy / points - slope * slope * spread, 0.0)
        weight = _slope_weight()
        variance = (about + weight * np.asarray(noise) ** 2) / np.maximum(n - 2.0 + weight, 1.0)
        half = _student(n - 2.0 + weight) * np.sqrt(variance / spread)
        half = np.where(n >= 3, half, np.nan)
    return Line(slope * DAYS_PER_YEAR, (slope - half) * DAYS_PER_YEAR, (slope + half) * DAYS_PER_YEAR)


def slope_probability(rate: ArrayLike, low: ArrayLike, points: ArrayLike) -> Floats:
    """One-sided probability that chance gives so steep a line, from what :func:`line_through` says of it.

    Args:
        rate: slope. [unit/year]
        low: lower end of its interval. [unit/year]
        points: points of the line.

    Returns:
        p of the broadcast shape; NaN where there is no interval.
    """
    freedom = np.asarray(points, dtype=np.float64) - 2.0 + _slope_weight()
    slope = np.asarray(rate, dtype=np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        score = slope / (slope - np.asarray(low)) * _student(freedom)
    return upper_t_p(score, np.maximum(freedom, 1.0))


@cache
def _slope_parameters() -> tuple[float, float]:
    found = {row["parameter"]: float(row["value"]) for row in rows("uncertainty")}
    return found["slope_weight"], found["slope_confidence"]


def _slope_weight() -> float:
    return _slope_parameters()[0]


_MOST_FREEDOM: Final = 1000
"""Beyond so many degrees of freedom Student's t is the normal distribution to three digits."""


@cache
def _student_quantiles(count: int) -> Floats:
    """Quantiles of 1, 2, ... degrees of freedom."""
    return two_sided_t_quantile(_slope_parameters()[1], np.arange(1, count + 1))


def _student(freedom: Floats) -> Floats:
    """Two-sided quantile of Student's t by whole degrees of freedom, at least one."""
    index = np.clip(freedom, 1, _MOST_FREEDOM).astype(np.int64) - 1
    # in steps of 64, so that half a dozen samples need not wait for a table of a thousand
    return _student_quantiles(-(-(int(index.max(initial=0)) + 1) // 64) * 64)[index]
