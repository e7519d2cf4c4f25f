"""The stretch that a pace belongs to: from the last change of rate that the points show."""

from typing import Final, NamedTuple

import numpy as np

from app.domain.judging.frame import Bools, Floats
from app.science.trends.changepoint import change_point
from app.science.trends.rates import DAYS_PER_YEAR, least_squares_rate

FEWEST_AFTER: Final = 4
"""Points that a stretch must have to be one."""
LEAST_MOVED: Final = 0.1
"""Share of the mean level by which a change must have moved the newest point (common practice, no source)."""
_WINDOWS: Final = (8, 11, 16, 23, 32, 45, 64, 91, 128, 181)
_FEWEST: Final = 6


class Stretch(NamedTuple):
    """Result of :func:`last_stretch`; (r,) on the scale of the days given."""

    since: Floats
    """When the rise began: the last change before the stretch that rises, or the first point."""
    flat_since: Floats
    """From when on it does not rise any more; NaN where the last stretch rises."""
    last: Floats
    """When the last stretch began, rising or not."""


def last_stretch(days: Floats, values: Floats, use: Bools, significance: float = 0.05) -> Stretch:
    """Find the last stretch of each series between changes of its rate.

    Args:
        days: times, rising, shape (r, k). [days]
        values: shape (r, k). [any unit]
        use: which points take part, shape (r, k).
        significance: that a change must reach, divided by the windows tried.

    Notes:
        The newest points are looked at first: the likeliest change of rate among the last eight, then the last eleven,
        sixteen and so on to all; the first that is significant, and moved the newest point by a tenth of the mean, is
        the last change. A stretch rises when its slope is above two standard errors, or when it is too short for an
        error. Where the last one does not rise, the rise before it is dated by the change before it, if there is one.

    References:
        1. Windows from the narrowest: after R. Baranowski, Y. Chen and P. Fryzlewicz, narrowest-over-threshold
           detection, J. R. Stat. Soc. B 81, 2019 (from memory); from the end only, ours.
    """
    use = use & np.isfinite(values)
    first = np.where(use, days, np.inf).min(axis=1, initial=np.inf)
    day, _ = _last_change(days, values, use, significance)
    since = np.where(np.isnan(day), first, day)
    rate = least_squares_rate(days, values, use & (days >= since[:, None]))
    error = rate.standard_error_per_year
    flat = (since > first) & np.isfinite(error) & ~(rate.per_year > 2.0 * error)
    began = since.copy()
    rows = np.flatnonzero(flat)
    if rows.size:
        before = use[rows] & (days[rows] <= since[rows, None])
        knee, size = _last_change(days[rows], values[rows], before, significance)
        began[rows] = np.where(size > 0.0, knee, first[rows])
    return Stretch(began, np.where(flat, since, np.nan), since)


def _last_change(days: Floats, values: Floats, use: Bools, significance: float) -> tuple[Floats, Floats]:
    """Time and size of the last significant change of each row; NaN where none is."""
    day, size = np.full(len(days), np.nan), np.full(len(days), np.nan)
    count = use.sum(axis=1)
    newest = np.cumsum(use[:, ::-1], axis=1)[:, ::-1]
    windows = [m for m in _WINDOWS if m < count.max(initial=0)]
    level = significance / (len(windows) + 1)
    for m in [*windows, int(count.max(initial=0))]:
        rows = np.flatnonzero(np.isnan(day) & (count >= _FEWEST))
        if not rows.size:
            break
        found = change_point(days[rows], values[rows], use[rows] & (newest[rows] <= m), margin=FEWEST_AFTER)
        after = (np.where(use[rows], days[rows], -np.inf).max(axis=1) - found.day) / DAYS_PER_YEAR
        mean = np.where(use[rows], np.abs(values[rows]), 0.0).sum(axis=1) / count[rows]
        sure = (found.p < level) & (np.abs(found.size) * after > LEAST_MOVED * mean)
        day[rows[sure]], size[rows[sure]] = found.day[sure], found.size[sure]
    return day, size
