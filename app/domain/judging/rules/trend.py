"""Trend: a robust slope of each gas with its interval and significance, when it began and where it leads.

Costlier than the columnar rules and wanted for few samples (the newest, and those of laboratories), so it is
worked out for one row at a time from the believed points of its series.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from app.domain.findings import Trend
from app.domain.judging.frame import Bools, DailyMedians, Floats, SampleFrame
from app.domain.judging.norms import LONGEST_SPAN_DAYS
from app.domain.judging.rules.change import LABORATORY_ACCURACY, Changes
from app.domain.judging.rules.levels import GASES, Levels
from app.science.oil.volumes import generation_ml_per_day
from app.science.quantities import FAULT_GASES, NORM_GASES
from app.science.trends.censored import akritas_theil_sen
from app.science.trends.changepoint import change_point
from app.science.trends.forecast import acceleration, time_to_limit
from app.science.trends.rates import DAYS_PER_YEAR, least_squares_rate
from app.science.trends.trend import TheilSen, mann_kendall, theil_sen

FEWEST: Final = 4
"""Points below which no robust trend is told."""
SIGNIFICANCE: Final = 0.05
SHORTEST_DAYS: Final = 28.0
"""Samples of a few days share the day's calibration: no rise is told over less than four weeks (common practice)."""
ONLINE_DAYS: Final = 91
"""A robust on-line trend looks back a quarter of a year of daily medians."""
WINDOWS: Final = {"week": 7, "month": 30, "quarter": 91, "baseline": 731}
"""On-line windows [days] for plain slopes of daily medians; the day's comes from the readings themselves."""


class Judged(Protocol):
    """What the trend reads of a judgement."""

    @property
    def frame(self) -> SampleFrame: ...
    @property
    def daily(self) -> DailyMedians: ...
    @property
    def levels(self) -> Levels: ...
    @property
    def changes(self) -> Changes: ...


@dataclass(frozen=True)
class TrendPoints:
    """The points of one series up to a row: times (k,) [days], values and detection-limit marks (k, 7)."""

    at: Floats
    values: Floats
    below: Bools


def points_of(
    frame: SampleFrame, changes: Changes, daily: DailyMedians, row: int, *, days: float = LONGEST_SPAN_DAYS
) -> TrendPoints:
    """Believed laboratory samples of the last two years, or daily medians of the last quarter and today's reading."""
    at = frame.at[row]
    if frame.online[row]:
        same = (daily.series == frame.series[row]) & (daily.day < np.floor(at)) & (daily.day >= at - days)
        times = np.r_[daily.day[same] + 0.5, at]
        values = np.vstack([daily.values[same][:, :GASES], _measured(frame, np.array([row]))])
        return TrendPoints(times, values, np.zeros(values.shape, dtype=np.bool_))
    rows = np.arange(frame.since(row, days), row + 1)
    # what a later sample refuted was still believed when this one was judged only if it is not yet in doubt
    believed = ~changes.dropped[rows] & ~(changes.suspect[rows] & (rows == row) & changes.fell[row].any())
    chosen = rows[believed]
    return TrendPoints(frame.at[chosen], frame.values[chosen, :GASES], frame.below[chosen, :GASES])


def _measured(frame: SampleFrame, rows: NDArray[np.int64]) -> Floats:
    return np.where(frame.below[rows, :GASES], np.nan, frame.values[rows, :GASES])


def judge_trends(judged: Judged, row: int, oil_volume_l: float | None) -> dict[str, Trend]:
    """Trends of the gases that have enough points at one row.

    A gas *rises* when Mann-Kendall is significant after Holm's correction for the fault gases tested at once, the
    interval of the slope lies above zero, and the rise over the span is more than the accuracy of measurement.
    """
    frame, levels, changes, daily = judged.frame, judged.levels, judged.changes, judged.daily
    points = points_of(
        frame, changes, daily, row, days=ONLINE_DAYS if frame.online[row] else LONGEST_SPAN_DAYS
    )
    if not len(points.at):  # a sample that a later one refuted, alone within its two years
        return {}
    valid: Bools = ~np.isnan(points.values).T & ~(points.below.T & ~_any_measured(points))
    days = np.broadcast_to(points.at, valid.shape)
    values, below = np.nan_to_num(points.values.T), points.below.T
    test = mann_kendall(days, values, valid, below)
    robust = theil_sen(days, values, valid)
    censored = akritas_theil_sen(days, values, below, valid) if below.any() else None
    rising: Bools = _rising(test.p, robust.low, robust.per_year, days, values, valid)
    bend = change_point(days, values, valid & ~below)
    curve = acceleration(days, values, valid & ~below)
    found: dict[str, Trend] = {}
    for g, gas in enumerate(NORM_GASES):
        if valid[g].sum() < FEWEST or not np.isfinite(robust.per_year[g]) or not np.isfinite(test.p[g]):
            continue  # too few, or all at one time
        slope = robust.per_year[g]
        if censored is not None and below[g].any() and np.isfinite(censored.per_year[g]):
            slope = censored.per_year[g]
        span = float(np.ptp(points.at[valid[g]]))
        beyond = (
            np.isfinite(curve.standard_error[g])
            and abs(curve.per_year_squared[g]) > 2.0 * curve.standard_error[g]
        )
        began = bool(rising[g]) and bend.p[g] < SIGNIFICANCE and bend.size[g] > 0
        limit = None
        windows = _windows(frame, daily, row, g) if frame.online[row] else {}
        if rising[g]:
            limit = _next_limit(levels, row, g, float(np.fmax(robust.level[g], _reading(frame, row, g))))
        found[gas] = Trend(
            per_year=round(float(slope), 4),
            low=_finite(robust.low[g]),
            high=_finite(robust.high[g]),
            p=round(float(test.p[g]), 5),
            points=int(valid[g].sum()),
            span_days=round(span, 2),
            rising=bool(rising[g]),
            acceleration=round(float(curve.per_year_squared[g]), 4) if beyond else None,
            ml_per_day=None
            if oil_volume_l is None
            else round(float(generation_ml_per_day(slope, oil_volume_l)), 4),
            days_to_limit=None
            if limit is None
            else _days_to(
                robust,
                g,
                limit,
                (days[g][valid[g]], values[g][valid[g]]),
                _Now(_reading(frame, row, g), windows),
            ),
            next_limit=limit,
            began=_iso_day(float(bend.day[g])) if began else None,
            windows=windows,
        )
    return found


def _any_measured(points: TrendPoints) -> Bools:
    """(7, 1) gases with at least one number that is not a limit: only limits make no trend."""
    measured: Bools = np.any(~np.isnan(points.values) & ~points.below, axis=0, keepdims=True)
    return measured.T


def _rising(
    p: Floats,
    low: Floats,
    slope: Floats,
    days: Floats,
    values: Floats,
    valid: Bools,
) -> Bools:
    fault = np.array([gas in FAULT_GASES for gas in NORM_GASES])
    significant = np.where(fault, _holm(np.where(fault, p, np.nan)), _holm(np.where(fault, np.nan, p)))
    span = np.where(valid, days, -np.inf).max(axis=1) - np.where(valid, days, np.inf).min(axis=1)
    count = np.maximum(valid.sum(axis=1), 1)
    mean = np.where(valid, values, 0.0).sum(axis=1) / count
    enough = (
        np.nan_to_num(slope) * np.where(np.isfinite(span), span, 0.0) / DAYS_PER_YEAR
        > LABORATORY_ACCURACY * mean
    )
    # with very few points no interval exists: then the test alone decides
    above = (np.nan_to_num(low, nan=-np.inf) > 0) | ~np.isfinite(low)
    long = np.where(np.isfinite(span), span, 0.0) >= SHORTEST_DAYS
    result: Bools = significant & above & enough & long & (np.nan_to_num(slope) > 0)
    return result


def _holm(p: Floats) -> Bools:
    """Holm's step-down test at 5 % over the numbers given; NaN takes no part."""
    tested = np.flatnonzero(~np.isnan(p))
    passed: Bools = np.zeros(len(p), dtype=np.bool_)
    for rank, index in enumerate(tested[np.argsort(p[tested])]):
        if p[index] > SIGNIFICANCE / (len(tested) - rank):
            break
        passed[index] = True
    return passed


def _reading(frame: SampleFrame, row: int, g: int) -> float:
    return float("nan") if frame.below[row, g] else float(frame.values[row, g])


def _next_limit(levels: Levels, row: int, g: int, level: float) -> float | None:
    for limit in (float(levels.typical[row, g]), float(levels.high[row, g])):
        if np.isfinite(limit) and level < limit:
            return limit
    return None


class _Now(NamedTuple):
    """How a gas stands at the moment: its reading, and its slopes over several windows."""

    reading: float
    windows: Mapping[str, float]


def _days_to(
    robust: TheilSen, g: int, limit: float, points: tuple[Floats, Floats], now: _Now
) -> tuple[float | None, float | None, float | None]:
    """Earliest, central and latest: each slope of the interval is laid through the points at its own level.

    Where the last week or month rises faster than the whole interval, that is where it goes now.
    """
    days, values = points

    def days_of(slope: float) -> float | None:
        level = float(np.median(values - slope * (days - days[-1]) / DAYS_PER_YEAR))
        if now.reading > (1.0 + LABORATORY_ACCURACY) * level:
            level = now.reading  # a straight line lags behind a rise that bends
        return _finite(time_to_limit(level, limit, slope, slope, slope).central)

    low, middle, high = (float(b[g]) for b in (robust.low, robust.per_year, robust.high))
    fastest = max((now.windows.get(name, -np.inf) for name in ("week", "month")), default=-np.inf)
    if fastest > high:
        middle = high = fastest
    return (days_of(high), days_of(middle), days_of(low))


def _finite(value: Floats | float) -> float | None:
    return round(float(value), 2) if np.isfinite(value) else None


def _iso_day(day: float) -> str:
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=day)).date().isoformat()


def _windows(frame: SampleFrame, daily: DailyMedians, row: int, g: int) -> dict[str, float]:
    """Slopes over several windows, told only where they are beyond two standard errors."""
    at, series = frame.at[row], frame.series[row]
    found: dict[str, float] = {}
    for name, length in WINDOWS.items():
        same = (daily.series == series) & (daily.day < np.floor(at)) & (daily.day >= at - length)
        rate = least_squares_rate(daily.day[same], daily.values[same, g], ~np.isnan(daily.values[same, g]))
        error = float(rate.standard_error_per_year)
        if int(rate.points) >= FEWEST and np.isfinite(error) and abs(float(rate.per_year)) > 2.0 * error:
            found[name] = round(float(rate.per_year), 3)
    return found
