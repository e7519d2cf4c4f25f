"""On-line readings in and out, many at a time: a series' stored rows as arrays, new rows in one statement."""

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Self

import numpy as np
import sqlalchemy as sa
from numpy.typing import NDArray

from app.science.quantities import NAMES
from app.store.bulk import insert_rows
from app.store.database import Connection
from app.store.recording.reading_columns import counting
from app.store.schema import samples

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
ShortVerdict = tuple[int | None, bool, str | None]
"""Status, suspect, fault."""

_BITS = np.arange(len(NAMES))


@dataclass(frozen=True)
class StoredRows:
    """Samples of one instrument in one compartment, all revisions and whether they count or not, in time order.

    Attributes:
        ids, taken_at, revision, current: (n,) as stored. verdicts: (n,) None for what was never judged.
        counts: (n,) which are judged.
        numbers: (n, quantities) as they came. below, unjudged: (n, quantities) flags.
        qualities: (n,) quality by quantity of the readings that are not good, or None.
    """

    ids: list[int]
    taken_at: list[datetime]
    revision: list[int]
    current: list[bool]
    counts: Bools
    verdicts: list[ShortVerdict | None]
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
        sa.and_(*counting()),
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
_NEWEST_THAT_COUNTS = (
    _STORED.where(*counting())
    .order_by(None)
    .order_by(samples.c.taken_at.desc(), samples.c.id.desc())
    .limit(1)
)


def stored_rows(
    connection: Connection, compartment_id: int, source_id: int, since: datetime, until: datetime
) -> StoredRows:
    """What is stored of a series between two times, both included."""
    return _stored(
        connection.execute(
            _STORED,
            {"of_compartment": compartment_id, "of_source": source_id, "since": since, "until": until},
        ).all()
    )


def rows_at(
    connection: Connection, series: tuple[int, int], at: datetime, earlier: tuple[datetime, datetime]
) -> StoredRows:
    """What is stored of a series (compartment id, source id) at one time, after the newest reading that counts
    between two ``earlier`` times, both included."""
    of = {"of_compartment": series[0], "of_source": series[1]}
    before = connection.execute(_NEWEST_THAT_COUNTS, {**of, "since": earlier[0], "until": earlier[1]}).all()
    then = connection.execute(_STORED, {**of, "since": at, "until": at}).all()
    return _stored([*before, *then])


def _stored(found: Sequence[Any]) -> StoredRows:
    table = np.array([row[10:] for row in found], dtype=np.float64).reshape(len(found), 2 + len(NAMES))
    masks = table[:, :2].astype(np.int64)
    return StoredRows(
        ids=[row[0] for row in found],
        taken_at=[row[1] for row in found],
        revision=[row[2] for row in found],
        current=[bool(row[3]) for row in found],
        counts=np.array([bool(row[4]) for row in found], dtype=np.bool_),
        verdicts=[(row[5], bool(row[6]), row[7]) if row[8] else None for row in found],
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

    ``numbers``, ``below`` and ``unjudged`` are (n, quantities); ``verdicts`` None for what is not judged.
    """

    ids: Sequence[int]
    taken_at: Sequence[datetime]
    revision: Sequence[int]
    set_aside: Sequence[str | None]
    numbers: Floats
    below: Bools
    unjudged: Bools
    qualities: Sequence[Mapping[str, str] | None]
    verdicts: Sequence[ShortVerdict | None]
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
        verdict = rows.verdicts[i]
        status, suspect, fault = verdict or (None, False, None)
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
                None if verdict is None else of.rule_set,
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
        verdicts=[*stored.verdicts, *new.verdicts][first:],
        numbers=np.concatenate([stored.numbers, new.numbers])[first:],
        below=np.concatenate([stored.below, new.below])[first:],
        unjudged=np.concatenate([stored.unjudged, new.unjudged])[first:],
        qualities=[*stored.qualities, *new.qualities][first:],
    )
