"""One test of several gases at once: does their common score rise?

Gases of one sample share a bottle and a run, so they are not independent. Whole samples are put in another order and
each keeps its gases together: that holds whatever the correlation.
"""

from collections.abc import Callable
from functools import lru_cache
from itertools import permutations
from typing import Final

import numpy as np

from app.science.measuring.student import upper_t_p
from app.science.trends.trend import Bools, Floats, Integers

FEWEST: Final = 4
MOST_ENUMERATED: Final = 7
"""Points up to which every order is tried (5,040 of seven)."""
MOST_DRAWN: Final = 30
"""Points up to which orders are drawn where Student's t does not settle it."""
DRAWN: Final = 2000
SEED: Final = 57104
_LOOSE: Final = 0.3
"""Where t says more than this no order is tried: the answer is no."""
_NEAR: Final = (0.0005, 0.1)
"""Student's t is checked by drawn orders between these."""
_CELLS: Final = 2_000_000
_LOW, _HIGH = 3.0, 6.0
_LEAST_SPREAD: Final = 0.05


def winsorized(y: Floats, laboratory: Integers, use: Bools) -> Floats:
    """Scores with what lies far out drawn in, so that one leaked bottle or one slip does not decide.

    Args:
        y: scores, natural logarithms, shape (r, k).
        laboratory: number of the laboratory of each point, from 0, shape (r, k).
        use: which points take part, shape (r, k).

    Returns:
        Scores less the median of their laboratory, not further from it than -3 and +6 robust standard deviations
        (1.4826 times the median of the absolute values, at least 5 %), 0 where not in use.

    Notes:
        The bounds do not look at the order of the points, so a permutation test of the result stays exact. The upper
        one is wider: a rise is what is looked for, and lost gas is the commoner slip (common practice, no source).
    """
    centred = np.where(use, y - _by_laboratory(y, laboratory, use, _masked_median), 0.0)
    spread = 1.4826 * _masked_median(np.abs(centred), use)
    bound = np.maximum(np.nan_to_num(spread), _LEAST_SPREAD)[:, None]
    clipped: Floats = np.where(use, np.clip(centred, -_LOW * bound, _HIGH * bound), 0.0)
    return clipped


def joint_rise(days: Floats, y: Floats, laboratory: Integers, use: Bools) -> Floats:
    """One-sided probability of so steep a rise of the scores when their order says nothing.

    Args:
        days: times, shape (r, k). [days]
        y: scores, shape (r, k).
        laboratory: number of the laboratory of each point, from 0, shape (r, k).
        use: which points take part, shape (r, k).

    Returns:
        (r,) probabilities; NaN with fewer than four points or where no laboratory has two times.

    Notes:
        The statistic is sum (t - mean t) y, means taken within each laboratory; the probability is the share of the
        orders of whole samples, each laboratory's among themselves, that reach it. Up to seven points all orders are
        tried. Beyond that it is Student's t with n - laboratories - 1 degrees of freedom, and where that lies between
        0.0005 and 0.1 and up to 30 points, 2,000 seeded orders: (reached + 1)/2001.

    References:
        1. R. Dietz and T. J. Killeen, J. Am. Stat. Assoc. 76, 1981; R. M. Hirsch and J. R. Slack, Water Resources
           Research 20, 1984: joint tests of correlated series (both from memory).
        2. The score and its permutation: common practice, no source; size and power in docs/decisions/trend.md.
    """
    t = np.where(use, days - _by_laboratory(days, laboratory, use, _masked_mean), 0.0)
    z = np.where(use, y - _by_laboratory(y, laboratory, use, _masked_mean), 0.0)
    count = use.sum(axis=1)
    p = _by_t(t, z, count - _laboratories(laboratory, use) - 1)
    p[(count < FEWEST)] = np.nan
    enumerated = (count <= MOST_ENUMERATED) & (p <= _LOOSE)
    drawn = (count > MOST_ENUMERATED) & (count <= MOST_DRAWN) & (p >= _NEAR[0]) & (p < _NEAR[1])
    for k in np.unique(count[enumerated | drawn]).tolist():
        rows = np.flatnonzero((count == k) & (enumerated | drawn))
        order = np.argsort(~use[rows], axis=1, kind="stable")[:, :k]
        part = [np.take_along_axis(column[rows], order, axis=1) for column in (t, z, laboratory)]
        p[rows] = _by_orders(part[0], part[1], part[2].astype(np.int64))
    return p


def _by_t(t: Floats, z: Floats, freedom: Integers) -> Floats:
    tt, tz, zz = (t * t).sum(axis=1), (t * z).sum(axis=1), (z * z).sum(axis=1)
    has = (tt > 0.0) & (freedom >= 1)
    safe = np.where(has, tt, 1.0)
    rest = np.maximum(zz - tz * tz / safe, 1e-12 * np.maximum(zz, 1e-300))
    score = tz / np.sqrt(safe * rest / np.maximum(freedom, 1))
    flat = zz <= 1e-18  # all equal: any order reaches it
    return np.where(has, np.where(flat, 1.0, upper_t_p(score, np.maximum(freedom, 1))), np.nan)


def _by_orders(t: Floats, z: Floats, laboratory: Integers) -> Floats:
    """Shares of the orders that reach the statistic, for rows that all have the same number of points."""
    p = np.ones(len(t))
    patterns, which = np.unique(laboratory, axis=0, return_inverse=True)
    for number, pattern in enumerate(patterns.tolist()):
        base, orders, drawn = _orders(tuple(pattern))
        rows = np.flatnonzero(which.ravel() == number)
        step = max(1, _CELLS // orders.size)
        for first in range(0, len(rows), step):
            some = rows[first : first + step]
            reached = np.einsum("rpk,rk->rp", z[some][:, orders], t[some][:, base])
            own = (z[some] * t[some]).sum(axis=1)
            slack = 1e-9 * np.abs(z[some]).max(axis=1) * np.abs(t[some]).max(axis=1)
            hits = (reached >= (own - slack)[:, None]).sum(axis=1)
            p[some] = (hits + drawn) / (len(orders) + drawn)
    return p


@lru_cache(maxsize=256)
def _orders(laboratory: tuple[int, ...]) -> tuple[Integers, Integers, int]:
    """Places of the points laboratory by laboratory, the points put there by each order, and 1 if these are drawn."""
    codes = np.array(laboratory, dtype=np.int64)
    base = np.argsort(codes, kind="stable").astype(np.int64)
    if len(codes) <= MOST_ENUMERATED:
        every = np.array(list(permutations(range(len(codes)))), dtype=np.int64)
        return base, every[(codes[every] == codes[base]).all(axis=1)], 0
    keys = np.random.default_rng(SEED).random((DRAWN, len(codes)))
    return base, np.argsort(codes + keys, axis=1).astype(np.int64), 1


def _laboratories(laboratory: Integers, use: Bools) -> Integers:
    count = np.zeros(len(use), dtype=np.int64)
    for code in range(int(laboratory.max(initial=0)) + 1):
        count += ((laboratory == code) & use).any(axis=1)
    return count


def _by_laboratory(
    y: Floats, laboratory: Integers, use: Bools, centre: Callable[[Floats, Bools], Floats]
) -> Floats:
    found = np.zeros(y.shape)
    for code in range(int(laboratory.max(initial=0)) + 1):
        own = use & (laboratory == code)
        found = np.where(own, centre(y, own)[:, None], found)
    return found


def _masked_mean(y: Floats, use: Bools) -> Floats:
    mean: Floats = np.where(use, y, 0.0).sum(axis=1) / np.maximum(use.sum(axis=1), 1)
    return mean


def _masked_median(y: Floats, use: Bools) -> Floats:
    ordered = np.sort(np.where(use, y, np.inf), axis=1)
    count = np.maximum(use.sum(axis=1), 1)
    row = np.arange(len(y))
    middle: Floats = 0.5 * (ordered[row, (count - 1) // 2] + ordered[row, count // 2])
    return np.where(use.any(axis=1), middle, 0.0)
