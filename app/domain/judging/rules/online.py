"""On-line series: the guide's tables applied to daily values (our reading; common practice, no source).

Such a series has hundreds of points where the guide has six. A reading is compared with the month that ended a month
before, the rate is the slope of daily medians, and a change is confirmed when a reading a day earlier showed it too.
"""

import numpy as np

from app.domain.judging.frame import DailyMedians, Floats, Integers, SampleFrame
from app.domain.judging.norms import IEEE_2019, SHORT_SPAN_DAYS, SHORTEST_SPAN_DAYS, norms_2019, span_column
from app.domain.judging.rules.change import ACETYLENE, ACETYLENE_FLOOR, Changes, above_delta
from app.domain.judging.rules.levels import GASES, Levels
from app.science.trends.rates import DAYS_PER_YEAR

REFERENCE_GAP_DAYS = 30.0
"""An on-line reading is compared with the month that ended this many days earlier."""
REFERENCE_LENGTH_DAYS = 30.0
REFERENCE_FEWEST_DAYS = 7
ONLINE_FEWEST_DAYS = 30
"""Days with a median that an on-line rate needs (common practice, no source)."""
CONFIRM_AFTER_DAYS = 1.0
"""On-line, a change is confirmed when a reading a day earlier already showed it: the newest that is so much older,"""
CONFIRM_WITHIN_DAYS = 3.0
"""and at most so much. Of a series no other reading has a part in how one is judged; the rest is in the days."""


def judge_online(frame: SampleFrame, levels: Levels, daily: DailyMedians, out: Changes) -> None:
    """On-line samples: the reading against the month that ended a month ago, and the slope of daily medians.

    Only whole days before the sample's own are used, so a judgement does not depend on what came later.
    """
    rows = np.flatnonzero(frame.online)
    sums = daily.sums
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
    out.borne_out[rows] = rate_exceeds  # none exceeds whose slope does not stand out of its own scatter
    out.rate_low[rows], out.rate_high[rows] = rate - 2.0 * error, rate + 2.0 * error
    out.suspect[rows] = exceeds.any(axis=1) & ~confirmed
    out.confirmed[rows] = confirmed


def online_baseline(frame: SampleFrame, daily: DailyMedians) -> Floats:
    """(n, 7) what an on-line gas stood at nine months before: the mean of a month of daily medians.

    NaN where there are too few, and for laboratory samples. It does not depend on where a window begins.
    """
    found = np.full((len(frame), GASES), np.nan)
    rows = np.flatnonzero(frame.online)
    begin = np.floor(frame.at[rows]) - SHORT_SPAN_DAYS
    days, mean = daily.sums.mean(frame.series[rows], begin, begin + REFERENCE_LENGTH_DAYS)
    found[rows] = np.where(days >= REFERENCE_FEWEST_DAYS, mean, np.nan)
    return found


def _a_day_earlier(series: Integers, at: Floats) -> Integers:
    """Index of the newest sample of the same series at least a day and at most three days older, or -1."""
    key = series.astype(np.float64) * 1e6 + at  # days since 1970 stay far below a million
    index = np.searchsorted(key, key - CONFIRM_AFTER_DAYS + 1e-9, side="right") - 1
    found = index >= 0
    ok = found & (series[index] == series) & (at - at[index] <= CONFIRM_WITHIN_DAYS)
    return np.where(ok, index, -1).astype(np.int64)
