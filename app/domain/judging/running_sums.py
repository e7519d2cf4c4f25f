"""Running sums of daily medians: means and slopes of any window of any series at the same cost."""

import numpy as np
from numpy.typing import NDArray

from app.science.quantities import NORM_GASES
from app.science.trends.rates import DAYS_PER_YEAR

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

GASES = len(NORM_GASES)
FEWEST = 3
"""Days that a slope needs."""


class RunningSums:
    """Running sums of daily medians, so that any window of any series costs the same."""

    def __init__(self, series: Integers, day: Floats, medians: Floats, compared: Floats) -> None:
        """``medians`` and ``compared`` (medians, or their limits) are (d, 7)."""
        self._key = series.astype(np.float64) * 1e6 + day
        y = medians
        known = ~np.isnan(y)
        # times and values are centred per series: the sums of squares then keep their digits
        first = np.flatnonzero(np.r_[True, np.diff(series) != 0]) if len(y) else np.zeros(0, np.int64)
        lengths = np.diff(np.r_[first, len(y)])
        self._series = series[first]
        self._origin = day[first] if len(y) else np.zeros(0)
        totals = np.add.reduceat(np.where(known, y, 0.0), first, axis=0) if len(y) else np.zeros((0, GASES))
        counts = np.add.reduceat(known, first, axis=0) if len(y) else np.zeros((0, GASES))
        self._centre = totals / np.maximum(counts, 1)
        x = (day - np.repeat(self._origin, lengths))[:, None] * known
        dy = np.where(known, y - np.repeat(self._centre, lengths, axis=0), 0.0)
        self._day = day
        rows = np.arange(len(y))[:, None]
        # of every gas: the first row with a median at or after a row, and the last one before it
        end = np.full((1, GASES), len(y))
        ahead = np.where(known, rows, len(y))[::-1]
        self._next = np.concatenate([np.minimum.accumulate(ahead, axis=0)[::-1], end])
        self._previous = np.concatenate(
            [-np.ones((1, GASES), np.int64), np.maximum.accumulate(np.where(known, rows, -1), axis=0)]
        )
        comparable = ~np.isnan(compared)
        self._compared = [
            self._running(c) for c in (comparable.astype(np.float64), np.where(comparable, compared, 0.0))
        ]
        self._sums = [self._running(c) for c in (known.astype(np.float64), x, dy, x * x, x * dy, dy * dy)]

    @staticmethod
    def _running(column: Floats) -> Floats:
        return np.concatenate([np.zeros((1, column.shape[1])), np.cumsum(column, axis=0)])

    def _window(self, series: Integers, begin: Floats, end: Floats) -> tuple[Integers, Integers, Integers]:
        """First row, row after the last, and series number, of the days begin <= day < end."""
        base = series.astype(np.float64) * 1e6
        low = np.searchsorted(self._key, base + np.maximum(begin, 0.0), side="left")
        high = np.searchsorted(self._key, base + np.maximum(end, 0.0), side="left")
        which = np.searchsorted(self._series, series)
        return low, np.maximum(high, low), np.minimum(which, max(len(self._series) - 1, 0))

    def mean(self, series: Integers, begin: Floats, end: Floats) -> tuple[Floats, Floats]:
        """Number of days and mean of what can be compared with in a window: medians, or their limits."""
        low, high, _ = self._window(series, begin, end)
        count, total = (sums[high] - sums[low] for sums in self._compared)
        return count, np.divide(total, count, out=np.full(count.shape, np.nan), where=count > 0)

    def slope(
        self, series: Integers, begin: Floats, end: Floats
    ) -> tuple[Floats, Floats, Floats, Integers, Floats]:
        """Least-squares slope per year, its standard error, span [days], number of days, mean level."""
        low, high, which = self._window(series, begin, end)
        n, sx, sy, sxx, sxy, syy = (s[high] - s[low] for s in self._sums)
        points = np.maximum(n, 1.0)
        xx, xy, yy = sxx - sx * sx / points, sxy - sx * sy / points, syy - sy * sy / points
        valid = (n >= FEWEST) & (xx > 0.5)
        slope = np.divide(xy, xx, out=np.full(n.shape, np.nan), where=valid)
        residual = np.maximum(yy - np.nan_to_num(slope) * xy, 0.0)
        error = np.sqrt(np.divide(residual, (n - 2) * xx, out=np.full(n.shape, np.nan), where=valid))
        span = self._span(low, high)
        level = sy / points + (self._centre[which] if len(self._centre) else 0.0)
        return slope * DAYS_PER_YEAR, error * DAYS_PER_YEAR, span, n.astype(np.int64), level

    def _span(self, low: Integers, high: Integers) -> Floats:
        """(r, 7) days between the first and the last median of each gas in the windows; 0 without two."""
        if not len(self._day):
            return np.zeros((len(low), GASES))
        day = np.r_[self._day, np.inf]
        first, last = day[self._next[low]], day[self._previous[high]]
        inside = (self._next[low] < high[:, None]) & (self._previous[high] >= low[:, None])
        return np.where(inside, np.where(inside, last, 0.0) - np.where(inside, first, 0.0), 0.0)
