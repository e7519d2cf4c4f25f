"""Profiles of laboratories' files that people made on the mapping page. Earlier texts of one are kept."""

from datetime import datetime

import sqlalchemy as sa

from app.store.database import Connection
from app.store.schema import laboratory_profiles


def add(connection: Connection, code: str, text: str, author: str, now: datetime) -> None:
    """Keep a profile for a laboratory; from now on it is the one that counts."""
    values = {"code": code, "text": text, "created_at": now, "author": author}
    connection.execute(sa.insert(laboratory_profiles).values(values))


def find(connection: Connection, code: str) -> str | None:
    """The text of a laboratory's newest profile, or None."""
    query = (
        sa.select(laboratory_profiles.c.text)
        .where(laboratory_profiles.c.code == code)
        .order_by(laboratory_profiles.c.id.desc())
        .limit(1)
    )
    return connection.execute(query).scalar()
