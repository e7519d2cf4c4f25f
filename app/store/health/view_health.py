"""What probes and metrics read: the schema's revision, the outbox, the workers, alerts, instruments."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta

import sqlalchemy as sa

from app.domain.model import SourceKind
from app.errors import OutsideError
from app.store.database import Connection, Database
from app.store.schema import alerts, heartbeats, instrument_states, messages, sources

STATEMENT_MILLISECONDS = 2000


class DatabaseTroubleError(OutsideError):
    """The database does not answer as it should; the text is the kind of error, without any value."""


@dataclass(frozen=True, slots=True)
class Vitals:
    """What the service's health is judged by."""

    revision: str | None
    heartbeat_at: datetime | None
    """The newest sign of life of any worker."""
    queued: int
    oldest_queued_at: datetime | None
    failed: int


@contextmanager
def quick_read(database: Database) -> Iterator[Connection]:
    """A read whose statements PostgreSQL ends after two seconds.

    Raises:
        DatabaseTroubleError: for whatever goes wrong with the database in the block.
    """
    try:
        with database.read() as connection:
            if not database.is_sqlite:
                connection.exec_driver_sql(f"SET LOCAL statement_timeout = {STATEMENT_MILLISECONDS}")
            yield connection
    except sa.exc.SQLAlchemyError as error:
        raise DatabaseTroubleError(type(error).__name__) from None


def vitals(connection: Connection) -> Vitals:
    """Three small queries; the messages that were sent are not looked at."""
    revision = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
    at = messages.c.created_at
    rows = connection.execute(
        sa.select(messages.c.state, sa.func.count(), sa.func.min(at, type_=at.type))
        .where(messages.c.state.in_(["queued", "failed"]))
        .group_by(messages.c.state)
    )
    by_state = {row[0]: (row[1], row[2]) for row in rows}
    queued, oldest = by_state.get("queued", (0, None))
    beat = connection.execute(sa.select(sa.func.max(heartbeats.c.at, type_=heartbeats.c.at.type))).scalar()
    return Vitals(revision, beat, queued, oldest, by_state.get("failed", (0, None))[0])


def open_alerts(connection: Connection) -> list[tuple[str, int, str, int]]:
    """(condition, severity, state, how many) of the alerts that are not back to normal."""
    kind = (alerts.c.condition, alerts.c.severity, alerts.c.state)
    rows = connection.execute(
        sa.select(*kind, sa.func.count()).where(alerts.c.state != "normal").group_by(*kind).order_by(*kind)
    )
    return [(row[0], row[1], row[2], row[3]) for row in rows]


def instruments_heard(connection: Connection, now: datetime) -> dict[str, int]:
    """How many instruments posted within the last hour, the last day, earlier, or never."""
    heard = instrument_states.c.heard_at
    when = sa.case(
        (heard.is_(None), "never"),
        (heard > now - timedelta(hours=1), "hour"),
        (heard > now - timedelta(days=1), "day"),
        else_="earlier",
    )
    rows = connection.execute(
        sa.select(when, sa.func.count())
        .select_from(sources.outerjoin(instrument_states, instrument_states.c.source_id == sources.c.id))
        .where(sources.c.kind == SourceKind.INSTRUMENT.value)
        .group_by(when)
    )
    return {"hour": 0, "day": 0, "earlier": 0, "never": 0} | {row[0]: row[1] for row in rows}


def connections(database: Database) -> tuple[int, int]:
    """How many connections of this process's pool are in use, and how many wait to be used."""
    pool = database.engine.pool
    return (pool.checkedout(), pool.checkedin()) if isinstance(pool, sa.pool.QueuePool) else (0, 0)
