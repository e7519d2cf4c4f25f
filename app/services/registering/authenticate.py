"""Whose key is this? The answer is a read; that the key was used is written down every ten minutes at most."""

from datetime import datetime

from app.store.database import Database
from app.store.registering import keys
from app.store.registering.keys import KeyHolder


def authenticate(database: Database, key: str, now: datetime) -> KeyHolder | None:
    """The holder of a key, or None when it is not known, was revoked or has expired."""
    with database.glance() as connection:
        holder = keys.check(connection, key, now)
    if holder is not None and holder.stale:
        with database.write() as connection:
            keys.touch(connection, holder.key_id, now)
    return holder
