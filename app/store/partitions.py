"""The months of on-line readings on PostgreSQL: each is a partition of ``samples_online``.

There is no default partition: with one, PostgreSQL could not read the newest readings month by month. So a month
is made before its first reading is inserted. That is done on a connection of its own and committed at once: the
lock it needs (SHARE UPDATE EXCLUSIVE on ``samples_online``) keeps out neither readers nor writers, nobody waits
for it while holding anything that it wants, and a transaction that is rolled back later takes no month with it.
"""

from collections.abc import Iterable
from datetime import UTC, date, datetime
from typing import Final
from weakref import WeakKeyDictionary

import sqlalchemy as sa
from sqlalchemy.engine import Engine
from sqlalchemy.pool import NullPool

from app.store.database import Connection, wait_alone

FIRST_MONTH: Final = date(1990, 1, 1)
LAST_MONTH: Final = date(2099, 12, 1)
"""What is taken before or after goes into ``samples_online_before`` and ``samples_online_after``."""

_known: WeakKeyDictionary[Engine, set[date]] = WeakKeyDictionary()


def month_of(at: datetime) -> date:
    """The first day of the UTC month of a time."""
    at = at.astimezone(UTC)
    return date(at.year, at.month, 1)


def next_month(month: date) -> date:
    return date(month.year + month.month // 12, month.month % 12 + 1, 1)


def name_of(month: date) -> str:
    """The table of a month, e.g. ``samples_online_2026_11``."""
    return f"samples_online_{month:%Y_%m}"


def ensure_months(connection: Connection, times: Iterable[datetime]) -> None:
    """See to it that on-line readings of these times can be inserted; call it before inserting them.

    A set look-up once the months are known to this process; nothing at all on SQLite. May be called inside a
    transaction: the months that are missing are made and committed on another connection.
    """
    if connection.dialect.name != "postgresql":
        return
    known = _known.setdefault(connection.engine, set())
    missing = {month_of(at) for at in times} - known
    if missing:
        _make(connection.engine, sorted(missing))
        known |= missing


def forget_months(connection: Connection) -> None:
    """Look again which months there are: some were taken away."""
    _known.pop(connection.engine, None)


def months(connection: Connection) -> list[date]:
    """The months that have a partition, oldest first."""
    query = sa.text(
        "SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid"
        " WHERE i.inhparent = 'samples_online'::regclass AND NOT i.inhdetachpending"
    )
    names = (str(name).removeprefix("samples_online_") for name in connection.execute(query).scalars())
    return sorted(date(int(n[:4]), int(n[5:]), 1) for n in names if n not in {"before", "after"})


def _make(engine: Engine, wanted: list[date]) -> None:
    # not of the pool: its callers hold a connection each, and must not wait for one another's
    own = sa.create_engine(engine.url, poolclass=NullPool, hide_parameters=True)
    try:
        with own.begin() as connection:
            connection.exec_driver_sql("SET LOCAL lock_timeout = '20s'")
            wait_alone(connection, "months")
            make_months(connection, wanted)
    finally:
        own.dispose()


def make_months(connection: Connection, wanted: Iterable[date]) -> None:
    """Make the months that are missing in this very transaction; :func:`ensure_months` is for everyday's use."""
    if connection.dialect.name != "postgresql":
        return
    for month in sorted(set(wanted) - set(months(connection))):
        if FIRST_MONTH <= month <= LAST_MONTH:
            _make_month(connection, month)


def _make_month(connection: Connection, month: date) -> None:
    """Made beside and then attached: CREATE TABLE ... PARTITION OF would keep everybody out of the samples."""
    name = name_of(month)
    connection.exec_driver_sql(f"CREATE TABLE {name} (LIKE samples_online INCLUDING ALL)")
    connection.exec_driver_sql(
        f"ALTER TABLE samples_online ATTACH PARTITION {name}"
        f" FOR VALUES FROM ('{month} 00:00+00') TO ('{next_month(month)} 00:00+00')"
    )
