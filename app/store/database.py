"""One engine and its transactions, for SQLite and PostgreSQL alike."""

import sqlite3
import tempfile
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import event
from sqlalchemy.engine import Connection, Dialect, Engine, make_url
from sqlalchemy.types import TypeDecorator

__all__ = ["Connection", "Database", "UtcDateTime", "try_alone", "wait_alone"]


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
    queueing for it in the process is many times fairer than SQLite's own busy wait.
    """

    def __init__(self, url: str) -> None:
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
                self.url, pool_size=10, max_overflow=10, pool_pre_ping=True, hide_parameters=True
            )
        self._write_lock = threading.Lock()

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A connection whose changes, if any, are rolled back."""
        with self.engine.connect() as connection:
            if self.is_sqlite:
                connection.exec_driver_sql("BEGIN")
            try:
                yield connection
            finally:
                if self.is_sqlite:
                    _roll_back(connection)
                connection.rollback()

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

    def dispose(self) -> None:
        self.engine.dispose()


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
