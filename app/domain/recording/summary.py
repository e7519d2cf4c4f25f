"""A day of on-line readings in short: median, least, greatest and number of each quantity."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from app.domain.judging.frame import Bools, Floats, grouped_median
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


def summaries_of_many(
    wanted: Sequence[tuple[Sequence[date], Floats, Floats, Bools]],
) -> list[DaySummaries]:
    """:func:`summaries_of` of several series, (days, at, values, below) each, worked out together."""
    marks, inside = [], []
    for number, (days, at, values, below) in enumerate(wanted):
        offset = number * _APART - _FIRST_DAY
        own = np.array([day.toordinal() for day in days], dtype=np.float64) + offset
        day = np.floor(at) + number * _APART
        rows = np.flatnonzero(np.isin(day, own))
        marks.append(own)
        inside.append((day[rows], values[rows], below[rows]))
    count, median, limits, least, greatest, measured = _summaries(
        np.concatenate(marks), *(np.concatenate(part) for part in zip(*inside, strict=True))
    )
    edges = np.cumsum([0, *(len(own) for own in marks)])
    return [
        DaySummaries(
            list(days),
            count[a:b].tolist(),
            median[a:b],
            limits[a:b],
            least[a:b],
            greatest[a:b],
            measured[a:b],
        )
        for (days, *_), a, b in zip(wanted, edges[:-1], edges[1:], strict=True)
    ]


_APART = 10_000_000.0
"""Days between the day numbers of one series and those of the next."""


def summaries_of(days: Sequence[date], at: Floats, values: Floats, below: Bools) -> DaySummaries:
    """The summaries of some UTC days, from readings that hold at least all of those days.

    Args:
        days: rising, without repeats.
        at: (n,) times [days since 1970-01-01 UTC]. values, below: (n, quantities), NaN where not measured.

    Returns:
        One row for each of ``days``; a day without readings has the count 0. Censored readings count as their limit.
    """
    return summaries_of_many([(days, at, values, below)])[0]


def _summaries(
    wanted: Floats, day: Floats, values: Floats, below: Bools
) -> tuple[NDArray[np.int64], Floats, Bools, Floats, Floats, NDArray[np.int64]]:
    """Count, median, below, least, greatest and number of each wanted day, rising; every reading is of one of them."""
    group = np.searchsorted(wanted, day)
    shape = (len(wanted), len(NAMES))
    median, limits = np.full(shape, np.nan), np.zeros(shape, dtype=np.bool_)
    least, greatest = np.full(shape, np.nan), np.full(shape, np.nan)
    number = np.zeros(shape, dtype=np.int64)
    for q in np.flatnonzero(~np.isnan(values).all(axis=0)):
        known = np.flatnonzero(~np.isnan(values[:, q]))
        column, of = values[known, q], group[known]
        value, limit = grouped_median(column, below[known, q], of, len(wanted))
        limits[:, q] = ~np.isnan(limit)
        median[:, q] = np.where(limits[:, q], limit, value)
        number[:, q] = np.bincount(of, minlength=len(wanted))
        np.fmin.at(least[:, q], of, column)
        np.fmax.at(greatest[:, q], of, column)
    return np.bincount(group, minlength=len(wanted)), median, limits, least, greatest, number
