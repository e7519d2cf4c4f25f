"""Which errors of the database are nobody's mistake: it is gone, full, or busy. They end by themselves or by an
operator's hand, and what was asked for can be asked for again."""

import sqlite3
from enum import StrEnum
from typing import Final

import psycopg
import sqlalchemy as sa

STORE_ERRORS: Final = (sa.exc.DBAPIError, sa.exc.TimeoutError, psycopg.Error, sqlite3.Error)
"""Everything that :func:`trouble_of` can be asked about; COPY raises psycopg's own."""


class Trouble(StrEnum):
    """What ails the database, and so what became of a transaction that met it."""

    FULL = "full"
    """No space is left: nothing was stored."""
    FAILING = "failing"
    """The disk reads or writes with errors, or not at all: nothing was stored."""
    BUSY = "busy"
    """Locked by others for too long, or too many at once: nothing was stored."""
    READ_ONLY = "read_only"
    """It takes no writes: nothing was stored."""
    GONE = "gone"
    """The connection cannot be had or was lost: lost at the commit, it may have been stored all the same."""


WORDS: Final = {
    Trouble.FULL: "the disk of the database is full",
    Trouble.FAILING: "the disk of the database cannot be read or written",
    Trouble.BUSY: "the database is busy: others hold what is needed",
    Trouble.READ_ONLY: "the database takes no changes at the moment",
    Trouble.GONE: "the database cannot be reached",
}
"""Each as the beginning of a sentence."""
_SQLITE: Final = {
    sqlite3.SQLITE_BUSY: Trouble.BUSY,
    sqlite3.SQLITE_LOCKED: Trouble.BUSY,
    sqlite3.SQLITE_PROTOCOL: Trouble.BUSY,
    sqlite3.SQLITE_READONLY: Trouble.READ_ONLY,
    sqlite3.SQLITE_IOERR: Trouble.FAILING,
    sqlite3.SQLITE_CANTOPEN: Trouble.FAILING,
    sqlite3.SQLITE_FULL: Trouble.FULL,
}
"""By primary result code (https://www.sqlite.org/rescode.html)."""
_POSTGRESQL: Final = (
    ("53100", Trouble.FULL),
    ("53", Trouble.BUSY),  # insufficient resources: connections, memory
    ("57P", Trouble.GONE),  # shut down by an administrator, crashed, starting up
    ("57014", Trouble.BUSY),  # cancelled: a time limit
    ("55P03", Trouble.BUSY),  # a lock that could not be had in time
    ("40", Trouble.BUSY),  # deadlock, serialization
    ("25006", Trouble.READ_ONLY),  # a standby, or made so by an administrator
    ("58", Trouble.FAILING),  # the system around it: I/O
    ("08", Trouble.GONE),  # the connection
)
"""By the beginning of the SQLSTATE, the longer first (PostgreSQL 15, appendix A)."""


def trouble_of(error: BaseException) -> Trouble | None:
    """What ails the database; None when the error says something of our statement instead."""
    if isinstance(error, sa.exc.TimeoutError):
        return Trouble.BUSY  # every connection of the pool is taken
    if isinstance(error, sa.exc.DBAPIError):
        if error.connection_invalidated:
            return _named(error.orig) or Trouble.GONE
        return _named(error.orig)
    return _named(error)


def reason_of(error: BaseException) -> str:
    """What the driver said, without the statement and its parameters."""
    return str(getattr(error, "orig", None) or error).strip().partition("\n")[0][:300]


def _named(error: BaseException | None) -> Trouble | None:
    if isinstance(error, sqlite3.Error):
        code = getattr(error, "sqlite_errorcode", None)
        return None if code is None else _SQLITE.get(code & 0xFF)
    if isinstance(error, psycopg.Error):
        state = error.sqlstate
        if state is None:  # said by the client's library: the server was not reached, or hung up
            return Trouble.GONE if isinstance(error, psycopg.OperationalError) else None
        return next((trouble for begin, trouble in _POSTGRESQL if state.startswith(begin)), None)
    return None
