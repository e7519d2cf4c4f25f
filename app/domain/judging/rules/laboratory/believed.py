"""The believed points of every series while the walk over laboratory samples goes on, and the rates through them.

A gas has its own points: samples where it was not measured, or was below its detection limit, are none of them. Of the
points that a rate may use only running sums are kept, so that a rate over two years of weekly samples costs what one
over six points does.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from app.domain.judging.frame import Bools, Floats, Integers
from app.domain.judging.norms import LONGEST_SPAN_DAYS, SHORTEST_SPAN_DAYS
from app.domain.judging.rules.levels import GASES
from app.science.trends.rates import LineSums, line_through

SUMS: Final = 6
WINDOW: Final = 6
"""The guide's rate uses the last 3 to 6 points."""


@dataclass(frozen=True)
class Window:
    """The line through some points of each gas and the present one: (k, 7) each.

    ``rate``, ``low``, ``high`` are [µL/L/year], NaN where the guide gives no rate; ``span`` [days], NaN likewise;
    ``points`` 0 likewise.
    """

    rate: Floats
    low: Floats
    high: Floats
    span: Floats
    points: Integers


class Believed:
    """Points of (series, gas), appended as the walk comes to believe them. Series are numbered by the walk."""

    def __init__(self, lengths: Integers, origin: Floats) -> None:
        """``lengths``: samples of each series; ``origin``: its first time [days], from which its times are counted."""
        ends = np.cumsum(np.repeat(lengths + 1, GASES))
        self._offset = (ends - np.repeat(lengths + 1, GASES)).reshape(-1, GASES)
        self._origin = origin
        size = int(ends[-1])
        self._time, self._value = np.zeros(size), np.zeros(size)
        self._sums = np.zeros((size, SUMS))
        self._count = np.zeros(self._offset.shape, dtype=np.int64)
        self._first = self._count.copy()  # points before it left with a presumed restart
        self._far = self._count.copy()  # first point that is not older than a rate may reach
        self._back = self._count.copy()  # last point that is old enough for a rate, or the first one

    def append(self, series: Integers, at: Floats, points: Floats) -> None:
        """One more sample of each of the series named; NaN is no point."""
        known = ~np.isnan(points)
        place = (self._offset[series] + self._count[series])[known]
        time = np.broadcast_to((at - self._origin[series])[:, None], points.shape)[known]
        self._time[place], self._value[place] = time, points[known]
        self._sums[place + 1] = self._sums[place] + LineSums.terms(time, points[known])
        self._count[series] += known

    def forget(self, series: Integers) -> None:
        """Leave out all points so far of the series named."""
        for column in (self._first, self._far, self._back):
            column[series] = self._count[series]

    def advance(self, series: Integers, at: Floats) -> None:
        """Move the windows of the series named on to a later time; times never go back."""
        now = (at - self._origin[series])[:, None]
        offset, count = self._offset[series], self._count[series]
        far, back = self._far[series], self._back[series]
        while (move := (far < count) & (self._time[offset + far] < now - LONGEST_SPAN_DAYS)).any():
            far += move
        while (
            move := (back + 1 < count) & (self._time[offset + back + 1] <= now - SHORTEST_SPAN_DAYS)
        ).any():
            back += move
        self._far[series], self._back[series] = far, back

    def earliest_of_late(self, series: Integers, at: Floats) -> tuple[Floats, Floats]:
        """Time [days] and value of each gas's oldest point of the last four months; NaN where there is none."""
        offset, count = self._offset[series], self._count[series]
        start = np.maximum(self._back[series], self._first[series])
        now = (at - self._origin[series])[:, None]
        start = start + ((start < count) & (self._time[offset + start] < now - SHORTEST_SPAN_DAYS))
        found = start < count
        place = np.where(found, offset + start, 0)
        when = np.where(found, self._time[place] + self._origin[series][:, None], np.nan)
        return when, np.where(found, self._value[place], np.nan)

    def rates(self, series: Integers, at: Floats, now: Floats, noise: Floats) -> tuple[Window, Window]:
        """The guide's window, and all points of two years, each with the present values ``now`` (k, 7).

        The guide takes the last six points. Where they span less than four months, the window reaches back until it
        spans them: who samples often must not lose the rate by it. ``noise``: (k, 7) sd of a measurement [µL/L].
        """
        far, count = self._far[series], self._count[series]
        last = np.maximum(count - (WINDOW - 1), self._first[series])
        last = np.maximum(np.minimum(last, np.maximum(self._back[series], self._first[series])), far)
        return self._line(series, last, at, now, noise), self._line(series, far, at, now, noise)

    def _line(self, series: Integers, start: Integers, at: Floats, now: Floats, noise: Floats) -> Window:
        offset, count = self._offset[series], self._count[series]
        time = (at - self._origin[series])[:, None]
        known = ~np.isnan(now)
        sums = self._sums[offset + count] - self._sums[offset + start]
        sums += LineSums.terms(np.broadcast_to(time, now.shape), np.where(known, now, 0.0))
        line = line_through(LineSums(sums), noise)
        points = count - start + 1
        span = np.where(
            start < count, time - self._time[np.minimum(offset + start, len(self._time) - 1)], 0.0
        )
        given = known & (points >= FEWEST) & (span >= SHORTEST_SPAN_DAYS)
        rate, low, high, span = (
            np.where(given, column, np.nan) for column in (line.per_year, line.low, line.high, span)
        )
        return Window(rate, low, high, span, np.where(given, points, 0))


FEWEST: Final = 3


def merged(where: Bools, one: Window, other: Window) -> Window:
    """``one`` where so, else ``other``."""
    return Window(
        *(
            np.where(where, getattr(one, name), getattr(other, name))
            for name in ("rate", "low", "high", "span", "points")
        )
    )
