"""Keys of instruments and registrars: shown once, stored as a digest.

A key is ``ull_<prefix>_<secret>`` with 256 random bits in the secret. A fast hash is right for it: there is
nothing to guess that a slow one would protect, and an instrument posts every few minutes.
"""

import hashlib
import hmac
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

import sqlalchemy as sa

from app.store.database import Connection
from app.store.tables import api_keys, sources

Scope = Literal["instrument", "registrar"]

LAST_USED_RESOLUTION = timedelta(minutes=1)


@dataclass(frozen=True, slots=True)
class KeyHolder:
    """Whose key it is. ``source_code`` is None for a registrar. ``stale``: the last use wants writing down."""

    key_id: int
    scope: Scope
    source_code: str | None
    stale: bool


def issue(connection: Connection, scope: Scope, source_id: int | None, now: datetime) -> str:
    """A new key; the only time that it can be read."""
    prefix, secret = secrets.token_hex(4), secrets.token_urlsafe(32)
    key = f"ull_{prefix}_{secret}"
    values = {
        "source_id": source_id,
        "scope": scope,
        "label": "",
        "prefix": prefix,
        "digest": _digest(key),
        "created_at": now,
    }
    connection.execute(sa.insert(api_keys).values(values))
    return key


def check(connection: Connection, key: str, now: datetime) -> KeyHolder | None:
    """The holder of a key, or None when it is unknown, revoked or expired. Reads only; see :func:`touch`."""
    parts = key.split("_", 2)
    if len(parts) != 3 or parts[0] != "ull" or "\0" in key or not key.isascii():
        return None
    query = (
        sa.select(api_keys, sources.c.code.label("source_code"))
        .outerjoin(sources, sources.c.id == api_keys.c.source_id)
        .where(api_keys.c.prefix == parts[1])
    )
    row = connection.execute(query).first()
    if row is None or not hmac.compare_digest(row.digest, _digest(key)):
        return None
    if row.revoked_at is not None or (row.expires_at is not None and row.expires_at <= now):
        return None
    stale = row.last_used_at is None or now - row.last_used_at >= LAST_USED_RESOLUTION
    return KeyHolder(row.id, row.scope, row.source_code, stale)


def touch(connection: Connection, key_id: int, now: datetime) -> None:
    """Write down that a key was used."""
    connection.execute(sa.update(api_keys).where(api_keys.c.id == key_id).values(last_used_at=now))


def _digest(key: str) -> str:
    return hashlib.sha256(key.encode("utf-8", "surrogatepass")).hexdigest()
