"""The points that the trend of one row is laid through."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from app.domain.judging.frame import Bools, DailyMedians, Floats, Integers, SampleFrame
from app.domain.judging.rules.calling.looks import seen_at
from app.domain.judging.rules.change import Changes
from app.domain.judging.rules.levels import GASES

ONLINE_DAYS: Final = 91
"""Daily medians are taken one by one for a quarter of a year, and the weeks before them by their median."""
_WEEK: Final = 7.0


@dataclass(frozen=True)
class TrendPoints:
    """The points of one series up to a row: times (k,) [days], values and detection-limit marks (k, 7)."""

    at: Floats
    values: Floats
    below: Bools


def points_of(frame: SampleFrame, changes: Changes, daily: DailyMedians, row: int) -> TrendPoints:
    """Believed laboratory samples of the baseline; on-line the reading and all daily medians, the older by weeks."""
    if frame.online[row]:
        return _online(frame, daily, row)
    rows = seen_at(frame, changes, row)
    return TrendPoints(frame.at[rows], frame.values[rows, :GASES], frame.below[rows, :GASES])


def _online(frame: SampleFrame, daily: DailyMedians, row: int) -> TrendPoints:
    at = frame.at[row]
    same = (daily.series == frame.series[row]) & (daily.day < np.floor(at))
    day, values = daily.day[same], daily.values[same][:, :GASES]
    old = day < at - ONLINE_DAYS
    week = np.floor((at - day) / _WEEK).astype(np.int64)
    weekly = [_week(day, values, np.flatnonzero(old & (week == w))) for w in np.unique(week[old])[::-1]]
    reading = np.where(frame.below[row, :GASES], np.nan, frame.values[row, :GASES])
    times = np.r_[[time for time, _ in weekly], day[~old] + 0.5, at]
    points = np.vstack([*(medians for _, medians in weekly), values[~old], reading])
    return TrendPoints(times, points, np.zeros(points.shape, dtype=np.bool_))


def _week(day: Floats, values: Floats, rows: Integers) -> tuple[float, Floats]:
    own = values[rows]
    medians = np.full(GASES, np.nan)
    has = ~np.isnan(own).all(axis=0)
    medians[has] = np.nanmedian(own[:, has], axis=0)
    return float(day[rows].mean()) + 0.5, medians
