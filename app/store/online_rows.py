"""On-line readings in and out, many at a time: a series' stored rows as arrays, new rows in one statement."""

import secrets
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Self

import numpy as np
import sqlalchemy as sa
from numpy.typing import NDArray

from app.domain.summary import DaySummaries
from app.science.quantities import NAMES, NORM_GASES
from app.store.bulk import insert_rows, upsert_rows
from app.store.database import Connection
from app.store.tables import daily_summaries, instrument_states, samples

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Standing = tuple[int | None, bool, str | None]
"""Status, suspect, fault."""

_BITS = np.arange(len(NAMES))
FIRST_DAY = date(1970, 1, 1).toordinal()


@dataclass(frozen=True)
class StoredRows:
    """Samples of one instrument in one compartment, all revisions and whether they count or not, in time order.

    Attributes:
        ids, taken_at, revision, current: (n,) as stored. standings: (n,) None for what was never judged.
        counts: (n,) which are judged.
        numbers: (n, quantities) as they came. below, unjudged: (n, quantities) flags.
        qualities: (n,) quality by quantity of the readings that are not good, or None.
    """

    ids: list[int]
    taken_at: list[datetime]
    revision: list[int]
    current: list[bool]
    counts: Bools
    standings: list[Standing | None]
    numbers: Floats
    below: Bools
    unjudged: Bools
    qualities: list[Mapping[str, str] | None]

    def __len__(self) -> int:
        return len(self.ids)


_STORED = (
    sa.select(
        samples.c.id,
        samples.c.taken_at,
        samples.c.revision,
        samples.c.current,
        sa.and_(samples.c.current, samples.c.excluded_at.is_(None), samples.c.set_aside.is_(None)),
        samples.c.status,
        samples.c.suspect,
        samples.c.fault,
        samples.c.rule_set.is_not(None),
        samples.c.qualities,
        samples.c.below,
        samples.c.unjudged,
        *(samples.c[name] for name in NAMES),
    )
    .where(
        samples.c.online,
        samples.c.compartment_id == sa.bindparam("of_compartment"),
        samples.c.source_id == sa.bindparam("of_source"),
        samples.c.taken_at >= sa.bindparam("since"),
        samples.c.taken_at <= sa.bindparam("until"),
    )
    .order_by(samples.c.taken_at, samples.c.id)
)


def stored_rows(
    connection: Connection, compartment_id: int, source_id: int, since: datetime, until: datetime
) -> StoredRows:
    """What is stored of a series between two times, both included."""
    found = connection.execute(
        _STORED,
        {"of_compartment": compartment_id, "of_source": source_id, "since": since, "until": until},
    ).all()
    table = np.array([row[10:] for row in found], dtype=np.float64).reshape(len(found), 2 + len(NAMES))
    masks = table[:, :2].astype(np.int64)
    return StoredRows(
        ids=[row[0] for row in found],
        taken_at=[row[1] for row in found],
        revision=[row[2] for row in found],
        current=[bool(row[3]) for row in found],
        counts=np.array([bool(row[4]) for row in found], dtype=np.bool_),
        standings=[(row[5], bool(row[6]), row[7]) if row[8] else None for row in found],
        numbers=table[:, 2:],
        below=flags(masks[:, 0]),
        unjudged=flags(masks[:, 1]),
        qualities=[row[9] for row in found],
    )


def flags(masks: NDArray[np.int64]) -> Bools:
    """(n, quantities) flags of (n,) bit masks."""
    found: Bools = (masks[:, None] >> _BITS) & 1 == 1
    return found


def masks(of: Bools) -> NDArray[np.int64]:
    """The inverse of :func:`flags`."""
    return of.astype(np.int64) @ (1 << _BITS.astype(np.int64))


@dataclass(frozen=True, slots=True)
class FileOrigin:
    """A file that readings come from, and of each of them its line, laboratory number and remark."""

    file_id: int | None
    notes: Sequence[tuple[int | None, str | None, str | None]]

    def of(self, rows: Sequence[int]) -> Self:
        """Of some of the rows."""
        return type(self)(self.file_id, [self.notes[row] for row in rows])


@dataclass(frozen=True)
class NewReadings:
    """n rows to store: new samples or new revisions of one instrument's samples in one compartment.

    ``numbers``, ``below`` and ``unjudged`` are (n, quantities); ``standings`` None for what is not judged.
    """

    ids: Sequence[int]
    taken_at: Sequence[datetime]
    revision: Sequence[int]
    set_aside: Sequence[str | None]
    numbers: Floats
    below: Bools
    unjudged: Bools
    qualities: Sequence[Mapping[str, str] | None]
    standings: Sequence[Standing | None]
    current: Sequence[bool]
    origin: FileOrigin | None = None


def next_ids(connection: Connection, count: int) -> list[int]:
    """Ids for new samples, rising. On SQLite the caller holds the one writer's lock."""
    if connection.dialect.name == "postgresql":
        query = sa.text("SELECT nextval('samples_id_seq') FROM generate_series(1, :count)")
        return sorted(connection.execute(query, {"count": count}).scalars())
    highest = connection.execute(_HIGHEST_ID).scalar() or 0
    return list(range(highest + 1, highest + 1 + count))


_HIGHEST_ID = sa.select(sa.func.max(samples.c.id))


@dataclass(frozen=True, slots=True)
class Belonging:
    """What all rows of one :class:`NewReadings` share."""

    compartment_id: int
    source_id: int
    received_at: datetime
    rule_set: str


def insert_readings(connection: Connection, new: Sequence[tuple[Belonging, NewReadings]]) -> None:
    """Store rows of many series in one statement. Columns of quantities that none of them has are left out."""
    used = np.zeros(len(NAMES), dtype=np.bool_)
    for _, rows in new:
        used |= ~np.isnan(rows.numbers).all(axis=0)
    places = np.flatnonzero(used)
    filed = any(rows.origin is not None for _, rows in new)
    columns = (*_COLUMNS, *(_FILED if filed else ()), *(NAMES[i] for i in places))
    records = [record for of, rows in new for record in _records(of, rows, places, filed)]
    insert_rows(connection, samples, columns, records)


_COLUMNS = (
    "id",
    "compartment_id",
    "source_id",
    "taken_at",
    "revision",
    "current",
    "received_at",
    "online",
    "set_aside",
    "status",
    "suspect",
    "fault",
    "rule_set",
    "below",
    "unjudged",
    "qualities",
)


_FILED = ("file_id", "file_line", "laboratory_number", "remark")


def _records(
    of: Belonging, rows: NewReadings, places: NDArray[np.int64], filed: bool
) -> list[tuple[Any, ...]]:
    below, unjudged = masks(rows.below).tolist(), masks(rows.unjudged).tolist()
    numbers = rows.numbers[:, places].tolist()
    found = []
    for i, sample_id in enumerate(rows.ids):
        standing = rows.standings[i]
        status, suspect, fault = standing or (None, False, None)
        origin: tuple[Any, ...] = ()
        if filed:
            origin = (rows.origin.file_id, *rows.origin.notes[i]) if rows.origin else (None,) * len(_FILED)
        found.append(
            (
                sample_id,
                of.compartment_id,
                of.source_id,
                rows.taken_at[i],
                rows.revision[i],
                rows.current[i],
                of.received_at,
                True,
                rows.set_aside[i],
                status,
                suspect,
                fault,
                None if standing is None else of.rule_set,
                below[i],
                unjudged[i],
                rows.qualities[i],
                *origin,
                *(None if v != v else v for v in numbers[i]),
            )
        )
    return found


def no_longer_current(connection: Connection, replaced: Sequence[tuple[int, datetime]]) -> None:
    """A newer revision has come for these readings: their ids and times."""
    if not replaced:
        return
    connection.execute(
        sa.update(samples)
        .where(
            samples.c.online,
            samples.c.id == sa.bindparam("old_id"),
            samples.c.taken_at == sa.bindparam("old_time"),  # one month is looked into and not all
        )
        .values(current=False),
        [{"old_id": sample_id, "old_time": at} for sample_id, at in replaced],
    )


def under_rules(connection: Connection, compartment_id: int, source_id: int, rule_set: str) -> None:
    """All judged readings of a series were judged under these rules and stand as they stood."""
    connection.execute(
        sa.update(samples)
        .where(
            samples.c.online,
            samples.c.compartment_id == compartment_id,
            samples.c.source_id == source_id,
            samples.c.rule_set != rule_set,
        )
        .values(rule_set=rule_set)
    )


# --- days -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class StoredDays:
    """Daily medians of one series: ``day`` (d,) days since 1970, ``medians`` and ``limits`` (d, 7) of the norm gases,
    NaN where the median is a detection limit and elsewhere, respectively."""

    day: Floats
    medians: Floats
    limits: Floats


_DAYS = (
    sa.select(
        daily_summaries.c.day, daily_summaries.c.below, *(daily_summaries.c[name] for name in NORM_GASES)
    )
    .where(
        daily_summaries.c.compartment_id == sa.bindparam("of_compartment"),
        daily_summaries.c.source_id == sa.bindparam("of_source"),
        daily_summaries.c.day >= sa.bindparam("since"),
        daily_summaries.c.day <= sa.bindparam("until"),
    )
    .order_by(daily_summaries.c.day)
)


def stored_days(
    connection: Connection, compartment_id: int, source_id: int, since: date, until: date
) -> StoredDays:
    """What is stored of a series between two UTC days, both included."""
    found = connection.execute(
        _DAYS, {"of_compartment": compartment_id, "of_source": source_id, "since": since, "until": until}
    ).all()
    table = np.array([row[1:] for row in found], dtype=np.float64).reshape(len(found), 1 + len(NORM_GASES))
    below = flags(table[:, 0].astype(np.int64))[:, : len(NORM_GASES)]
    return StoredDays(
        np.array([row[0].toordinal() for row in found], dtype=np.float64) - FIRST_DAY,
        np.where(below, np.nan, table[:, 1:]),
        np.where(below, table[:, 1:], np.nan),
    )


def put_days(connection: Connection, days: Sequence[tuple[int, int, DaySummaries]]) -> None:
    """Store the summaries of (compartment id, source id, days), in place of what was there; none of an empty day."""
    records = []
    for compartment_id, source_id, found in days:
        empty = [day for day, count in zip(found.day, found.count, strict=True) if not count]
        if empty:
            _forget_days(connection, compartment_id, source_id, empty)
        below = masks(found.below).tolist()
        measured = [np.flatnonzero(row) for row in found.number > 0]
        median = found.median.tolist()
        for i, day in enumerate(found.day):
            if not found.count[i]:
                continue
            ranges = {
                NAMES[q]: [float(found.least[i, q]), float(found.greatest[i, q]), int(found.number[i, q])]
                for q in measured[i]
            }
            medians = (None if v != v else v for v in median[i])
            records.append((compartment_id, source_id, day, found.count[i], below[i], ranges, *medians))
    columns = ("compartment_id", "source_id", "day", "count", "below", "ranges", *NAMES)
    upsert_rows(connection, daily_summaries, columns, records)


def _forget_days(connection: Connection, compartment_id: int, source_id: int, days: Sequence[date]) -> None:
    connection.execute(
        sa.delete(daily_summaries).where(
            daily_summaries.c.compartment_id == compartment_id,
            daily_summaries.c.source_id == source_id,
            daily_summaries.c.day.in_(days),
        )
    )


# --- instruments ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Heard:
    """When the newest sample that ever came of an instrument was taken, and the token of its stored readings."""

    newest: datetime
    token: int


def newest_heard(connection: Connection, source_ids: Sequence[int]) -> dict[int, Heard]:
    """By source id; none of an instrument that was never heard."""
    query = sa.select(
        instrument_states.c.source_id, instrument_states.c.newest_taken_at, instrument_states.c.token
    ).where(instrument_states.c.source_id.in_(source_ids))
    return {row[0]: Heard(row[1], row[2]) for row in connection.execute(query)}


def new_token() -> int:
    """One that no other change has."""
    return secrets.randbits(63)


def touch(connection: Connection, source_id: int) -> None:
    """Stored readings of an instrument have changed: nobody may go on what was remembered of them."""
    connection.execute(
        sa.update(instrument_states)
        .where(instrument_states.c.source_id == source_id)
        .values(token=new_token())
    )


def heard(connection: Connection, states: Mapping[int, tuple[datetime, datetime, int]]) -> None:
    """Note by source id when it was heard, the time of the newest sample it ever sent, and the new token."""
    columns = ("source_id", "heard_at", "newest_taken_at", "token")
    upsert_rows(connection, instrument_states, columns, [(i, *state) for i, state in states.items()])


def extended(stored: StoredRows, new: NewReadings, since: datetime) -> StoredRows:
    """Stored rows with new ones behind them, from a time on; all new ones are newer than the stored."""
    times = [*stored.taken_at, *new.taken_at]
    first = bisect_left(times, since)
    aside = [a is None for a in new.set_aside]
    return StoredRows(
        ids=[*stored.ids, *new.ids][first:],
        taken_at=times[first:],
        revision=[*stored.revision, *new.revision][first:],
        current=[*stored.current, *new.current][first:],
        counts=np.concatenate([stored.counts, np.array(aside, dtype=np.bool_)])[first:],
        standings=[*stored.standings, *new.standings][first:],
        numbers=np.concatenate([stored.numbers, new.numbers])[first:],
        below=np.concatenate([stored.below, new.below])[first:],
        unjudged=np.concatenate([stored.unjudged, new.unjudged])[first:],
        qualities=[*stored.qualities, *new.qualities][first:],
    )
