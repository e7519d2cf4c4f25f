"""Upkeep of the store: months of on-line readings made ahead, and raw readings ended that are past retention."""

from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Final

from app.store.database import Database, try_alone
from app.store.keeping import retention
from app.store.partitions import ensure_months, month_of, months, next_month

MONTHS_AHEAD: Final = 3
DELETED_AT_ONCE: Final = 5000
"""Rows of one transaction on SQLite: the one writer's place is held for some tens of milliseconds."""


@dataclass(frozen=True, slots=True)
class EndOfRaw:
    """What passed retention: readings taken before ``before`` (None: all are kept).

    ``months`` are the partitions that were taken away, empty on SQLite; ``readings`` how many rows in all.
    """

    before: datetime | None
    months: tuple[date, ...] = ()
    readings: int = 0


def create_partitions_ahead(database: Database, now: datetime) -> list[date]:
    """Make the partitions of this month and the next three on PostgreSQL; returns those that were missing."""
    if database.is_sqlite:
        return []
    wanted = [month_of(now)]
    while len(wanted) <= MONTHS_AHEAD:
        wanted.append(next_month(wanted[-1]))
    with database.read() as connection:
        missing = sorted(set(wanted) - set(months(connection)))
        ensure_months(connection, (datetime(m.year, m.month, 1, tzinfo=UTC) for m in missing))
    return missing


def horizon(now: datetime, keep_months: int) -> datetime | None:
    """The first moment whose raw readings are kept: this month and ``keep_months`` before it; 0 keeps all."""
    if keep_months == 0:
        return None
    month = month_of(now)
    index = month.year * 12 + month.month - 1 - keep_months
    return datetime(index // 12, index % 12 + 1, 1, tzinfo=UTC)


def end_of_raw(
    database: Database, now: datetime, keep_months: int, *, keep_tables: bool = False, dry_run: bool = False
) -> EndOfRaw:
    """End raw on-line readings older than ``keep_months`` whole months; summaries and laboratories' samples stay.

    On PostgreSQL whole partitions are detached and dropped (or kept, by themselves, with ``keep_tables``) in one
    transaction, for which recording waits some milliseconds. On SQLite rows are deleted some at a time; the file
    does not shrink, its free pages are used again.

    Args:
        dry_run: only count.

    Raises:
        sqlalchemy.exc.OperationalError: somebody reads on-line readings for longer than two seconds; later, then.
    """
    before = horizon(now, keep_months)
    if before is None:
        return EndOfRaw(None)
    if dry_run:
        return _counted(database, before)
    if database.is_sqlite:
        return _delete(database, before, now)
    with database.write() as connection:
        if not try_alone(connection, "end of raw readings"):
            return EndOfRaw(before)
        ended = retention.partitions_before(connection, before)  # counted while everybody may still record
        if not ended and retention.raw_begins(connection) == before:
            return EndOfRaw(before)
        retention.lock_readings(connection)
        retention.mark(connection, before, now)
        for one in ended:
            retention.take_away(connection, one.month, keep_table=keep_tables)
        far_past = retention.empty_far_past(connection)
    return EndOfRaw(before, tuple(m.month for m in ended), sum(m.rows for m in ended) + far_past)


def _counted(database: Database, before: datetime) -> EndOfRaw:
    with database.read() as connection:
        parts = () if database.is_sqlite else retention.partitions_before(connection, before)
        rows = sum(
            retention.count_before(connection, one, before) for one in retention.compartment_ids(connection)
        )
    return EndOfRaw(before, tuple(part.month for part in parts), rows)


def _delete(database: Database, before: datetime, now: datetime) -> EndOfRaw:
    with database.write() as connection:
        retention.mark(connection, before, now)
        compartments = retention.compartment_ids(connection)
    deleted = 0
    for compartment_id in compartments:
        last = DELETED_AT_ONCE
        while last == DELETED_AT_ONCE:
            with database.write() as connection:
                last = retention.delete_before(connection, compartment_id, before, DELETED_AT_ONCE)
            deleted += last
    return EndOfRaw(before, (), deleted)
