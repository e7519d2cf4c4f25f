"""One registration at a time, so that two of the same thing meet as "created" and "unchanged"."""

import sqlalchemy as sa

from app.store.database import Connection

_LOCK = 0x756C6C61676501  # any number of our own


def lock(connection: Connection) -> None:
    """Wait until no other transaction registers anything; held until this one ends.

    Registering looks first and writes then; without this, two at once would both find nothing and clash.
    Samples and pages do not wait for it. SQLite has one writer at a time and needs no lock.
    """
    if connection.dialect.name == "postgresql":
        connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_LOCK)))
