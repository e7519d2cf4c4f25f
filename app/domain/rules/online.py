"""On-line series: the guide's tables applied to daily values (our reading; common practice, no source).

Such a series has hundreds of points where the guide has six. A reading is compared with the month that ended a month
before, the rate is the slope of daily medians, and a change is confirmed when a reading a day earlier showed it too.
"""

import numpy as np

from app.domain.frame import DailyMedians, Floats, Integers, SampleFrame
from app.domain.norms import IEEE_2019, SHORT_SPAN_DAYS, SHORTEST_SPAN_DAYS, norms_2019, span_column
from app.domain.rules.change import ACETYLENE, ACETYLENE_FLOOR, FEWEST, Changes, above_delta
from app.domain.rules.levels import GASES, Levels
from app.science.rates import DAYS_PER_YEAR

REFERENCE_GAP_DAYS = 30.0
"""An on-line reading is compared with the month that ended this many days earlier."""
REFERENCE_LENGTH_DAYS = 30.0
REFERENCE_FEWEST_DAYS = 7
ONLINE_FEWEST_DAYS = 30
"""Days with a median that an on-line rate needs (common practice, no source)."""
CONFIRM_AFTER_DAYS = 1.0
"""On-line, a change is confirmed when a reading a day earlier already showed it."""


def judge_online(frame: SampleFrame, levels: Levels, daily: DailyMedians, out: Changes) -> None:
    """On-line samples: the reading against the month that ended a month ago, and the slope of daily medians.

    Only whole days before the sample's own are used, so a judgement does not depend on what came later.
    """
    rows = np.flatnonzero(frame.online)
    sums = _PrefixSums(daily)
    at, series = frame.at[rows], frame.series[rows]
    today = np.floor(at)
    value = np.where(frame.below[rows, :GASES], np.nan, frame.values[rows, :GASES])

    end = today - REFERENCE_GAP_DAYS
    days, mean = sums.mean(series, end - REFERENCE_LENGTH_DAYS, end)
    reference = np.where(days >= REFERENCE_FEWEST_DAYS, mean, np.nan)
    delta = value - reference
    delta_exceeds = above_delta(delta, reference, levels.side[rows], 0.0, ACETYLENE_FLOOR)

    rate, error, span, count, level = sums.slope(series, today - SHORT_SPAN_DAYS, today)
    given = (span >= SHORTEST_SPAN_DAYS) & (count >= ONLINE_FEWEST_DAYS)
    rate, span, count = (
        np.where(given, rate, np.nan),
        np.where(given, span, np.nan),
        np.where(given, count, 0),
    )
    limit = norms_2019().rate[levels.side[rows][:, None], span_column(span), np.arange(GASES)]
    significant = rate - 2.0 * error > 0
    rate_exceeds = (rate > limit) & significant
    rise = rate[:, ACETYLENE] * span[:, ACETYLENE] / DAYS_PER_YEAR
    rate_exceeds[:, ACETYLENE] &= rise > np.maximum(ACETYLENE_FLOOR, 0.1 * level[:, ACETYLENE])

    has_tables = ((levels.norm_set[rows] == IEEE_2019) & (levels.barred[rows] == 0))[:, None]
    delta_exceeds &= has_tables
    rate_exceeds &= has_tables
    exceeds = delta_exceeds | rate_exceeds
    earlier = _a_day_earlier(series, at)
    confirmed_gas = exceeds & np.where((earlier >= 0)[:, None], exceeds[earlier], False)
    confirmed = confirmed_gas.any(axis=1)
    out.reference[rows], out.delta[rows], out.delta_exceeds[rows] = reference, delta, delta_exceeds
    out.rate[rows], out.rate_span[rows], out.rate_points[rows] = rate, span, count
    out.rate_limit[rows], out.rate_exceeds[rows] = limit, rate_exceeds
    out.suspect[rows] = exceeds.any(axis=1) & ~confirmed
    out.confirmed[rows] = confirmed


def online_baseline(frame: SampleFrame, daily: DailyMedians) -> Floats:
    """(n, 7) what an on-line gas stood at nine months before: the mean of a month of daily medians.

    NaN where there are too few, and for laboratory samples. It does not depend on where a window begins.
    """
    found = np.full((len(frame), GASES), np.nan)
    rows = np.flatnonzero(frame.online)
    begin = np.floor(frame.at[rows]) - SHORT_SPAN_DAYS
    days, mean = _PrefixSums(daily).mean(frame.series[rows], begin, begin + REFERENCE_LENGTH_DAYS)
    found[rows] = np.where(days >= REFERENCE_FEWEST_DAYS, mean, np.nan)
    return found


def _a_day_earlier(series: Integers, at: Floats) -> Integers:
    """Index of the newest sample of the same series at least a day and at most three days older, or -1."""
    key = series.astype(np.float64) * 1e6 + at  # days since 1970 stay far below a million
    index = np.searchsorted(key, key - CONFIRM_AFTER_DAYS + 1e-9, side="right") - 1
    found = index >= 0
    ok = found & (series[index] == series) & (at - at[index] <= 3.0)
    return np.where(ok, index, -1).astype(np.int64)


class _PrefixSums:
    """Running sums of daily medians, so that any window of any series costs the same."""

    def __init__(self, daily: DailyMedians) -> None:
        self._key = daily.series.astype(np.float64) * 1e6 + daily.day
        y = daily.values[:, :GASES]
        known = ~np.isnan(y)
        # times and values are centred per series: the sums of squares then keep their digits
        first = np.flatnonzero(np.r_[True, np.diff(daily.series) != 0]) if len(y) else np.zeros(0, np.int64)
        lengths = np.diff(np.r_[first, len(y)])
        self._series = daily.series[first]
        self._origin = daily.day[first] if len(y) else np.zeros(0)
        totals = np.add.reduceat(np.where(known, y, 0.0), first, axis=0) if len(y) else np.zeros((0, GASES))
        counts = np.add.reduceat(known, first, axis=0) if len(y) else np.zeros((0, GASES))
        self._centre = totals / np.maximum(counts, 1)
        x = (daily.day - np.repeat(self._origin, lengths))[:, None] * known
        dy = np.where(known, y - np.repeat(self._centre, lengths, axis=0), 0.0)
        self._day = daily.day
        rows = np.arange(len(y))[:, None]
        # of every gas: the first row with a median at or after a row, and the last one before it
        end = np.full((1, GASES), len(y))
        ahead = np.where(known, rows, len(y))[::-1]
        self._next = np.concatenate([np.minimum.accumulate(ahead, axis=0)[::-1], end])
        self._previous = np.concatenate(
            [-np.ones((1, GASES), np.int64), np.maximum.accumulate(np.where(known, rows, -1), axis=0)]
        )
        compared = daily.references()[:, :GASES]
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
