"""Instruments' series as the engine needs them: the stored window, what is new, and the medians, for many at once."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from app.domain.judging.frame import Bools, Floats, Integers, to_days
from app.domain.judging.norms import SHORT_SPAN_DAYS
from app.domain.judging.rules.online import CONFIRM_AFTER_DAYS, CONFIRM_WITHIN_DAYS
from app.domain.model import utc_day
from app.domain.recording.summary import DaySummaries, summaries_of_many
from app.science.quantities import DAY_COLUMNS
from app.store.database import Connection
from app.store.recording import online_days, online_rows
from app.store.recording.online_days import FIRST_DAY, StoredDays
from app.store.recording.online_rows import NewReadings, StoredRows

LOOKBACK = timedelta(days=SHORT_SPAN_DAYS + 1)
"""How far back daily medians are read: the rates' window, which holds the months that readings are compared with."""
RAW = timedelta(days=4)
"""How far back readings themselves are read to record others; more than the days in which a change is confirmed."""
AFTERMATH = timedelta(days=SHORT_SPAN_DAYS)
"""How long after it a late reading can change what later ones mean."""


@dataclass(eq=False)
class OnlineSeries:
    """One instrument in one compartment: m readings that count, stored and new ones, in time order.

    Attributes:
        ids, taken_at: (m,). values: (m, quantities) NaN where absent or not judged. below: (m, quantities).
        stored: (m,) place among the stored rows, -1 for a new reading.
        days: daily medians, as stored until they are renewed.
    """

    compartment_id: int
    source_id: int
    ids: list[int]
    taken_at: list[datetime]
    values: Floats
    below: Bools
    stored: Integers
    days: StoredDays
    renewed: DaySummaries | None = None
    """Days that are worked out anew and not yet among ``days``."""
    at: Floats = field(init=False)

    def __post_init__(self) -> None:
        self.at = np.array([to_days(t) for t in self.taken_at], dtype=np.float64)


def days_now(one: OnlineSeries) -> StoredDays:
    """The daily medians of a series, the renewed ones in their places."""
    if one.renewed is not None:
        one.days = with_renewed(one.days, one.renewed)
        one.renewed = None
    return one.days


def renew(touched: Sequence[tuple[OnlineSeries, Sequence[date]]]) -> list[DaySummaries]:
    """Work out the summaries of some days of each series from its readings; they must all be in its window."""
    found = summaries_of_many([(days, one.at, one.values, one.below) for one, days in touched])
    for (one, _), summaries in zip(touched, found, strict=True):
        one.renewed = summaries
    return found


def with_renewed(days: StoredDays, renewed: DaySummaries) -> StoredDays:
    """Stored days with the renewed ones in their places."""
    new = np.array([d.toordinal() for d in renewed.day], dtype=np.float64) - FIRST_DAY
    kept = ~np.isin(days.day, new)
    below, median = renewed.below[:, DAY_COLUMNS], renewed.median[:, DAY_COLUMNS]
    there = np.asarray(renewed.count) > 0
    day = np.concatenate([days.day[kept], new[there]])
    order = np.argsort(day, kind="stable")
    return StoredDays(
        day[order],
        np.concatenate([days.medians[kept], np.where(below, np.nan, median)[there]])[order],
        np.concatenate([days.limits[kept], np.where(below, median, np.nan)[there]])[order],
    )


# --- loading ----------------------------------------------------------------------------------------------


FAR = datetime(9000, 1, 1, tzinfo=UTC)
"""Later than anything that is stored."""


def window_of(
    connection: Connection, compartment_id: int, source_id: int, times: tuple[datetime, datetime]
) -> StoredRows:
    """The stored rows that readings taken between two times are judged with, or can change."""
    since, until = times
    until = until if until == FAR else until + AFTERMATH
    return online_rows.stored_rows(connection, compartment_id, source_id, midnight(since - RAW), until)


def days_of(
    connection: Connection, compartment_id: int, source_id: int, times: tuple[datetime, datetime]
) -> StoredDays:
    """The daily medians that go with :func:`window_of`."""
    since, until = times
    return online_days.stored_days(
        connection, compartment_id, source_id, utc_day(since - RAW - LOOKBACK), utc_day(until + AFTERMATH)
    )


def history_of(connection: Connection, key: tuple[int, int], at: datetime) -> OnlineSeries:
    """A reading with all that it is judged by: the reading that a change must show in to be confirmed, and the days."""
    stored = online_rows.rows_at(connection, key, at, a_day_before(at))
    days = online_days.stored_days(connection, *key, utc_day(at - RAW - LOOKBACK), utc_day(at))
    return stored_series(stored, days, key)


def a_day_before(at: datetime) -> tuple[datetime, datetime]:
    """Between which times the newest reading is the one that confirms a reading at a time, or refuses to.

    A second more than the rule has at its far end: it measures in days, as floating numbers, and has the last word.
    """
    return (
        at - timedelta(days=CONFIRM_WITHIN_DAYS, seconds=1),
        at - timedelta(days=CONFIRM_AFTER_DAYS) + timedelta(microseconds=86),
    )


def midnight(at: datetime) -> datetime:
    return datetime.combine(utc_day(at), datetime.min.time(), UTC)


def spells(times: Sequence[datetime]) -> list[tuple[datetime, datetime]]:
    """First and last of the times that can concern the same readings: one old reading beside a new one must not
    judge all the years between them again."""
    ordered = sorted(times)
    edges = [i for i, (a, b) in enumerate(pairwise(ordered), start=1) if b - a > AFTERMATH]
    return [
        (ordered[begin], ordered[end - 1])
        for begin, end in zip([0, *edges], [*edges, len(ordered)], strict=True)
    ]


def stored_series(stored: StoredRows, days: StoredDays, key: tuple[int, int]) -> OnlineSeries:
    """A series of stored readings alone."""
    rows = np.flatnonzero(stored.counts)
    return OnlineSeries(
        *key,
        ids=[stored.ids[i] for i in rows],
        taken_at=[stored.taken_at[i] for i in rows],
        values=judged_values(stored.numbers[rows], stored.unjudged[rows]),
        below=stored.below[rows] & ~stored.unjudged[rows],
        stored=rows.astype(np.int64),
        days=days,
    )


def merged_series(
    key: tuple[int, int], stored: StoredRows, new: NewReadings, gone: Sequence[int], days: StoredDays
) -> OnlineSeries:
    """Stored readings that count, but those whose place among the stored ones is in ``gone``, and new ones."""
    kept = stored.counts.copy()
    kept[list(gone)] = False
    old = np.flatnonzero(kept)
    fresh = [i for i, aside in enumerate(new.set_aside) if aside is None]
    ids = [*(stored.ids[i] for i in old), *(new.ids[i] for i in fresh)]
    times = [*(stored.taken_at[i] for i in old), *(new.taken_at[i] for i in fresh)]
    values = np.concatenate(
        [
            judged_values(stored.numbers[old], stored.unjudged[old]),
            judged_values(new.numbers[fresh], new.unjudged[fresh]),
        ]
    )
    below = np.concatenate(
        [stored.below[old] & ~stored.unjudged[old], new.below[fresh] & ~new.unjudged[fresh]]
    )
    place = np.concatenate([old, np.full(len(fresh), -1)]).astype(np.int64)
    order = sorted(range(len(ids)), key=times.__getitem__)
    return OnlineSeries(
        *key,
        ids=[ids[i] for i in order],
        taken_at=[times[i] for i in order],
        values=values[order],
        below=below[order],
        stored=place[order],
        days=days,
    )


def judged_values(numbers: Floats, unjudged: NDArray[np.bool_]) -> Floats:
    """Numbers as the engine sees them."""
    return np.where(unjudged, np.nan, numbers) if unjudged.any() else numbers
