"""What the rules about an instrument look at: one instrument's readings in one compartment, as arrays."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from app.domain.instruments.findings import InstrumentFinding
from app.domain.judging.frame import Bools, Floats, to_days
from app.domain.model import EventKind
from app.science.measuring.uncertainty import detection_limit
from app.science.quantities import BY_NAME, GASES, INDEX, NAMES

CHECKED_GASES = (*GASES, "water")
"""Quantities whose sensor can be told from what it measures; temperatures and load are not checked for their values."""
LIMIT_WITHOUT_SOURCE = {"c3h6": 1.0, "c3h8": 1.0, "water": 2.0}
"""Detection limits that no table gives (our own choice) [µL/L, mg/kg]."""
WORK_ON_THE_OIL = frozenset({EventKind.DEGASSING, EventKind.OIL_CHANGE, EventKind.REPAIR})


@dataclass(frozen=True)
class DailyRecord:
    """Daily summaries, d days in order.

    Attributes:
        day: (d,) days since 1970-01-01. medians, low, high: (d, quantities), NaN where nothing was measured.
        limits: (d, quantities) True where the median is a detection limit.
        counts: (d, quantities) readings of each quantity. total: (d,) samples of the day.
    """

    day: Floats
    medians: Floats
    low: Floats
    high: Floats
    limits: Bools
    counts: Floats
    total: Floats


@dataclass(frozen=True)
class LaboratoryRecord:
    """m laboratory samples in order: (m,) times, (m, quantities) values and which of them are detection limits."""

    at: Floats
    values: Floats
    below: Bools


@dataclass(frozen=True)
class InstrumentRecord:
    """One instrument in one compartment.

    Attributes:
        now: time of the look [days since 1970-01-01 UTC].
        at: (n,) times of the readings of the last weeks, rising [days].
        values: (n, quantities), NaN where not measured or not fit to be judged, the limit where censored.
        below: (n, quantities) True where the number is a detection limit.
        daily: the year before, by day. laboratory: some years of the compartment.
        events: service events of the compartment, times in days.
        expected_days: the interval at which it should report [days]; None when nobody said.
    """

    now: float
    at: Floats
    values: Floats
    below: Bools
    daily: DailyRecord
    laboratory: LaboratoryRecord
    events: tuple[tuple[float, EventKind], ...] = field(default=())
    expected_days: float | None = None
    spells: tuple[tuple[float, float], ...] = ()
    """Maintenance of the instrument, from when to when, in days."""

    @cached_property
    def interval(self) -> float:
        """Usual time between two readings [days]: as measured, else as expected, else four hours."""
        if len(self.at) >= 3:
            return float(np.median(np.diff(self.at))) or 1e-3
        return self.expected_days or 4.0 / 24.0

    def series(
        self, quantity: str, explained: Iterable[InstrumentFinding] = ()
    ) -> tuple[Floats, Floats, NDArray[np.int64]]:
        """Times, values and rows of a quantity's measured readings: no limits, and none that is explained."""
        column = INDEX[quantity]
        use = np.isfinite(self.values[:, column]) & ~self.below[:, column]
        for finding in explained:
            if finding.quantity == quantity:
                end = self.now if finding.ends_at is None else to_days(finding.ends_at)
                use &= ~((self.at >= to_days(finding.begins_at) - 1e-6) & (self.at <= end + 1e-6))
        rows = np.flatnonzero(use)
        return self.at[rows], self.values[rows, column], rows

    def measured(self, names: Iterable[str] = CHECKED_GASES, fewest: int = 12) -> list[str]:
        """Quantities with at least so many measured readings."""
        use = np.isfinite(self.values) & ~self.below
        counts = use.sum(axis=0)
        return [name for name in names if counts[INDEX[name]] >= fewest]

    def medians_before(self, quantity: str, at: float) -> Floats:
        """Daily medians above zero, no limits, of the days before that of a time."""
        column = INDEX[quantity]
        use = (self.daily.day < np.floor(at)) & ~self.daily.limits[:, column]
        found = self.daily.medians[use, column]
        return np.asarray(found[found > 0.0])

    def maintained_near(self, at: float, days: float) -> bool:
        """Whether somebody worked on the instrument within so many days of a time."""
        return any(begins - days <= at <= ends + days for begins, ends in self.spells)

    def work_near(
        self, at: float, days: float, kinds: Iterable[EventKind] = WORK_ON_THE_OIL
    ) -> EventKind | None:
        """A service event of these kinds within so many days of a time."""
        wanted = set(kinds)
        return next((k for when, k in self.events if k in wanted and abs(when - at) <= days), None)


def amount(value: float, quantity: str) -> str:
    """A value with its unit, three figures."""
    known = BY_NAME[quantity]
    return (
        f"{value:.3g} {known.unit}" if abs(value) < 1000 else f"{value:,.0f} {known.unit}".replace(",", " ")
    )


def name_of(quantity: str) -> str:
    """How people write a quantity, at the start of a sentence too."""
    return BY_NAME[quantity].symbol if quantity in GASES else BY_NAME[quantity].label.capitalize()


def limit_of(quantity: str) -> float:
    """Usual detection limit of a checked quantity, in its unit."""
    return LIMIT_WITHOUT_SOURCE.get(quantity) or detection_limit(quantity)


def empty_daily() -> DailyRecord:
    """No day at all."""
    none = np.zeros((0, len(NAMES)))
    return DailyRecord(np.zeros(0), none, none, none, none.astype(np.bool_), none, np.zeros(0))
