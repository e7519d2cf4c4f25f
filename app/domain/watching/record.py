"""What the watch looks at: the daily medians of one instrument in one compartment since its baseline began."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property

import numpy as np

from app.domain.judging.frame import Bools, Floats
from app.domain.model import EventKind, ServiceEvent, utc_day
from app.science.measuring.uncertainty import detection_limit
from app.science.quantities import NORM_GASES

WATCHED_GASES = ("h2", "ch4", "c2h6", "c2h4", "c2h2", "co")
"""Gases that are watched for a change: columns 0-5 of the norm gases. Carbon dioxide moves with air and paper alike."""
_EPOCH = date(1970, 1, 1)


def number_of(day: date) -> int:
    """Days since 1970-01-01."""
    return (day - _EPOCH).days


def day_of(number: float) -> date:
    """The inverse of :func:`number_of`."""
    return _EPOCH + timedelta(days=int(number))


@dataclass(frozen=True)
class DayRecord:
    """n UTC days in a row, gaps included, all of one baseline.

    Attributes:
        first: number of the first day [days since 1970-01-01].
        values: (n, 7) medians of the norm gases [µL/L]; NaN where not measured or where the median is a limit.
        limits: (n, 7) the limit where a median is one, NaN elsewhere.
        drivers: (n, 2) oil temperature [°C] and load; NaN where not known.
        reviewed: (n,) True on the first whole day after somebody recorded a review.
    """

    first: int
    values: Floats
    limits: Floats
    drivers: Floats
    reviewed: Bools

    def __len__(self) -> int:
        return len(self.values)

    @property
    def begins(self) -> date:
        return day_of(self.first)

    @property
    def ends(self) -> date:
        """The last day."""
        return day_of(self.first + len(self) - 1)

    @cached_property
    def gases(self) -> tuple[str, ...]:
        """Watched gases that were measured at all."""
        known = np.isfinite(self.values) | np.isfinite(self.limits)
        return tuple(gas for i, gas in enumerate(WATCHED_GASES) if known[:, i].any())

    @property
    def columns(self) -> list[int]:
        """Of :attr:`gases`, among the norm gases."""
        return [NORM_GASES.index(gas) for gas in self.gases]

    @cached_property
    def detection(self) -> Floats:
        """(g,) usual detection limits of :attr:`gases` [µL/L]."""
        return np.array([detection_limit(gas) for gas in self.gases])

    @property
    def references(self) -> Floats:
        """(n, 7) medians, with the limit where a median is one."""
        return np.where(np.isnan(self.values), self.limits, self.values)

    @cached_property
    def logarithms(self) -> Floats:
        """(n, g) ln(median + detection limit): small gases must not shout."""
        return np.log(np.maximum(self.values[:, self.columns], 0.0) + self.detection)


def day_record(
    days: Sequence[date],
    values: Floats,
    below: Bools,
    drivers: Floats,
    events: Sequence[ServiceEvent],
    until: date,
) -> DayRecord:
    """The days of the newest baseline, up to the last whole day.

    Args:
        days: d days that have a median, rising. values, below: (d, 7) as stored. drivers: (d, 2).
        events: of the compartment; those that restart the baseline begin a new record on the day after them.
        until: the last whole day; later ones are left out.
    """
    past = [e for e in events if utc_day(e.at) <= until]
    begin = max((_whole_day_after(e.at) for e in past if e.kind.restarts_baseline), default=date.min)
    kept = [i for i, day in enumerate(days) if begin <= day <= until]
    first = number_of(days[kept[0]]) if kept else number_of(max(begin, _EPOCH))
    length = number_of(days[kept[-1]]) - first + 1 if kept else 0
    place = np.array([number_of(days[i]) - first for i in kept], dtype=np.int64)
    wide = np.full((length, values.shape[1]), np.nan)
    limits, own = wide.copy(), np.full((length, drivers.shape[1]), np.nan)
    wide[place] = np.where(below[kept], np.nan, values[kept])
    limits[place] = np.where(below[kept], values[kept], np.nan)
    own[place] = drivers[kept]
    reviewed = np.zeros(length, dtype=np.bool_)
    for event in past:
        at = number_of(_whole_day_after(event.at)) - first
        if event.kind is EventKind.REVIEW and 0 <= at < length:
            reviewed[at] = True
    return DayRecord(first, wide, limits, own, reviewed)


def _whole_day_after(at: datetime) -> date:
    return utc_day(at) + timedelta(days=1)
