"""A streaming replica of the PostgreSQL database, for what is only shown.

Who asks decides, not each query: inside :func:`may_be_stale` (the web puts pages into it, see
``app/web/server/replica_reads.py``) ``Database.read()`` reads the replica, everywhere else the primary. The replica is
passed over, and the primary read instead, when it cannot be reached, is no standby, lags more than
:data:`LONGEST_LAG_SECONDS`, or has not yet replayed what the reader himself caused.
"""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Final

import sqlalchemy as sa
import structlog
from sqlalchemy.engine import Connection

LONGEST_LAG_SECONDS: Final = 30.0
"""The worker's heartbeat writes every five seconds, so that a replica that follows is never behind by more."""
PAUSE_SECONDS: Final = 10.0
"""How long a replica that failed is left alone."""

log = structlog.get_logger("ullage.store")


@dataclass(frozen=True, slots=True)
class StaleRead:
    """``position``: what must have been replayed, as the primary's log sequence number; None: anything goes."""

    position: str | None = None


_reading: ContextVar[StaleRead | None] = ContextVar("reading", default=None)

_STATE = sa.text(
    "SELECT pg_is_in_recovery(),"
    " extract(epoch FROM clock_timestamp() - pg_last_xact_replay_timestamp()),"
    " CAST(:position AS text) IS NULL OR pg_last_wal_replay_lsn() >= CAST(CAST(:position AS text) AS pg_lsn)"
)


@contextmanager
def may_be_stale(position: str | None = None) -> Iterator[None]:
    """What is read inside may come from a replica that has replayed ``position``."""
    token = _reading.set(StaleRead(position))
    try:
        yield
    finally:
        _reading.reset(token)


class Replica:
    """The engine of the replica and whether it is fit to be read."""

    def __init__(self, url: sa.URL, pool_size: int) -> None:
        self.engine = sa.create_engine(
            url,
            pool_size=pool_size,
            max_overflow=pool_size,
            pool_pre_ping=True,
            pool_timeout=3,
            hide_parameters=True,
            connect_args={"connect_timeout": 3},
            isolation_level="REPEATABLE READ",  # as Database.read()
        )
        self._leave_until = 0.0

    def connect(self) -> Connection | None:
        """A connection, where this reader may have one; None: read the primary."""
        wanted = _reading.get()
        if wanted is None or time.monotonic() < self._leave_until:
            return None
        try:
            connection = self.engine.connect()
        except (sa.exc.DBAPIError, sa.exc.TimeoutError) as error:
            self._leave(str(getattr(error, "orig", None) or error))
            return None
        try:
            standby, lag, replayed = connection.execute(_STATE, {"position": wanted.position}).one()
        except sa.exc.DBAPIError as error:
            connection.close()
            self._leave(str(error.orig))
            return None
        if standby and replayed and lag is not None and lag <= LONGEST_LAG_SECONDS:
            return connection
        connection.close()
        if not standby:
            self._leave("it is no standby")
        elif lag is None or lag > LONGEST_LAG_SECONDS:
            self._leave("it lags behind" if lag is None else f"it lags {float(lag):.0f} s behind")
        return None  # else only what this reader caused is not there yet

    def dispose(self) -> None:
        self.engine.dispose()

    def _leave(self, reason: str) -> None:
        self._leave_until = time.monotonic() + PAUSE_SECONDS
        log.warning(
            "the replica is not read, pages read the primary", reason=reason.strip().partition("\n")[0]
        )
