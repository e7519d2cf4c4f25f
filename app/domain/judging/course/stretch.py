"""What some samples of a series show by themselves: whether their time was quiet, and how fast gas was made in it."""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from app.domain.judging.course.signs import FAULT, Signs
from app.domain.judging.frame import Bools, Floats
from app.domain.judging.rules.levels import GASES
from app.science.measuring.uncertainty import LABORATORY_RELATIVE_SD
from app.science.trends.course_signs import course_sign
from app.science.trends.rates import DAYS_PER_YEAR

ONE_SIDED: Final = 1.645
"""Standard normal score that chance passes once in twenty."""
ONE_IN_A_HUNDRED: Final = 2.326
ACCURACY_IN_SD: Final = 4.0 * np.sqrt(2.0)
"""Twice the noise of two samples, at two standard deviations of one sample each."""


@dataclass(frozen=True, slots=True)
class Quiet:
    """A quiet time: its beginning [days], its worst level class, its median values (7,) [µL/L], whether gas fell."""

    since: float
    level: int
    median: Floats
    fell: bool


def quiet_time(signs: Signs, rows: Sequence[int], clock: int) -> Quiet | None:
    """The newest stretch of believed samples, a year long, that shows no gassing; None where there is none.

    It lies in ``rows`` from ``clock`` on: the last sign of gassing, or the beginning of the baseline. By its own points
    no gas may rise by more than Table 4 allows and measurement explains, nor the mean of the fault gases by more than
    the accuracy.
    """
    last = rows[-1]
    first = _begin(signs, rows, course_sign("quiet", "days"), clock)
    if first < clock:
        return None
    chosen = _view(rows, first)
    at, value = signs.at[chosen], signs.value[chosen]
    years = (at[-1] - at[0]) / DAYS_PER_YEAR
    slopes = _slopes(at, np.concatenate([value, signs.log[chosen]], axis=1)) * years
    gain, median = slopes[:GASES], _median(value)
    allowed = np.maximum(signs.rate_limit[last] * years, course_sign("change", "noise") * median)
    mean_gain = _mean(slopes[GASES:][FAULT])
    if np.any(gain > allowed) or mean_gain > course_sign("quiet", "gain"):
        return None
    level = int(signs.level[chosen].max())
    return Quiet(float(at[0]), level, median, mean_gain < np.log(course_sign("falling", "part")))


def _begin(signs: Signs, rows: Sequence[int], days: float, clock: int = 0) -> int:
    """Place of the newest row so many days before the last one, or further back until there are enough samples.

    A unit that is sampled once a year has them in two years. Below ``clock``, where they begin, if the record is short.
    """
    place = bisect_right(rows, signs.at[rows[-1]] - days, clock, key=signs.at.__getitem__) - 1
    return min(place, len(rows) - int(course_sign("quiet", "samples")))


def _view(rows: Sequence[int], first: int) -> slice | list[int]:
    """The rows from the one at ``first`` on: most are neighbours, and a slice of a column costs next to nothing."""
    begin, last = rows[first], rows[-1]
    if last - begin == len(rows) - 1 - first:
        return slice(begin, last + 1)
    return list(rows[first:])


def slowed(signs: Signs, rows: Sequence[int], clock: int) -> bool:
    """Whether the samples from the last sign of gassing on show at most half of what the pace of all of them gives.

    Only over a time in which that could be told from noise.
    """
    whole, last = list(rows), list(rows[clock:])
    if len(last) < course_sign("quiet", "samples"):
        return False
    years = (signs.at[last[-1]] - signs.at[last[0]]) / DAYS_PER_YEAR
    expected = _mean(_slopes(signs.at[whole], signs.log[whole])[FAULT]) * years
    gain = _mean(_slopes(signs.at[last], signs.log[last])[FAULT]) * years
    told, part = course_sign("quiet", "gain"), course_sign("quiet", "part_of_pace")
    return bool(expected >= told and gain <= part * expected)


def pace_of(signs: Signs, rows: Sequence[int]) -> Floats:
    """(8,) how fast each gas and the mean of the fault gases rises [1/year, in the logarithm]; NaN where not called."""
    slopes = _slopes(signs.at[rows], signs.log[rows])
    last = rows[-1]
    called = np.append(signs.gas[last], signs.joint[last])
    found: Floats = np.where(called, np.append(slopes, _mean(slopes[FAULT])), np.nan)
    return found


def still(signs: Signs, rows: Sequence[int], pace: Floats, since: float = np.nan) -> float | None:
    """Since when [days] what was called rising at a pace shows at most half of it; None where it does not.

    Looked at over a year at least, and as long as the pace takes to rise by twice what is noise of two samples; the
    rate must then be below the pace but for one chance in a hundred. From a time ``since`` known to be a change,
    half as long and half the pace will do.
    """
    told = 2.0 * np.append(
        np.full(len(pace) - 1, course_sign("change", "noise")), course_sign("quiet", "gain")
    )
    known = np.isfinite(pace) & (pace > 0)
    if not known.any():
        return None
    days = max(course_sign("quiet", "days"), float((told[known] / pace[known]).max()) * DAYS_PER_YEAR)
    first = _begin(signs, rows, days)
    if np.isfinite(since):
        days = max(course_sign("quiet", "days"), 0.5 * days)
        first = int(np.searchsorted(signs.at[rows], since)) if signs.at[rows[-1]] - since >= days else -1
    if first < 0 or len(rows) - first < course_sign("quiet", "samples"):
        return None
    chosen = list(rows[first:])
    slopes = _slopes(signs.at[chosen], signs.log[chosen])
    now = np.append(slopes, _mean(slopes[FAULT]))
    spread = float(np.sqrt(((signs.at[chosen] - signs.at[chosen].mean()) ** 2).sum())) / DAYS_PER_YEAR
    error = told / ACCURACY_IN_SD / spread
    most = course_sign("quiet", "part_of_pace") * pace
    if not np.isfinite(since):
        most = np.minimum(most, pace - ONE_IN_A_HUNDRED * error)
    slow = now <= most
    return float(signs.at[chosen[0]]) if bool(slow[known].all()) else None


def returning(signs: Signs, rows: Sequence[int]) -> Bools:
    """(7,) gases that come back after work on the oil ever more slowly, as what the paper held does."""
    halves = len(rows) // 2
    if halves < 2:
        return np.zeros(GASES, dtype=np.bool_)
    early, late = list(rows[: halves + 1]), list(rows[halves:])
    first, last = (_slopes(signs.at[part], signs.value[part]) for part in (early, late))
    found: Bools = (first > 0) & (last <= course_sign("returning", "part") * first)
    return found


@dataclass(frozen=True, slots=True)
class Rate:
    """How fast each gas rises (7,) [µL/L/year]: ``low`` is what noise of measurement leaves of it for sure.

    ``limits``: whether so surely that a time to a limit may rest on it: but for one chance in a hundred.
    """

    per_year: Floats
    low: Floats
    limits: Bools


def rate_now(signs: Signs, rows: Sequence[int]) -> Rate | None:
    """The rate of the newest samples, at least three over a month; None where there are not so many."""
    fewest, span = int(course_sign("rate", "points")), course_sign("rate", "days")
    if len(rows) < fewest:
        return None
    long = np.flatnonzero(signs.at[rows] <= signs.at[rows[-1]] - span)
    if not long.size:
        return None
    chosen = list(rows[min(int(long[-1]), len(rows) - fewest) :])
    at, value = signs.at[chosen], signs.value[chosen]
    slope = _slopes(at, value)
    spread = float(np.sqrt(((at - at.mean()) ** 2).sum()))
    error = LABORATORY_RELATIVE_SD * _median(value) / spread * DAYS_PER_YEAR
    return Rate(slope, slope - ONE_SIDED * error, slope > ONE_IN_A_HUNDRED * error)


def time_to_limit(signs: Signs, row: int, rate: Rate) -> float:
    """Days until the first gas reaches its next limit at this rate; infinite where none rises for sure."""
    value = signs.value[row]
    limit = np.where(value <= signs.typical[row], signs.typical[row], signs.high[row])
    with np.errstate(invalid="ignore", divide="ignore"):
        days = np.where(
            rate.limits & (value <= limit), (limit - value) / rate.per_year * DAYS_PER_YEAR, np.inf
        )
    return float(np.nanmin(np.where(np.isnan(days), np.inf, days)))


def _slopes(at: Floats, value: Floats) -> Floats:
    """(g,) least-squares slopes a year of (k, g); NaN where a gas has fewer than two points.

    As :func:`app.science.trends.rates.least_squares_rate`, without its errors and broadcasting: every sample asks, and
    of a dozen points those cost ten times the slopes.
    """
    known = ~np.isnan(value)
    whole = bool(known.all())
    t = (at - at[0])[:, None]
    count = len(at) if whole else np.maximum(known.sum(axis=0), 1)
    if not whole:
        t, value = np.where(known, t, 0.0), np.where(known, value, 0.0)
    dt, dy = t - t.sum(axis=0) / count, value - value.sum(axis=0) / count
    if not whole:
        dt, dy = np.where(known, dt, 0.0), np.where(known, dy, 0.0)
    spread = (dt * dt).sum(axis=0)
    usable = (count >= 2) & (spread > 0.0)
    slope: Floats = np.where(usable, (dt * dy).sum(axis=0) / np.where(usable, spread, 1.0), np.nan)
    return slope * DAYS_PER_YEAR


def _median(value: Floats) -> Floats:
    """(7,) medians of what was measured; NaN where nothing was."""
    ordered = np.sort(value, axis=0)  # NaN comes last
    count = len(value) - np.isnan(value).sum(axis=0)
    gas = np.arange(value.shape[1])
    middle: Floats = 0.5 * (ordered[np.maximum(count - 1, 0) // 2, gas] + ordered[count // 2, gas])
    return middle


def _mean(values: Floats) -> float:
    known = values[~np.isnan(values)]
    return float(known.sum()) / known.size if known.size else 0.0
