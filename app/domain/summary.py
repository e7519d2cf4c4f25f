"""A day of on-line readings in short: median, least, greatest and number of each quantity."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from app.domain.frame import Bools, Floats, grouped_median
from app.science.quantities import NAMES

_FIRST_DAY = date(1970, 1, 1).toordinal()


@dataclass(frozen=True)
class DaySummaries:
    """d days of one series.

    Attributes:
        day: (d,) UTC days. count: (d,) number of readings that count.
        median: (d, quantities) NaN where a quantity was not measured that day; the limit where ``below``.
        below: (d, quantities) the median is a detection limit.
        least, greatest: (d, quantities), limits included. number: (d, quantities) readings of a quantity.
    """

    day: Sequence[date]
    count: Sequence[int]
    median: Floats
    below: Bools
    least: Floats
    greatest: Floats
    number: NDArray[np.int64]


def summaries_of(days: Sequence[date], at: Floats, values: Floats, below: Bools) -> DaySummaries:
    """The summaries of some UTC days, from readings that hold at least all of those days.

    Args:
        days: rising, without repeats.
        at: (n,) times [days since 1970-01-01 UTC]. values, below: (n, quantities), NaN where not measured.

    Returns:
        One row for each of ``days``; a day without readings has the count 0. Censored readings count as their limit.
    """
    wanted = np.array([day.toordinal() for day in days], dtype=np.float64) - _FIRST_DAY
    day = np.floor(at)
    group = np.searchsorted(wanted, day)
    inside = (group < len(wanted)) & (wanted[np.minimum(group, len(wanted) - 1)] == day)
    group, values, below = group[inside], values[inside], below[inside]
    shape = (len(wanted), len(NAMES))
    median, limits = np.full(shape, np.nan), np.zeros(shape, dtype=np.bool_)
    least, greatest = np.full(shape, np.nan), np.full(shape, np.nan)
    number = np.zeros(shape, dtype=np.int64)
    for q in range(len(NAMES)):
        known = np.flatnonzero(~np.isnan(values[:, q]))
        if not known.size:
            continue
        column, of = values[known, q], group[known]
        value, limit = grouped_median(column, below[known, q], of, len(wanted))
        limits[:, q] = ~np.isnan(limit)
        median[:, q] = np.where(limits[:, q], limit, value)
        number[:, q] = np.bincount(of, minlength=len(wanted))
        np.fmin.at(least[:, q], of, column)
        np.fmax.at(greatest[:, q], of, column)
    count = np.bincount(group, minlength=len(wanted)).tolist()
    return DaySummaries(list(days), count, median, limits, least, greatest, number)
