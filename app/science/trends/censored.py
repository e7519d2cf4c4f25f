"""Trends of values of which some are only known to be below a detection limit.

"<5" is not 5, not 0 and not 2.5: what is certain about it enters, nothing else.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from app.science.measuring.normal import two_sided_quantile
from app.science.trends.rates import DAYS_PER_YEAR
from app.science.trends.trend import (
    Bools,
    Floats,
    Integers,
    beside,
    blocks,
    flatten,
    kendall_variance,
    pair_scores,
)

_HALVINGS: Final = 60


class CensoredRate(NamedTuple):
    """Result of :func:`akritas_theil_sen`; every array has the leading shape of the input."""

    per_year: Floats
    """[unit/year]; NaN where the points do not bound a slope on both sides (from "<5" to 6 is not a rate)."""
    low: Floats
    """Lower end of the interval [unit/year]; -infinity where nothing bounds it."""
    high: Floats
    """Upper end [unit/year]; infinity likewise."""
    points: Integers
    measured: Integers
    """How many of the points are measured values."""


def akritas_theil_sen(
    days: ArrayLike, values: ArrayLike, below: ArrayLike, valid: ArrayLike, confidence: float = 0.95
) -> CensoredRate:
    """Slope of data with any number of detection limits: the slope that leaves no rank correlation.

    Args:
        days: times, shape (..., k). [days]
        values: measured values, or the limit where below, shape (..., k). [any unit]
        below: where the number is a detection limit, shape (..., k).
        valid: which points take part, shape (..., k); points with NaN never do.
        confidence: of the interval, between 0 and 1.

    Returns:
        Slope, interval, number of points and of measured ones.

    Raises:
        ValueError: if confidence is not between 0 and 1.

    Notes:
        For a trial slope b the residuals y - b t are ordered as far as censoring lets them, and Kendall's S between
        them and time is taken; S falls as b rises. The slope is the middle between where S leaves positive and where
        it becomes negative; the interval is where |S| stays within z times its standard deviation, taken as if every
        value were measured. Both are found by bisection. Without censored values it is the Theil-Sen slope. Seen in
        simulation (6 to 24 points, none to half censored): an interval of 95 % holds the true slope in 94-99.8 % of
        series. It is too wide rather than too narrow, and often open with six points of which two are censored.

    References:
        1. M. G. Akritas, S. A. Murphy, M. P. LaValley, The Theil-Sen estimator with doubly censored data and
           applications to astronomy, J. Am. Stat. Assoc. 90, 1995.
        2. Holbert, 2021 (its use for several detection limits).
    """
    z = two_sided_quantile(confidence)
    t, y, use, shape = flatten(days, values, valid)
    censored = beside(np.asarray(below, dtype=np.bool_), shape, t.shape[1]) & use
    out = np.full((3, len(t)), np.nan)
    for part in blocks(len(t), 4 * t.shape[1] ** 2):
        out[:, part] = _solve(_Pairs(t[part], y[part], use[part], censored[part]), z)
    measured = (use & ~censored).sum(axis=1)
    out[:, measured == 0] = np.nan
    slope, low, high = (row.reshape(shape) * DAYS_PER_YEAR for row in out)
    return CensoredRate(
        np.asarray(slope),
        np.asarray(low),
        np.asarray(high),
        use.sum(axis=1).reshape(shape),
        measured.reshape(shape),
    )


class _Pairs:
    """The trial slopes at which a pair stops being certainly rising, and starts being certainly falling."""

    def __init__(self, t: Floats, y: Floats, use: Bools, below: Bools) -> None:
        first, second = np.triu_indices(t.shape[1], 1)
        dt = t[:, second] - t[:, first]
        swap = dt < 0.0
        early = np.where(swap, second, first)
        late = np.where(swap, first, second)
        row = np.arange(len(t))[:, None]
        counts = use[row, early] & use[row, late] & (dt != 0.0)
        slope = np.divide(y[row, late] - y[row, early], np.abs(dt), out=np.zeros(dt.shape), where=counts)
        # rising: the late value is measured and above the early one (or above its limit); falling likewise
        # a residual y - b t rises from early to late just where b is below the slope of the pair; a value "below L" can
        # only be certainly lower than something, so it bounds one side
        self.rises_below = np.where(counts & ~below[row, late], slope, -np.inf)
        self.falls_above = np.where(counts & ~below[row, early], slope, np.inf)
        spread = np.where(counts, np.abs(slope), 0.0).max(axis=1, initial=0.0)
        # beyond the steepest pair S does not change any more: a bracket for the bisection
        self.reach = 2.0 * spread + 1e-9
        self.t, self.y, self.use, self.below = t, y, use, below

    def s(self, b: Floats) -> Floats:
        """Kendall's S of the residuals of slopes b, shape (batch,)."""
        rising = (self.rises_below > b[:, None]).sum(axis=1)
        falling = (self.falls_above < b[:, None]).sum(axis=1)
        return np.asarray(rising - falling, dtype=np.float64)

    def last_above(self, level: Floats) -> Floats:
        """The slope up to which S stays above a level: infinite where it always or never is."""
        low, high = -self.reach, self.reach.copy()
        never, always = self.s(low) <= level, self.s(high) > level
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            above = self.s(middle) > level
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        return np.where(never, -np.inf, np.where(always, np.inf, 0.5 * (low + high)))

    def first_below(self, level: Floats) -> Floats:
        """The slope from which S stays below a level."""
        low, high = -self.reach, self.reach.copy()
        always, never = self.s(low) < level, self.s(high) >= level
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            under = self.s(middle) < level
            low, high = np.where(under, low, middle), np.where(under, middle, high)
        return np.where(always, -np.inf, np.where(never, np.inf, 0.5 * (low + high)))


def _solve(pairs: _Pairs, z: float) -> Floats:
    zero = np.zeros(len(pairs.t))
    begin, end = pairs.last_above(zero), pairs.first_below(zero)
    bounded = np.isfinite(begin) & np.isfinite(end)
    slope = np.where(bounded, 0.5 * (np.where(bounded, begin, 0.0) + np.where(bounded, end, 0.0)), np.nan)
    residual = pairs.y - np.nan_to_num(slope)[:, None] * pairs.t
    # with the ties that censoring makes in the scores, an interval of 95 % held the true slope in only 87-92 %
    measured = np.zeros_like(pairs.below)
    times, scores = pair_scores(pairs.t, residual, pairs.use, measured)
    half = z * np.sqrt(kendall_variance(times, scores, pairs.use.sum(axis=1)))
    low = pairs.last_above(half)
    high = pairs.first_below(-half)
    return np.stack([slope, low, high])
