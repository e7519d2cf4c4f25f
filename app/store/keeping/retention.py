"""The end of raw on-line readings that are older than the owner keeps; daily summaries and laboratories' samples stay.

Whole UTC months end, so that a day's summary is either all backed by readings or by none. ``raw_ends`` remembers
up to when: nothing earlier is taken in any more, or one late reading would make a new summary of a day that is kept.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime

import sqlalchemy as sa

from app.store.database import Connection
from app.store.partitions import forget_months, months, name_of, next_month
from app.store.schema import compartments, raw_ends, samples


@dataclass(frozen=True, slots=True)
class RawMonth:
    """A month of on-line readings and how many there are."""

    month: date
    rows: int


def raw_begins(connection: Connection) -> datetime | None:
    """On-line readings taken before this time have ended; None: all are kept that ever came."""
    found: datetime | None = connection.execute(sa.select(raw_ends.c.before)).scalar()
    return found


def mark(connection: Connection, before: datetime, now: datetime) -> None:
    """Nothing taken before is taken in from now on. The mark moves forward only."""
    known = raw_begins(connection)
    if known is None:
        connection.execute(sa.insert(raw_ends).values(one=True, before=before, at=now))
    elif known < before:
        connection.execute(sa.update(raw_ends).values(before=before, at=now))


def ended_before(connection: Connection, sample_id: int) -> datetime | None:
    """Up to when readings have ended, if a sample that is not stored may be one of them; None: it never was.

    Ids rise, so that one that was given out and is not there any more was that of an on-line reading.
    """
    if connection.dialect.name == "postgresql":
        newest = connection.exec_driver_sql("SELECT last_value FROM samples_id_seq").scalar_one()
    else:
        newest = connection.execute(sa.select(sa.func.max(samples.c.id))).scalar() or 0
    return raw_begins(connection) if sample_id <= newest else None


def lock_readings(connection: Connection) -> None:
    """On PostgreSQL: wait, for two seconds at most, until nobody is recording or reading on-line readings.

    Raises:
        sqlalchemy.exc.OperationalError: somebody is at it for longer; try again later.
    """
    connection.exec_driver_sql("SET LOCAL lock_timeout = '2s'")
    connection.exec_driver_sql("LOCK TABLE samples_online IN ACCESS EXCLUSIVE MODE")


def partitions_before(connection: Connection, before: datetime) -> list[RawMonth]:
    """PostgreSQL's months that end at or before a time, with the rows they hold (as counted now)."""
    ended = [month for month in months(connection) if _end(month) <= before]
    return [
        RawMonth(month, connection.exec_driver_sql(f"SELECT count(*) FROM {name_of(month)}").scalar_one())
        for month in ended
    ]


def _end(month: date) -> datetime:
    following = next_month(month)
    return datetime(following.year, following.month, 1, tzinfo=UTC)


def take_away(connection: Connection, month: date, *, keep_table: bool) -> None:
    """Detach a month; its table is dropped, or stays in the database by itself for the owner to put elsewhere."""
    connection.exec_driver_sql(f"ALTER TABLE samples_online DETACH PARTITION {name_of(month)}")
    if not keep_table:
        connection.exec_driver_sql(f"DROP TABLE {name_of(month)}")
    forget_months(connection)


def empty_far_past(connection: Connection) -> int:
    """Delete what was taken before there are months; returns how many."""
    return connection.exec_driver_sql("DELETE FROM samples_online_before").rowcount


def compartment_ids(connection: Connection) -> list[int]:
    return list(connection.execute(sa.select(compartments.c.id).order_by(compartments.c.id)).scalars())


def count_before(connection: Connection, compartment_id: int, before: datetime) -> int:
    """On-line readings of a compartment taken before a time."""
    query = sa.select(sa.func.count()).select_from(samples).where(*_of(compartment_id, before))
    return connection.execute(query).scalar_one()


def delete_before(connection: Connection, compartment_id: int, before: datetime, limit: int) -> int:
    """Delete the oldest ``limit`` on-line readings of a compartment taken before a time; returns how many.

    The sample with the greatest id stays, however old its reading: SQLite would give the id to another one.
    """
    oldest = (
        sa.select(samples.c.id)
        .where(
            *_of(compartment_id, before),
            samples.c.id < sa.select(sa.func.max(samples.c.id)).scalar_subquery(),
        )
        .order_by(samples.c.taken_at)
        .limit(limit)
    )
    return connection.execute(sa.delete(samples).where(samples.c.id.in_(oldest))).rowcount


def _of(compartment_id: int, before: datetime) -> tuple[sa.ColumnElement[bool], ...]:
    return (
        samples.c.compartment_id == compartment_id,
        samples.c.online,
        samples.c.taken_at < before,
    )
