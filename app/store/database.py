"""One engine and its transactions, for SQLite and PostgreSQL alike."""

import sqlite3
import tempfile
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from math import ceil
from pathlib import Path
from typing import Any, Final

import psycopg
import sqlalchemy as sa
from psycopg import pq
from sqlalchemy import event
from sqlalchemy.engine import Connection, Dialect, Engine, make_url
from sqlalchemy.types import TypeDecorator

from app.store.replica import Replica

__all__ = ["Connection", "ConnectionOptions", "Database", "UtcDateTime", "try_alone", "wait_alone"]


@dataclass(frozen=True, slots=True)
class ConnectionOptions:
    """How PostgreSQL is connected to; SQLite needs none of it.

    Attributes:
        read_url: of a read replica; empty: there is none.
        pool_size: connections kept; as many again under load.
        statement_seconds: the longest a statement may take; 0: as long as it likes. A transaction that is left
            idle for :data:`IDLE_SECONDS` is ended too then, since it keeps others waiting.
    """

    read_url: str = ""
    pool_size: int = 10
    statement_seconds: float = 0


IDLE_SECONDS: Final = 300
CONNECT_SECONDS: Final = 10
ASKING_SECONDS: Final = 2
"""For the question whether a server is up: psycopg stops the whole process meanwhile."""


class UtcDateTime(TypeDecorator[datetime]):
    """Aware UTC datetimes on both databases (SQLite gives them back naive otherwise)."""

    impl = sa.DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a naive datetime reached the store; give it a time zone")
        value = value.astimezone(UTC)
        return value.replace(tzinfo=None) if dialect.name == "sqlite" else value

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if dialect.name == "sqlite" else value.astimezone(UTC)


class Database:
    """The store's engine.

    ``write()`` is one transaction that is committed when the block ends and rolled back on any exception;
    on SQLite it also holds a process-wide lock, since one writer at a time is what SQLite can do and
    queueing for it in the process is many times fairer than SQLite's own busy wait. A connection that PostgreSQL
    has closed meanwhile, as when it is restarted, is noticed before it is used and replaced.
    """

    def __init__(self, url: str, options: ConnectionOptions | None = None) -> None:
        options = options or ConnectionOptions()
        self.url = make_url(url)
        self.is_sqlite = self.url.get_backend_name() == "sqlite"
        if self.is_sqlite:
            if self.url.database and self.url.database != ":memory:":
                Path(self.url.database).expanduser().parent.mkdir(parents=True, exist_ok=True)
            self.engine: Engine = sa.create_engine(
                self.url, connect_args={"timeout": 30, "isolation_level": None}, hide_parameters=True
            )
            event.listen(self.engine, "connect", _prepare_sqlite)
        else:
            self.engine = sa.create_engine(
                self.url,
                pool_size=options.pool_size,
                max_overflow=options.pool_size,
                pool_pre_ping=True,
                hide_parameters=True,
                connect_args=_limits(self.url, options.statement_seconds),
            )
        self._replica = Replica(make_url(options.read_url), options.pool_size) if options.read_url else None
        self._write_lock = threading.Lock()

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A connection that sees one moment: what others commit meanwhile does not come between two of its queries.

        Its changes, if any, are rolled back. What is only shown may come from a replica: see :mod:`app.store.replica`.
        """
        of_replica = self._replica.connect() if self._replica else None
        with of_replica or self.engine.connect() as connection:
            if self.is_sqlite:
                connection.exec_driver_sql("BEGIN")
            elif of_replica is None:
                connection.execution_options(isolation_level="REPEATABLE READ")
            try:
                yield connection
            finally:
                if self.is_sqlite:
                    _roll_back(connection)
                connection.rollback()

    @contextmanager
    def glance(self) -> Iterator[Connection]:
        """A connection of the primary for one statement that reads, without a transaction around it.

        On PostgreSQL it takes a third of the time of :meth:`read`, and never comes from a replica.
        """
        with self.engine.connect() as connection:
            if not self.is_sqlite:  # there it is so anyway
                connection.execution_options(isolation_level="AUTOCOMMIT")
            yield connection

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """One transaction. Only services call this."""
        if not self.is_sqlite:
            with self.engine.begin() as connection:
                yield connection
            return
        with self._write_lock, self.engine.connect() as connection:
            connection.exec_driver_sql("BEGIN IMMEDIATE")
            try:
                yield connection
                connection.exec_driver_sql("COMMIT")
            except BaseException:
                _roll_back(connection)
                raise

    @contextmanager
    def snapshot(self) -> Iterator[Connection]:
        """A connection that sees the primary as it stood when it first looked, however long it reads."""
        if self.is_sqlite:
            with self.read() as connection:  # a transaction of SQLite is one
                yield connection
            return
        with self.engine.connect() as connection:
            connection.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
            try:
                yield connection
            finally:
                connection.rollback()

    @contextmanager
    def rehearse(self) -> Iterator[Connection]:
        """A connection to try changes on: nothing of it stays.

        On SQLite it works on a copy, so that nobody waits for the one writer there can be; on PostgreSQL it is a
        transaction that is rolled back, and holds the locks of the rows it touches until then.
        """
        if not self.is_sqlite:
            with self.engine.connect() as connection:
                try:
                    yield connection
                finally:
                    connection.rollback()
            return
        with tempfile.TemporaryDirectory(prefix="ullage-") as folder:
            path = Path(folder) / "rehearsal.db"
            with (
                closing(sqlite3.connect(str(self.url.database))) as source,
                closing(sqlite3.connect(path)) as copy,
            ):
                source.backup(copy)
            rehearsal = Database(f"sqlite:///{path}")
            try:
                with rehearsal.read() as connection:
                    yield connection
            finally:
                rehearsal.dispose()

    def position(self) -> str | None:
        """How far the primary's log reaches, for :func:`app.store.replica.may_be_stale`; None without a replica."""
        if self._replica is None:
            return None
        with self.engine.connect() as connection:
            return str(connection.exec_driver_sql("SELECT pg_current_wal_insert_lsn()").scalar_one())

    def takes_connections(self) -> bool:
        """Whether PostgreSQL's server is up and done with starting; whom it lets in is another matter."""
        given = {**self.url.translate_connect_args(username="user", database="dbname"), **self.url.query}
        try:
            asked = psycopg.conninfo.make_conninfo("", **{**given, "connect_timeout": ASKING_SECONDS})
        except psycopg.ProgrammingError:
            return True  # its URL is wrong, for which no waiting helps
        return pq.PGconn.ping(asked.encode()) in (pq.Ping.OK, pq.Ping.NO_ATTEMPT)

    def dispose(self) -> None:
        self.engine.dispose()
        if self._replica:
            self._replica.dispose()


def _limits(url: sa.URL, statement_seconds: float) -> dict[str, Any]:
    """Connect arguments; what the URL says of its own goes before."""
    arguments: dict[str, Any] = {}
    if "connect_timeout" not in url.query:
        arguments["connect_timeout"] = CONNECT_SECONDS
    if statement_seconds:
        options = [str(url.query["options"])] if "options" in url.query else []
        options = [
            f"-c statement_timeout={ceil(statement_seconds * 1000)}",
            f"-c idle_in_transaction_session_timeout={IDLE_SECONDS * 1000}",
            *options,
        ]
        arguments["options"] = " ".join(options)
    return arguments


_LOCK_OF = "(hashtextextended('ullage ' || %s, 0))"


def wait_alone(connection: Connection, duty: str) -> None:
    """Wait until no other transaction is at this duty; until the end of this one, others wait.

    On SQLite nothing is to be done: it has one writing transaction at a time.
    """
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock{_LOCK_OF}", (duty,))


def try_alone(connection: Connection, duty: str) -> bool:
    """As :func:`wait_alone`, but False at once when another transaction is at it."""
    if connection.dialect.name != "postgresql":
        return True
    return bool(connection.exec_driver_sql(f"SELECT pg_try_advisory_xact_lock{_LOCK_OF}", (duty,)).scalar())


def _roll_back(connection: Connection) -> None:
    """Unless SQLite did so by itself, as it may when the disk is full or fails: the first error is the one to tell."""
    driver: Any = connection.connection.driver_connection
    if driver.in_transaction:
        connection.exec_driver_sql("ROLLBACK")


def _prepare_sqlite(connection: sqlite3.Connection, _record: Any) -> None:
    cursor = connection.cursor()
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", "busy_timeout=30000"):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()
