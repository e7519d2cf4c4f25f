"""When a straight trend crosses a limit, with an interval whose coverage was measured."""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from app.science.measuring.student import two_sided_t_quantile
from app.science.trends.rates import DAYS_PER_YEAR
from app.science.trends.trend import Bools, Floats, flatten, theil_sen

_CLIP: Final = 3.0
_LEAST_SPREAD: Final = 0.05
_FEWEST: Final = 4


class Crossing(NamedTuple):
    """Result of :func:`crossing`; times on the scale of the input [days], each of the leading shape."""

    earliest: Floats
    """NaN where nothing can be said."""
    central: Floats
    """Infinite where the line does not rise."""
    latest: Floats
    """Infinite where it is not certain that the line rises."""


class _Line(NamedTuple):
    """A weighted line: y = mean_y + slope (t - mean_t), with what its interval is made of."""

    slope: Floats
    mean_t: Floats
    mean_y: Floats
    weight: Floats
    spread: Floats
    """Weighted sum of squares of t - mean_t."""
    variance: Floats
    """Of a point of weight one."""
    freedom: Floats


def crossing(
    days: ArrayLike,
    values: ArrayLike,
    valid: ArrayLike,
    limit: ArrayLike,
    floor: ArrayLike = 0.0,
    confidence: float = 0.8,
) -> Crossing:
    """When the line through the points reaches a limit, by Fieller's interval of a robustly weighted line.

    Args:
        days: times, shape (..., k). [days]
        values: measured values, shape (..., k). [any unit]
        valid: which points take part, shape (..., k); points with NaN never do.
        limit: what is to be reached, of the leading shape. [unit]
        floor: level below which noise does not shrink with the level any more, of the leading shape. [unit]
        confidence: of the interval, between 0 and 1.

    Returns:
        Earliest, central and latest time; NaN with fewer than four points or two times, or a limit that is NaN.

    Notes:
        Weights are 1/(fit^2 + floor^2), since noise is a share of the level, with the fit of Theil and Sen; a point
        whose relative residual r is beyond three times m = 1.4826 median |r| sqrt(n/(n - 2)), at least 5 %, counts less
        by (3 m/|r|)^2. The interval holds all T with (a + b T - L)^2 <= t^2 s^2 (1/W + (T - mean T)^2/Stt), t of
        Student with n - 2 degrees of freedom. Where b is not clearly positive it has no upper end. It dates the line,
        not the first sample above it. Measured coverage: docs/decisions/trend.md.

    References:
        1. E. C. Fieller, Some problems in interval estimation, J. R. Stat. Soc. B 16, 1954 (from memory).
        2. Weights and clip: common practice, no source.
    """
    t, y, use, shape = flatten(days, values, valid)
    origin = np.broadcast_to(np.asarray(days, dtype=np.float64), (*shape, t.shape[1])).reshape(t.shape)
    first = np.where(use, origin, np.inf).min(axis=1, initial=np.inf)
    goal = np.broadcast_to(np.asarray(limit, dtype=np.float64), shape).ravel()
    least = np.broadcast_to(np.asarray(floor, dtype=np.float64), shape).ravel()
    line = _line(t, y, use, least)
    has = (use.sum(axis=1) >= _FEWEST) & (line.spread > 0.0) & np.isfinite(goal)
    quantile = two_sided_t_quantile(confidence, np.maximum(line.freedom, 1.0))
    noise = quantile**2 * line.variance
    gap = np.where(has, goal - line.mean_y, 1.0)
    spread = np.where(has, line.spread, 1.0)
    # (slope^2 - noise/spread) u^2 - 2 slope gap u + gap^2 - noise/weight <= 0, u from the mean time
    lead = line.slope**2 - noise / spread
    rest = gap**2 - noise / np.where(has, line.weight, 1.0)
    root = np.sqrt(np.maximum((line.slope * gap) ** 2 - lead * rest, 0.0))
    rises = (line.slope > 0.0) & (lead > 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        # the root on this side of infinity; written so that a lead near zero costs no digits
        near = np.where(line.slope * gap + root != 0.0, rest / (line.slope * gap + root), -np.inf)
        far = (line.slope * gap + root) / lead
        middle = gap / line.slope
    early = np.where(rises, np.minimum(near, far), np.where(rest > 0.0, near, -np.inf))
    end = line.mean_t + np.where(np.isfinite(first), first, 0.0)
    found = [
        np.where(has, end + u, np.nan).reshape(shape)
        for u in (
            early,
            np.where(line.slope > 0.0, middle, np.inf),
            np.where(rises, np.maximum(near, far), np.inf),
        )
    ]
    return Crossing(*found)


def _line(t: Floats, y: Floats, use: Bools, floor: Floats) -> _Line:
    """Weighted least squares; the weights from the robust line and its residuals."""
    count = use.sum(axis=1)
    robust = theil_sen(t, y, use)
    per_day = np.nan_to_num(robust.per_year) / DAYS_PER_YEAR
    last = np.where(use, t, -np.inf).max(axis=1, initial=-np.inf)
    fit = np.nan_to_num(robust.level)[:, None] + per_day[:, None] * (
        t - np.where(count > 0, last, 0.0)[:, None]
    )
    middle = np.where(use, np.abs(y), 0.0).sum(axis=1) / np.maximum(count, 1)
    # far below the mean level a line's value says nothing of the noise
    scale = np.hypot(np.maximum(fit, 0.1 * middle[:, None]), floor[:, None])
    scale = np.where(scale > 0.0, scale, 1.0)
    relative = np.where(use, np.abs(y - fit) / scale, np.inf)
    ordered = np.sort(relative, axis=1)
    row = np.arange(len(t))
    half = np.maximum(count, 1)
    median = 0.5 * (ordered[row, (half - 1) // 2] + ordered[row, np.minimum(half // 2, t.shape[1] - 1)])
    spread = 1.4826 * np.where(count > 0, median, 0.0) * np.sqrt(count / np.maximum(count - 2, 1))
    bound = _CLIP * np.maximum(spread, _LEAST_SPREAD)[:, None]
    clip = np.divide(bound, relative, out=np.ones(t.shape), where=relative > bound)
    weight = np.where(use, (clip / scale) ** 2, 0.0)
    total = weight.sum(axis=1)
    safe = np.where(total > 0.0, total, 1.0)
    mean_t, mean_y = (weight * t).sum(axis=1) / safe, (weight * y).sum(axis=1) / safe
    dt, dy = t - mean_t[:, None], y - mean_y[:, None]
    tt = (weight * dt * dt).sum(axis=1)
    slope = np.divide((weight * dt * dy).sum(axis=1), tt, out=np.zeros(len(t)), where=tt > 0.0)
    residual = dy - slope[:, None] * dt
    variance = (weight * residual * residual).sum(axis=1) / np.maximum(count - 2, 1)
    return _Line(slope, mean_t, mean_y, total, tt, variance, (count - 2).astype(np.float64))
