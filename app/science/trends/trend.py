"""Robust trends: Theil-Sen slope with its interval, and the Mann-Kendall test.

Both look at pairs of points, k(k - 1)/2 of them a series: give daily medians or laboratory samples, not every
reading of a monitor. Batches are worked in blocks, so memory stays bounded.
"""

import math
from typing import Final, NamedTuple, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.measuring.normal import two_sided_p, two_sided_quantile
from app.science.trends.rates import DAYS_PER_YEAR

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Integers = NDArray[np.int64]
_Kind = TypeVar("_Kind", np.bool_, np.float64)

_PAIRS_AT_ONCE: Final = 2_000_000


class TheilSen(NamedTuple):
    """Result of :func:`theil_sen`; every array has the leading shape of the input."""

    per_year: Floats
    """Median of the pairwise slopes [unit/year]."""
    low: Floats
    """Lower end of the interval [unit/year]; -infinity where the points are too few to give one."""
    high: Floats
    """Upper end of the interval [unit/year]; infinity likewise."""
    level: Floats
    """The line's value at the last valid time [unit]."""
    points: Integers


class MannKendall(NamedTuple):
    """Result of :func:`mann_kendall`; every array has the leading shape of the input."""

    s: Floats
    """Kendall's S: rising pairs less falling pairs."""
    z: Floats
    """Standard normal score with continuity correction; NaN with fewer than three points."""
    p: Floats
    """Two-sided probability of an S as large without a trend; 1 where all values are tied."""
    points: Integers


def theil_sen(days: ArrayLike, values: ArrayLike, valid: ArrayLike, confidence: float = 0.95) -> TheilSen:
    """Median of the slopes of all pairs of points, with a distribution-free interval.

    Args:
        days: times, shape (..., k). [days]
        values: measured values, shape (..., k). [any unit]
        valid: which points take part, shape (..., k); points with NaN never do.
        confidence: of the interval, between 0 and 1.

    Returns:
        Slope, interval and level, NaN where fewer than two different times are valid.

    Raises:
        ValueError: if confidence is not between 0 and 1.

    Notes:
        Pairs at one time have no slope and are left out. With N slopes sorted and sigma^2 the variance of Kendall's
        S (ties corrected), the interval runs between the slopes of rank (N -+ z sigma)/2. Up to 29 % of the points
        may be wild before the slope is. Serial correlation, as between readings of one monitor, makes the interval
        too narrow: daily medians, not readings.

    References:
        1. P. K. Sen, Estimates of the regression coefficient based on Kendall's tau, J. Am. Stat. Assoc. 63, 1968.
        2. R. O. Gilbert, Statistical Methods for Environmental Pollution Monitoring, 1987, section 16.5.
    """
    z = two_sided_quantile(confidence)
    t, y, use, shape = flatten(days, values, valid)
    out = np.full((4, len(t)), np.nan)
    first, second = np.triu_indices(t.shape[1], 1)
    for part in blocks(len(t), len(first)):
        out[:, part] = _theil_sen(t[part], y[part], use[part], (first, second), z)
    return TheilSen(
        per_year=(out[0] * DAYS_PER_YEAR).reshape(shape),
        low=(out[1] * DAYS_PER_YEAR).reshape(shape),
        high=(out[2] * DAYS_PER_YEAR).reshape(shape),
        level=out[3].reshape(shape),
        points=use.sum(axis=-1).reshape(shape),
    )


def mann_kendall(
    days: ArrayLike, values: ArrayLike, valid: ArrayLike, below: ArrayLike | None = None
) -> MannKendall:
    """Mann-Kendall test for a trend, with ties and detection limits.

    Args:
        days: times, shape (..., k). [days]
        values: measured values, or the limit where below, shape (..., k). [any unit]
        valid: which points take part, shape (..., k); points with NaN never do.
        below: where the number is a detection limit, shape (..., k); nowhere when None.

    Returns:
        S, z, p and the number of points.

    Notes:
        S = sum over i < j of sign(t_j - t_i) sign(y_j - y_i). A censored value is less than a measured one at or above
        its limit, and tied with everything else. The variance is that over all permutations of these scores
        (:func:`kendall_variance`); without censoring it is the usual one with ties. z = (|S| - 1)/sqrt(Var), signed.

    References:
        1. M. G. Kendall, Rank Correlation Methods, 1975 (variance with ties).
        2. H. E. Daniels, The relation between measures of correlation, Biometrika 33, 1944 (general scores).
        3. Holbert, 2021 (trends of data with several detection limits).
    """
    t, y, use, shape = flatten(days, values, valid)
    censored = np.zeros(t.shape, dtype=np.bool_)
    if below is not None:
        censored = beside(np.asarray(below, dtype=np.bool_), shape, t.shape[1])
    s, variance = np.zeros(len(t)), np.zeros(len(t))
    for part in blocks(len(t), t.shape[1] ** 2):
        time_scores, scores = pair_scores(t[part], y[part], use[part], censored[part])
        s[part] = (time_scores * scores).sum(axis=(1, 2)) / 2.0
        variance[part] = kendall_variance(time_scores, scores, use[part].sum(axis=1))
    count = use.sum(axis=1)
    shrunk = np.sign(s) * np.maximum(np.abs(s) - 1.0, 0.0)
    spread = np.sqrt(variance)
    z = np.divide(shrunk, spread, out=np.zeros(len(t)), where=spread > 0.0)
    z = np.where(count >= 3, z, np.nan)
    return MannKendall(
        s=s.reshape(shape), z=z.reshape(shape), p=two_sided_p(z).reshape(shape), points=count.reshape(shape)
    )


def pair_scores(t: Floats, y: Floats, use: Bools, below: Bools) -> tuple[Floats, Floats]:
    """Antisymmetric score matrices of times and of values, each (b, k, k): the sign of column less row.

    A censored value is certainly less than a measured one at or above its limit; all else about it is a tie.
    """
    both = use[:, :, None] & use[:, None, :]
    times = np.where(both, np.sign(t[:, None, :] - t[:, :, None]), 0.0)
    row, column = y[:, :, None], y[:, None, :]
    above = (column > row) | ((column == row) & below[:, :, None])
    rises = above & ~below[:, None, :] & both
    return times, rises.astype(np.float64) - rises.swapaxes(1, 2).astype(np.float64)


def kendall_variance(a: Floats, b: Floats, count: Integers) -> Floats:
    """Variance of S = sum(a*b)/2 over all permutations of one of two antisymmetric score matrices.

    Args:
        a, b: scores, shape (batch, k, k); zero where a point does not take part.
        count: number n of points that do, shape (batch,).

    Notes:
        With row sums a_i. and b_i.,
        Var(2S) = 4 (sum a_i.^2 - sum a_ij^2)(sum b_i.^2 - sum b_ij^2)/(n(n-1)(n-2)) + 2 sum a_ij^2 sum b_ij^2/(n(n-1)).
    """
    n = count.astype(np.float64)
    squares = [(m * m).sum(axis=(1, 2)) for m in (a, b)]
    rows = [(m.sum(axis=2) ** 2).sum(axis=1) for m in (a, b)]
    triples = np.where(n > 2, n * (n - 1) * (n - 2), np.inf)
    pairs = np.where(n > 1, n * (n - 1), np.inf)
    product = 4.0 * (rows[0] - squares[0]) * (rows[1] - squares[1]) / triples
    variance: Floats = (product + 2.0 * squares[0] * squares[1] / pairs) / 4.0
    return np.maximum(variance, 0.0)


def flatten(
    days: ArrayLike, values: ArrayLike, valid: ArrayLike
) -> tuple[Floats, Floats, Bools, tuple[int, ...]]:
    """Times from each series' first, values and mask as (series, k), and the leading shape they came in."""
    t, y, use = np.broadcast_arrays(
        np.asarray(days, dtype=np.float64),
        np.asarray(values, dtype=np.float64),
        np.asarray(valid, dtype=np.bool_),
    )
    if (
        t.shape[-1] == 0
    ):  # a point that is not used stands for none, so that nothing below meets an empty axis
        t, y, use = (np.zeros((*t.shape[:-1], 1), dtype=x.dtype) for x in (t, y, use))
    use = use & np.isfinite(t) & np.isfinite(y)
    origin = np.where(use, t, np.inf).min(axis=-1, keepdims=True, initial=np.inf)
    origin = np.where(np.isfinite(origin), origin, 0.0)
    shape, k = t.shape[:-1], t.shape[-1]
    t = np.where(use, t - origin, 0.0).reshape(-1, k)
    return t, np.where(use, y, 0.0).reshape(-1, k), use.reshape(-1, k), shape


def beside(extra: NDArray[_Kind], shape: tuple[int, ...], k: int) -> NDArray[_Kind]:
    """Another array of the series, brought to the (series, k) that :func:`flatten` gave."""
    if extra.ndim and extra.shape[-1] == 0:
        extra = np.zeros((*extra.shape[:-1], 1), dtype=extra.dtype)
    return np.broadcast_to(extra, (*shape, k)).reshape(math.prod(shape), k)


def blocks(series: int, pairs: int) -> list[slice]:
    """Slices of series that have a bounded number of pairs of points together."""
    step = max(1, _PAIRS_AT_ONCE // max(pairs, 1))
    return [slice(start, start + step) for start in range(0, series, step)]


def _theil_sen(t: Floats, y: Floats, use: Bools, pair: tuple[Integers, Integers], z: float) -> Floats:
    first, second = pair
    dt = t[:, second] - t[:, first]
    counts = use[:, first] & use[:, second] & (dt != 0.0)
    slope = np.divide(y[:, second] - y[:, first], dt, out=np.full(dt.shape, np.inf), where=counts)
    # the median and the ends of the interval are order statistics of the same sorted slopes
    slope.sort(axis=1)  # pairs that do not count are infinite and sort to the end
    number = counts.sum(axis=1)
    row = np.arange(len(t))

    def ranked(rank: NDArray[np.int64]) -> Floats:
        inside = (rank >= 0) & (rank < number)
        found = (
            slope[row, np.clip(rank, 0, max(slope.shape[1] - 1, 0))] if slope.shape[1] else np.zeros(len(t))
        )
        return np.where(inside, found, np.where(rank < 0, -np.inf, np.inf))

    with np.errstate(invalid="ignore"):
        middle = 0.5 * (ranked((number - 1) // 2) + ranked(number // 2))
    middle = np.where(number > 0, middle, np.nan)
    time_scores, scores = pair_scores(t, y, use, np.zeros(t.shape, dtype=np.bool_))
    half = z * np.sqrt(kendall_variance(time_scores, scores, use.sum(axis=1)))
    # Sen 1968: the interval runs between the ranks (N -+ C)/2, C = z sqrt(Var S), counted from one
    low = ranked(np.rint((number - half) / 2.0).astype(np.int64) - 1)
    high = ranked(np.rint((number + half) / 2.0).astype(np.int64))
    last = np.where(use, t, -np.inf).max(axis=1, initial=-np.inf)
    filled = np.where(np.isfinite(middle), middle, 0.0)
    intercept = _median(y - filled[:, None] * t, use)
    level = np.where(number > 0, intercept + filled * np.where(number > 0, last, 0.0), np.nan)
    empty = number == 0
    return np.stack([middle, np.where(empty, np.nan, low), np.where(empty, np.nan, high), level])


def _median(values: Floats, use: Bools) -> Floats:
    """Median of the used values of each row; 0 where none is used."""
    ordered = np.sort(np.where(use, values, np.inf), axis=1)
    count = use.sum(axis=1)
    row = np.arange(len(values))
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, values.shape[1] - 1)
    with np.errstate(invalid="ignore"):
        middle = 0.5 * (ordered[row, low] + ordered[row, high])
    return np.where(count > 0, middle, 0.0)
