"""When did it begin: the date at which a series' rate or level changed, and whether it changed at all."""

from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.measuring.student import two_sided_t_p
from app.science.trends.rates import DAYS_PER_YEAR
from app.science.trends.trend import beside, blocks, flatten

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_MARGIN: Final = 2
"""Points that must lie on each side of a change, unless the caller says otherwise."""
_FEWEST: Final = 6


class ChangePoint(NamedTuple):
    """Result of :func:`change_point`; every array has the leading shape of the input."""

    day: Floats
    """Time of the likeliest change, on the scale of the input [days]; NaN with fewer than six points."""
    size: Floats
    """``bend``: change of the rate [unit/year]; ``step``: change of the level [unit]."""
    p: Floats
    """Probability of so good a fit without any change, at most 1. Not significant: do not name the date."""
    before: Floats
    """Rate before the change [unit/year]."""


def change_point(
    days: ArrayLike,
    values: ArrayLike,
    valid: ArrayLike,
    shape: Literal["bend", "step"] = "bend",
    *,
    margin: int = _MARGIN,
) -> ChangePoint:
    """Most likely date of one change of rate (a broken stick) or of level (a step) in each series.

    Args:
        days: times, rising, shape (..., k). [days]
        values: measured values, shape (..., k). [any unit]
        valid: which points take part, shape (..., k).
        shape: ``bend`` for a change of slope, ``step`` for a jump of the level on one common slope.
        margin: points that must lie on each side of a change, that at the change counting as after it.

    Returns:
        Date, size and significance.

    Raises:
        ValueError: if shape is neither of the two.

    Notes:
        For every measured time c with ``margin`` points before and after it, the line y = a + b t + d f(t - c) is
        fitted by least squares, f(u) = max(u, 0) for a bend, f(u) = [u >= 0] for a step; the c with the least residual
        is the date. Its p value is that of d by an F test with (1, n - 3) degrees of freedom, times the number of
        dates tried (Bonferroni: too large rather than too small). Serial correlation makes p too small: use daily
        medians or samples.

    References:
        1. D. V. Hinkley, Inference in two-phase regression, J. Am. Stat. Assoc. 66, 1971 (broken stick).
        2. The correction for the search: common practice.
    """
    if shape not in ("bend", "step"):
        raise ValueError(f'change_point: shape must be "bend" or "step", got {shape!r}')
    t, y, use, lead = flatten(days, values, valid)
    out = np.full((4, len(t)), np.nan)
    for part in blocks(len(t), t.shape[1]):
        out[:, part] = _search(t[part], y[part], use[part], shape == "step", margin)
    origin = beside(np.asarray(days, dtype=np.float64), lead, t.shape[1])
    first = np.where(use, origin, np.inf).min(axis=1, initial=np.inf)
    per_year = 1.0 if shape == "step" else DAYS_PER_YEAR
    return ChangePoint(
        day=(out[0] + np.where(np.isfinite(first), first, np.nan)).reshape(lead),
        size=(out[1] * per_year).reshape(lead),
        p=out[2].reshape(lead),
        before=(out[3] * DAYS_PER_YEAR).reshape(lead),
    )


def _search(t: Floats, y: Floats, use: Bools, step: bool, margin: int) -> Floats:
    count = use.sum(axis=1)
    n = np.maximum(count, 1)[:, None]
    dt = np.where(use, t - (t.sum(axis=1, keepdims=True) / n), 0.0)
    dy = np.where(use, y - (y.sum(axis=1, keepdims=True) / n), 0.0)
    tt, ty, yy = (dt * dt).sum(axis=1), (dt * dy).sum(axis=1), (dy * dy).sum(axis=1)
    safe_tt = np.where(tt > 0.0, tt, 1.0)
    after = _from_here_on(use.astype(np.float64))
    tried = use & (count[:, None] - after >= margin) & (after >= margin) & _first_of_ties(t, use)
    # what the step or bend adds once level and slope are fitted: both are taken out (Frisch, Waugh, Lovell), so
    # that all candidate dates need one pass and no fit each
    total, ff, ft, fy = _basis_sums(dt, dy, after, step)
    ff = ff - total * total / n - ft * ft / safe_tt[:, None]
    fy = fy - ft * (ty / safe_tt)[:, None]
    # a basis that the slope explains already leaves nothing to divide by
    usable = tried & (ff > 1e-9 * np.maximum(safe_tt, 1.0)[:, None] / n) & (count >= _FEWEST)[:, None]
    gain = np.where(usable, fy * fy / np.where(usable, ff, 1.0), -1.0)
    best = gain.argmax(axis=1)
    row = np.arange(len(t))
    found = gain[row, best] >= 0.0
    d = fy[row, best] / np.where(found, ff[row, best], 1.0)
    slope = (ty - d * ft[row, best]) / safe_tt
    rest = np.maximum(yy - ty * ty / safe_tt - gain[row, best], 0.0)
    # three fitted numbers; times the dates tried (Bonferroni), as the best of many is looked at
    p = _f_tail(gain[row, best], rest, count - 3) * usable.sum(axis=1)
    result = np.stack([t[row, best], d, np.minimum(p, 1.0), slope])
    return np.where(found, result, np.nan)


def _basis_sums(dt: Floats, dy: Floats, after: Floats, step: bool) -> tuple[Floats, Floats, Floats, Floats]:
    """Sums over the points of f, f², f dt and f dy, f being the basis of each candidate.

    A basis is zero before its candidate, so that they come from sums over the points from there on.
    """
    sum_t, sum_y = _from_here_on(dt), _from_here_on(dy)
    if step:
        return after, after, sum_t, sum_y
    sum_tt, sum_ty = _from_here_on(dt * dt), _from_here_on(dt * dy)
    return (
        sum_t - after * dt,
        sum_tt - 2.0 * dt * sum_t + after * dt * dt,
        sum_tt - dt * sum_t,
        sum_ty - dt * sum_y,
    )


def _from_here_on(column: Floats) -> Floats:
    return column[:, ::-1].cumsum(axis=1)[:, ::-1]


def _first_of_ties(t: Floats, use: Bools) -> Bools:
    """Leaves out a time that an earlier column already tries."""
    latest = np.maximum.accumulate(np.where(use, t, -np.inf), axis=1)
    first: Bools = np.ones(t.shape, dtype=np.bool_)
    first[:, 1:] = t[:, 1:] > latest[:, :-1]
    return first


def _f_tail(gain: Floats, rest: Floats, freedom: NDArray[np.int64]) -> Floats:
    """P(F(1, m) > gain m/rest), the square of Student's t."""
    m = np.maximum(freedom, 1).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        score = np.sqrt(np.where(gain > 0.0, m * gain / np.maximum(rest, 0.0), 0.0))
    return two_sided_t_p(score, m)
