"""Errors of the database that are nobody's mistake, told from those that are ours."""

import sqlite3
from contextlib import closing
from pathlib import Path

import psycopg
import pytest
import sqlalchemy as sa

from app.store.database import Database
from app.store.trouble import Trouble, trouble_of


def of_sqlite(code: int) -> sa.exc.DBAPIError:
    error = sqlite3.OperationalError("said by the driver")
    error.sqlite_errorcode = code
    return sa.exc.OperationalError("INSERT", {}, error)


@pytest.mark.parametrize(
    ("code", "trouble"),
    [
        (sqlite3.SQLITE_FULL, Trouble.FULL),
        (sqlite3.SQLITE_IOERR_WRITE, Trouble.FAILING),
        (sqlite3.SQLITE_IOERR_FSYNC, Trouble.FAILING),
        (sqlite3.SQLITE_CANTOPEN, Trouble.FAILING),
        (sqlite3.SQLITE_BUSY, Trouble.BUSY),
        (sqlite3.SQLITE_BUSY_SNAPSHOT, Trouble.BUSY),
        (sqlite3.SQLITE_READONLY, Trouble.READ_ONLY),
        (sqlite3.SQLITE_ERROR, None),
        (sqlite3.SQLITE_CONSTRAINT_UNIQUE, None),
        (sqlite3.SQLITE_CORRUPT, None),
    ],
)
def test_codes_of_sqlite(code: int, trouble: Trouble | None) -> None:
    assert trouble_of(of_sqlite(code)) is trouble


@pytest.mark.parametrize(
    ("kind", "trouble"),
    [
        (psycopg.errors.DiskFull, Trouble.FULL),
        (psycopg.errors.TooManyConnections, Trouble.BUSY),
        (psycopg.errors.OutOfMemory, Trouble.BUSY),
        (psycopg.errors.AdminShutdown, Trouble.GONE),
        (psycopg.errors.CrashShutdown, Trouble.GONE),
        (psycopg.errors.CannotConnectNow, Trouble.GONE),
        (psycopg.errors.ConnectionFailure, Trouble.GONE),
        (psycopg.OperationalError, Trouble.GONE),
        (psycopg.errors.LockNotAvailable, Trouble.BUSY),
        (psycopg.errors.DeadlockDetected, Trouble.BUSY),
        (psycopg.errors.SerializationFailure, Trouble.BUSY),
        (psycopg.errors.QueryCanceled, Trouble.BUSY),
        (psycopg.errors.ReadOnlySqlTransaction, Trouble.READ_ONLY),
        (psycopg.errors.IoError, Trouble.FAILING),
        (psycopg.errors.UniqueViolation, None),
        (psycopg.errors.UndefinedTable, None),
        (psycopg.ProgrammingError, None),
    ],
)
def test_states_of_postgresql(kind: type[psycopg.Error], trouble: Trouble | None) -> None:
    bare = kind("said by the server")
    assert trouble_of(bare) is trouble
    assert trouble_of(sa.exc.DBAPIError("INSERT", {}, bare)) is trouble


def test_a_pool_without_a_free_connection_is_busy() -> None:
    assert trouble_of(sa.exc.TimeoutError("QueuePool limit reached")) is Trouble.BUSY


def test_other_errors_are_no_trouble_of_the_database() -> None:
    assert trouble_of(ValueError("no")) is None
    assert trouble_of(sa.exc.ArgumentError("no")) is None


def test_the_first_error_is_told_when_sqlite_has_rolled_back_by_itself(tmp_path: Path) -> None:
    """OR ROLLBACK ends the transaction as a full disk may; "no transaction is active" would say nothing to anybody."""
    database = Database(f"sqlite:///{tmp_path / 'a.db'}")
    with database.write() as connection:
        connection.exec_driver_sql("CREATE TABLE t (a INTEGER UNIQUE)")
        connection.exec_driver_sql("INSERT INTO t VALUES (1)")
    with pytest.raises(sa.exc.IntegrityError), database.write() as connection:
        connection.exec_driver_sql("INSERT OR ROLLBACK INTO t VALUES (2), (1)")
    with database.write() as connection:  # and the connection can be used again
        connection.exec_driver_sql("INSERT INTO t VALUES (3)")
    database.dispose()
    with closing(sqlite3.connect(tmp_path / "a.db")) as plain:
        assert plain.execute("SELECT a FROM t ORDER BY a").fetchall() == [(1,), (3,)]


def test_a_commit_that_fails_is_rolled_back(tmp_path: Path) -> None:
    """A deferred constraint is checked at the commit, and leaves the transaction open when it fails."""
    database = Database(f"sqlite:///{tmp_path / 'a.db'}")
    with database.write() as connection:
        connection.exec_driver_sql("CREATE TABLE p (a INTEGER PRIMARY KEY)")
        connection.exec_driver_sql("CREATE TABLE c (a INTEGER REFERENCES p DEFERRABLE INITIALLY DEFERRED)")
    with pytest.raises(sa.exc.IntegrityError), database.write() as connection:
        connection.exec_driver_sql("INSERT INTO c VALUES (7)")
    with database.write() as connection:
        connection.exec_driver_sql("INSERT INTO p VALUES (1)")
    with database.read() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM c").scalar() == 0
        assert connection.exec_driver_sql("SELECT count(*) FROM p").scalar() == 1
    database.dispose()
