"""Trend: at what pace each gas changes since the last change of pace, whether it rises, and where that leads.

Costlier than the columnar rules and wanted for few samples (the newest, and those of laboratories), so it is
worked out for one row at a time from the believed points of its whole baseline.
"""

from datetime import UTC, datetime, timedelta
from typing import Final, NamedTuple, Protocol

import numpy as np

from app.domain.findings import Trend
from app.domain.judging.frame import Bools, DailyMedians, Floats, SampleFrame
from app.domain.judging.rules.calling.evidence import SHORTEST_DAYS, counted_values, usual_limits
from app.domain.judging.rules.calling.points import ONLINE_DAYS, TrendPoints, points_of
from app.domain.judging.rules.calling.stretch import Stretch, last_stretch
from app.domain.judging.rules.change import LABORATORY_ACCURACY, Changes
from app.domain.judging.rules.levels import GASES, Levels
from app.domain.judging.rules.trend_calls import TrendCalls
from app.science.measuring.uncertainty import LABORATORY_RELATIVE_SD
from app.science.oil.volumes import generation_ml_per_day
from app.science.quantities import FAULT_GASES, NORM_GASES
from app.science.trends.censored import akritas_theil_sen
from app.science.trends.crossing import crossing
from app.science.trends.forecast import acceleration
from app.science.trends.rates import DAYS_PER_YEAR, least_squares_rate
from app.science.trends.trend import mann_kendall, theil_sen

FEWEST: Final = 4
"""Points below which no robust trend is told."""
SIGNIFICANCE: Final = 0.05
CHANGE: Final = {False: 0.01, True: 0.001}
"""Of a change of pace, by laboratory and on-line: daily medians are not independent of one another."""
WINDOWS: Final = {"week": 7, "month": 30, "quarter": 91, "baseline": 731}
"""On-line windows [days] for plain slopes of daily medians."""
_FAULT: Final = np.array([gas in FAULT_GASES for gas in NORM_GASES])


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
    @property
    def trend_calls(self) -> TrendCalls: ...


class _Fit(NamedTuple):
    """Lines of the seven gases through the points of their last stretch; ``days``, ``values``: (7, k)."""

    days: Floats
    values: Floats
    used: Bools
    """In the stretch."""
    slope: Floats
    low: Floats
    high: Floats
    level: Floats
    stretch: Stretch


def judge_trends(judged: Judged, row: int, oil_volume_l: float | None) -> dict[str, Trend]:
    """Trends of the gases that have enough points at one row.

    Slope, gas made and time to the limit belong to the stretch after the last change of pace that the points show.
    Whether a laboratory's gas rises is what :mod:`.trend_calls` says of the whole baseline, as long as the last
    stretch rises still.
    """
    points = points_of(judged.frame, judged.changes, judged.daily, row)
    online = bool(judged.frame.online[row])
    valid: Bools = ~np.isnan(points.values).T & ~(points.below.T & ~_any_measured(points))
    if not valid.any():
        return {}
    fit = _fit(points, valid, online)
    p, rising = _online_rise(fit, valid) if online else _laboratory_rise(judged, row, fit)
    curve = acceleration(fit.days, fit.values, fit.used & ~points.below.T)
    bends = np.abs(curve.per_year_squared) > 2.0 * curve.standard_error
    reach = _reach(judged, row, fit, rising)
    first = np.where(valid, fit.days, np.inf).min(axis=1)
    found: dict[str, Trend] = {}
    for g, gas in enumerate(NORM_GASES):
        if valid[g].sum() < FEWEST or not np.isfinite(fit.slope[g]) or np.isnan(p[g]):
            continue  # too few, or all at one time
        slope, since = float(fit.slope[g]), float(fit.stretch.last[g])
        changed = since > first[g]
        found[gas] = Trend(
            per_year=round(slope, 4),
            low=_finite(fit.low[g]),
            high=_finite(fit.high[g]),
            p=round(float(p[g]), 5),
            points=int(fit.used[g].sum()),
            span_days=round(float(np.ptp(fit.days[g][fit.used[g]])), 2),
            rising=bool(rising[g]),
            since=_iso_day(since),
            began=_iso_day(since) if changed and rising[g] else None,
            acceleration=round(float(curve.per_year_squared[g]), 4) if bends[g] else None,
            ml_per_day=None
            if oil_volume_l is None
            else round(float(generation_ml_per_day(slope, oil_volume_l)), 4),
            days_to_limit=reach[g].days,
            not_before_days=reach[g].not_before,
            next_limit=reach[g].limit,
            windows=_windows(judged.frame, judged.daily, row, g)
            if online
            else _whole(fit, g, valid[g] & ~points.below[:, g], changed),
        )
    return found


def _any_measured(points: TrendPoints) -> Bools:
    """(7, 1) gases with at least one number that is not a limit: only limits make no trend."""
    measured: Bools = np.any(~np.isnan(points.values) & ~points.below, axis=0, keepdims=True)
    return measured.T


def _fit(points: TrendPoints, valid: Bools, online: bool) -> _Fit:
    days = np.broadcast_to(points.at, valid.shape)
    values, below = np.nan_to_num(points.values.T), points.below.T
    counted = counted_values(points.values, points.below).T
    stretch = last_stretch(days, np.nan_to_num(counted), valid & ~np.isnan(counted), CHANGE[online])
    used: Bools = valid & (days >= np.where(np.isfinite(stretch.last), stretch.last, -np.inf)[:, None])
    robust = theil_sen(days, values, used)
    slope, low, high = robust.per_year.copy(), robust.low, robust.high
    if below.any():
        censored = akritas_theil_sen(days, values, below, used)
        better = np.any(below & used, axis=1) & np.isfinite(censored.per_year)
        slope, low, high = (
            np.where(better, one, other) for one, other in zip(censored[:3], (slope, low, high), strict=True)
        )
    return _Fit(days, values, used, slope, low, high, robust.level, stretch)


def _laboratory_rise(judged: Judged, row: int, fit: _Fit) -> tuple[Floats, Bools]:
    """What is called; where all are called together, the fault gases that also rise by themselves at 5 %."""
    calls = judged.trend_calls
    p = calls.gas_p[row]
    together = calls.called_joint[row] & _FAULT & (np.nan_to_num(p, nan=1.0) <= SIGNIFICANCE)
    still = np.isnan(fit.stretch.flat_since) & (np.nan_to_num(fit.slope) > 0.0)
    rising: Bools = (calls.called[row] | together) & still
    return p, rising


def _online_rise(fit: _Fit, valid: Bools) -> tuple[Floats, Bools]:
    """Mann-Kendall over the last stretch, or a quarter of a year, at 5 % after Holm's correction for the gases tested.

    The interval of the slope must lie above zero, and the rise be more than the accuracy over four weeks or more.
    """
    recent = fit.days >= fit.days.max(axis=1, keepdims=True) - ONLINE_DAYS
    test = mann_kendall(fit.days, fit.values, valid & recent & fit.used)
    p = test.p
    significant = np.where(_FAULT, _holm(np.where(_FAULT, p, np.nan)), _holm(np.where(_FAULT, np.nan, p)))
    used = fit.used
    span = np.where(used, fit.days, -np.inf).max(axis=1) - np.where(used, fit.days, np.inf).min(axis=1)
    span = np.where(np.isfinite(span), span, 0.0)
    mean = np.where(used, fit.values, 0.0).sum(axis=1) / np.maximum(used.sum(axis=1), 1)
    slope = np.nan_to_num(fit.slope)
    enough = slope * span / DAYS_PER_YEAR > LABORATORY_ACCURACY * mean
    # with very few points no interval exists: then the test alone decides
    above = (np.nan_to_num(fit.low, nan=-np.inf) > 0) | ~np.isfinite(fit.low)
    rising: Bools = significant & above & enough & (span >= SHORTEST_DAYS) & (slope > 0)
    # one-sided, as a laboratory's: of so clear a rise
    return np.where(test.s > 0, p / 2.0, 1.0 - p / 2.0), rising


def _holm(p: Floats) -> Bools:
    """Holm's step-down test at 5 % over the numbers given; NaN takes no part."""
    tested = np.flatnonzero(~np.isnan(p))
    passed: Bools = np.zeros(len(p), dtype=np.bool_)
    for rank, index in enumerate(tested[np.argsort(p[tested])]):
        if p[index] > SIGNIFICANCE / (len(tested) - rank):
            break
        passed[index] = True
    return passed


class _Reach(NamedTuple):
    """When a gas reaches its next limit [days from now]."""

    limit: float | None = None
    days: tuple[float, float, float] | None = None
    """Earliest, central, latest."""
    not_before: float | None = None
    """Where only that can be said."""


def _reach(judged: Judged, row: int, fit: _Fit, rising: Bools) -> list[_Reach]:
    """Prediction intervals of 80 %, told only where both ends are finite and the line need not be drawn further ahead
    than it is long; else the time before which the limit is not reached, at most so long."""
    now = float(judged.frame.at[row])
    limits = np.array([_next_limit(judged, row, g, fit) if rising[g] else np.nan for g in range(GASES)])
    found = [_Reach(None if np.isnan(limit) else float(limit)) for limit in limits]
    if np.isnan(limits).all():
        return found
    floor = usual_limits() / 2.0 / LABORATORY_RELATIVE_SD
    ends = crossing(fit.days, fit.values, fit.used, limits, floor)
    for g in np.flatnonzero(~np.isnan(limits) & ~np.isnan(ends.earliest)):
        early, central, late = (max(float(end[g]) - now, 0.0) for end in ends)
        length = float(np.ptp(fit.days[g][fit.used[g]]))
        if np.isfinite(late) and central <= length:
            found[g] = found[g]._replace(days=(round(early, 1), round(central, 1), round(late, 1)))
        elif min(early, length) > 0.0:
            found[g] = found[g]._replace(not_before=round(min(early, length), 1))
    return found


def _next_limit(judged: Judged, row: int, g: int, fit: _Fit) -> float:
    """The next one above both the line and the reading, which a line lags behind; NaN: none."""
    frame, levels = judged.frame, judged.levels
    reading = np.nan if frame.below[row, g] else float(frame.values[row, g])
    level = float(np.fmax(fit.level[g], reading))
    for limit in (float(levels.typical[row, g]), float(levels.high[row, g])):
        if np.isfinite(limit) and level < limit:
            return limit
    return np.nan


def _finite(value: float | np.float64) -> float | None:
    return round(float(value), 2) if np.isfinite(value) else None


def _iso_day(day: float) -> str:
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=day)).date().isoformat()


def _whole(fit: _Fit, g: int, measured: Bools, changed: bool) -> dict[str, float]:
    """A laboratory's pace over the whole baseline, where it is not the same as that of the stretch."""
    if not changed:
        return {}
    rate = least_squares_rate(fit.days[g], fit.values[g], measured)
    return {"baseline": round(float(rate.per_year), 3)} if np.isfinite(rate.per_year) else {}


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
