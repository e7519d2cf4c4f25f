"""Many samples of many series as columns: the one input of the engine.

A *series* is what may be compared with itself: the samples of one compartment from its laboratories, or from
one instrument, within one baseline period (a degassing starts a new series).
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import Self

import numpy as np
from numpy.typing import NDArray

from app.domain.judging.running_sums import RunningSums
from app.science.quantities import DAY_COLUMNS, INDEX, NAMES, NORM_GASES

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Integers = NDArray[np.int64]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def to_days(at: datetime) -> float:
    """Days since 1970-01-01T00:00Z."""
    return (at - _EPOCH).total_seconds() / 86_400.0


def to_time(days: float) -> datetime:
    """The inverse of :func:`to_days`, to the second."""
    return _EPOCH + timedelta(seconds=round(days * 86_400.0))


@dataclass(frozen=True)
class SampleFrame:
    """n samples, sorted by series and then by time.

    Attributes:
        series: (n,) which series a sample belongs to; equal numbers stand together.
        at: (n,) time [days since 1970-01-01 UTC], rising within a series.
        values: (n, quantities) in the order of ``NAMES``; NaN where not measured, the limit where censored.
        below: (n, quantities) True where the number is a detection limit.
        age: (n,) years in service; NaN where unknown.
        online: (n,) True for samples of an instrument.
        oxygen_ratio: (n,) O2/N2 known from another source, used where the sample has none; NaN where unknown.
        laboratory: (n,) number of the laboratory that analysed a sample; left out: all come from one.
        blanketed: (n,) True where the oil stands under nitrogen; left out: nowhere.
        worked: (n,) True where the series began with recorded work on the oil or the unit; left out: nowhere.
        tripped: (n,) True where a through-fault or trip is on record since the sample before; left out: nowhere.
        reviewed: (n,) True where somebody recorded a review of the unit since the sample before; left out: nowhere.
    """

    series: Integers
    at: Floats
    values: Floats
    below: Bools
    age: Floats
    online: Bools
    oxygen_ratio: Floats
    laboratory: Integers = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    blanketed: Bools = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))
    worked: Bools = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))
    tripped: Bools = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))
    reviewed: Bools = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))

    def __post_init__(self) -> None:
        n = len(self.series)
        for one in fields(self):
            column = getattr(self, one.name)
            if len(column) != n and not len(column):
                object.__setattr__(self, one.name, np.zeros(n, dtype=column.dtype))
            elif len(column) != n:
                raise ValueError(f"{one.name} must have {n} rows, not {len(column)}")
        if self.values.shape != (n, len(NAMES)) or self.below.shape != self.values.shape:
            raise ValueError(f"values and below must have the shape ({n}, {len(NAMES)})")
        if n > 1:
            same = np.diff(self.series) == 0
            if np.any(np.diff(self.series) < 0) or np.any(np.diff(self.at)[same] < 0):
                raise ValueError("samples must be sorted by series and then by time")

    def __len__(self) -> int:
        return len(self.series)

    def column(self, quantity: str) -> Floats:
        """(n,) numbers of one quantity, detection limits included."""
        return self.values[:, INDEX[quantity]]

    def censored(self, quantity: str) -> Bools:
        return self.below[:, INDEX[quantity]]

    def starts(self) -> Integers:
        """Index of the first sample of each series."""
        if not len(self):
            return np.zeros(0, dtype=np.int64)
        return np.flatnonzero(np.r_[True, np.diff(self.series) != 0]).astype(np.int64)

    def since(self, row: int, days: float) -> int:
        """Index of the first sample of a row's series that is at most so many days older than the row's."""
        start = int(np.searchsorted(self.series, self.series[row]))
        return start + int(np.searchsorted(self.at[start : row + 1], self.at[row] - days))

    def take(self, index: NDArray[np.int64] | NDArray[np.bool_]) -> Self:
        """The samples named by an ascending index or a mask."""
        return type(self)(*(getattr(self, one.name)[index] for one in fields(self)))


@dataclass(frozen=True)
class DailyMedians:
    """Daily medians of on-line series, d rows sorted by series and day.

    Attributes:
        series: (d,) numbers as in :class:`SampleFrame`.
        day: (d,) whole days since 1970-01-01 UTC.
        values: (d, quantities) medians; NaN where not measured or where the median is a detection limit.
    """

    series: Integers
    day: Floats
    values: Floats
    limits: Floats | None = None
    """(d, quantities) the detection limit where a median is one, NaN elsewhere; None when not known."""

    @cached_property
    def sums(self) -> RunningSums:
        """Running sums over the norm gases, made once."""
        gases = len(NORM_GASES)
        return RunningSums(self.series, self.day, self.values[:, :gases], self.references()[:, :gases])

    def references(self) -> Floats:
        """Medians, with the limit where a median is one: what a later value can be compared with for certain."""
        return (
            self.values if self.limits is None else np.where(np.isnan(self.values), self.limits, self.values)
        )


def daily_medians(frame: SampleFrame) -> DailyMedians:
    """Daily medians of the norm gases, water and temperature of a frame's on-line samples (UTC days).

    Censored readings count as their limit; a median that falls on a limit is NaN: "below 1" is not a point on a
    trend. Quantities that no rule reads a trend of are NaN.
    """
    online = frame.take(frame.online)
    day = np.floor(online.at)
    if not len(online):
        return DailyMedians(online.series, day, online.values)
    first = np.flatnonzero(np.r_[True, (np.diff(online.series) != 0) | (np.diff(day) != 0)])
    group = np.repeat(np.arange(len(first)), np.diff(np.r_[first, len(online)]))
    values = np.full((len(first), len(NAMES)), np.nan)
    limits = values.copy()
    for q in DAY_COLUMNS:
        column = online.values[:, q]
        known = np.flatnonzero(~np.isnan(column))
        if known.size:
            values[:, q], limits[:, q] = grouped_median(
                column[known], online.below[known, q], group[known], len(first)
            )
    return DailyMedians(online.series[first], day[first], values, limits)


def grouped_median(values: Floats, below: Bools, group: Integers, groups: int) -> tuple[Floats, Floats]:
    """Medians of (n,) values by group number, NaN where they are detection limits; and those limits, NaN elsewhere."""
    order = np.lexsort((~below, values, group) if below.any() else (values, group))
    count = np.bincount(group, minlength=groups)
    start = np.concatenate([[0], np.cumsum(count)[:-1]])
    present = count > 0
    low = start[present] + (count[present] - 1) // 2
    high = start[present] + count[present] // 2
    middle = 0.5 * (values[order][low] + values[order][high])
    median = np.full(groups, np.nan)
    limit = median.copy()
    median[present] = np.where(below[order][high], np.nan, middle)
    limit[present] = np.where(below[order][high], values[order][high], np.nan)
    return median, limit


def frame_of(
    series: Sequence[int],
    at: Sequence[datetime],
    numbers: Sequence[Sequence[float | None]],
    below: Sequence[Sequence[bool]] | None = None,
    *,
    age: float | None = None,
    online: bool = False,
) -> SampleFrame:
    """A small frame from Python lists, for tests and single samples."""
    n = len(series)
    values = np.array(numbers, dtype=np.float64).reshape(n, len(NAMES))
    return SampleFrame(
        series=np.asarray(series, dtype=np.int64),
        at=np.array([to_days(t) for t in at], dtype=np.float64),
        values=values,
        below=np.zeros(values.shape, dtype=np.bool_) if below is None else np.asarray(below, dtype=np.bool_),
        age=np.full(n, np.nan if age is None else age),
        online=np.full(n, online),
        oxygen_ratio=np.full(n, np.nan),
    )
