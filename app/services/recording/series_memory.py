"""What this process remembers of the ends of series, so that the next reading of each needs no reading back.

A series is remembered under the token that its instrument's state holds in the store. Whatever changes the stored
readings of an instrument writes a new token in the same transaction, in whatever process; what is remembered under
another token is forgotten. So a memory can be missing, and is then read anew, but never be out of date.
"""

import threading
from bisect import bisect_right
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from app.domain.judging.frame import to_days
from app.domain.judging.rules.online import CONFIRM_AFTER_DAYS
from app.services.judging.online_series import LOOKBACK, RAW, OnlineSeries, days_now, midnight
from app.store.recording import online_rows
from app.store.recording.online_days import StoredDays
from app.store.recording.online_rows import NewReadings, StoredRows

MOST: Final = 1000
"""Series that are remembered; some 50 kB each where a reading comes every quarter of an hour."""


@dataclass(frozen=True, slots=True)
class Remembered:
    """The end of a series: the rows that any later reading needs, and the days that go with them."""

    compartment_id: int
    source_id: int
    token: int
    stored: StoredRows
    days: StoredDays
    days_since: float
    """Days since 1970 from which the days are held."""

    def serves(self, first: datetime) -> bool:
        """Whether readings from that time on can be recorded with what is remembered."""
        begin = to_days(midnight(first - RAW - LOOKBACK))
        return first > self.stored.taken_at[-1] and begin >= self.days_since


def end_of(
    key: tuple[int, int], token: int, stored: StoredRows, new: NewReadings, series: OnlineSeries
) -> Remembered:
    """The end of a series that has grown by readings that are newer than all that are stored of it."""
    days = days_now(series)
    days_since = to_days(midnight(new.taken_at[-1] - RAW - LOOKBACK))
    kept = days.day >= days_since
    return Remembered(
        *key,
        token=token,
        stored=online_rows.extended(stored, new, _needed_from(stored, new)),
        days=StoredDays(days.day[kept], days.medians[kept], days.limits[kept]),
        days_since=days_since,
    )


def _needed_from(stored: StoredRows, new: NewReadings) -> datetime:
    """The time of the reading that would confirm one that comes right now; later ones need no earlier reading.

    It is a day old at the least, so the whole of the newest day, whose median a later reading changes, is behind it.
    """
    newest = new.taken_at[-1]
    times = [*stored.taken_at, *new.taken_at]
    counts = [*stored.counts.tolist(), *(aside is None for aside in new.set_aside)]
    # a minute earlier than the rule would look, which measures in days, as floating numbers
    place = bisect_right(times, newest - timedelta(days=CONFIRM_AFTER_DAYS, minutes=1)) - 1
    while place >= 0 and not counts[place]:
        place -= 1
    start = midnight(newest - RAW)
    return max(times[place], start) if place >= 0 else start


class SeriesMemory:
    """The series that were recorded last; safe to use from many threads."""

    def __init__(self, most: int = MOST) -> None:
        self._most = most
        self._guard = threading.Lock()
        self._known: OrderedDict[tuple[int, int], Remembered] = OrderedDict()

    def find(self, key: tuple[int, int], token: int | None) -> Remembered | None:
        """What is remembered of (compartment id, source id) under a token."""
        with self._guard:
            found = self._known.get(key)
            if found is None or found.token != token:
                return None
            self._known.move_to_end(key)
            return found

    def keep(self, ends: Sequence[Remembered]) -> None:
        """Remember what was committed."""
        with self._guard:
            for end in ends:
                self._known[end.compartment_id, end.source_id] = end
                self._known.move_to_end((end.compartment_id, end.source_id))
            while len(self._known) > self._most:
                self._known.popitem(last=False)
