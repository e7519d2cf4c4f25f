"""Keys of instruments and registrars: shown once, stored as a digest.

A key is ``ull_<prefix>_<secret>`` with 256 random bits in the secret. A fast hash is right for it: there is
nothing to guess that a slow one would protect, and an instrument posts every few minutes.
"""

import hashlib
import hmac
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal

import sqlalchemy as sa

from app.store.database import Connection
from app.store.registering import source_lookup
from app.store.registering.source_lookup import StoredSource
from app.store.schema import api_keys, compartments, sources

Scope = Literal["instrument", "registrar"]

LAST_USED_RESOLUTION = timedelta(minutes=10)
"""Writing the last use down costs a transaction; who posts every minute pays for it in one post of ten."""


@dataclass(frozen=True, slots=True)
class KeyHolder:
    """Whose key it is. ``source`` is None for a registrar. ``stale``: the last use wants writing down."""

    key_id: int
    scope: Scope
    source: StoredSource | None
    stale: bool

    @property
    def source_code(self) -> str | None:
        """Code of the instrument; None for a registrar."""
        return None if self.source is None else self.source.source.code


@dataclass(frozen=True, slots=True)
class KeyRecord:
    """What is known of a key; the key itself is not."""

    prefix: str
    label: str
    scope: Scope
    source_code: str | None
    created_at: datetime
    last_used_at: datetime | None
    expires_at: datetime | None
    revoked_at: datetime | None

    def state(self, now: datetime) -> Literal["good", "expired", "revoked"]:
        """Whether it lets somebody in."""
        if self.revoked_at is not None:
            return "revoked"
        return "expired" if self.expires_at is not None and self.expires_at <= now else "good"


def issue(
    connection: Connection,
    scope: Scope,
    source_id: int | None,
    now: datetime,
    *,
    label: str = "",
    expires_at: datetime | None = None,
) -> str:
    """A new key; the only time that it can be read."""
    prefix, secret = secrets.token_hex(4), secrets.token_urlsafe(32)
    key = f"ull_{prefix}_{secret}"
    values = {
        "source_id": source_id,
        "scope": scope,
        "label": label,
        "prefix": prefix,
        "digest": _digest(key),
        "created_at": now,
        "expires_at": expires_at,
    }
    connection.execute(sa.insert(api_keys).values(values))
    return key


# built once: building it takes longer than asking it
_HOLDER = (
    sa.select(
        api_keys.c.id.label("key_id"),
        api_keys.c.scope,
        api_keys.c.digest,
        api_keys.c.last_used_at,
        api_keys.c.expires_at,
        api_keys.c.revoked_at,
        *source_lookup.SOURCE_ROW,
    )
    .select_from(
        source_lookup.whole_sources(api_keys.outerjoin(sources, sources.c.id == api_keys.c.source_id))
    )
    .where(api_keys.c.prefix == sa.bindparam("prefix"))
    .order_by(compartments.c.name)
)


def check(connection: Connection, key: str, now: datetime) -> KeyHolder | None:
    """The holder of a key, or None when it is unknown, revoked or expired. One statement, which only reads; for
    the last use see :func:`touch`."""
    parts = key.split("_", 2)
    if len(parts) != 3 or parts[0] != "ull" or "\0" in key or not key.isascii():
        return None
    rows = connection.execute(_HOLDER, {"prefix": parts[1]}).all()
    if not rows or not hmac.compare_digest(rows[0].digest, _digest(key)):
        return None
    row = rows[0]
    if row.revoked_at is not None or (row.expires_at is not None and row.expires_at <= now):
        return None
    stale = row.last_used_at is None or now - row.last_used_at >= LAST_USED_RESOLUTION
    return KeyHolder(
        row.key_id, row.scope, None if row.id is None else source_lookup.stored_source(rows), stale
    )


def touch(connection: Connection, key_id: int, now: datetime) -> None:
    """Write down that a key was used."""
    connection.execute(sa.update(api_keys).where(api_keys.c.id == key_id).values(last_used_at=now))


def keys_of(connection: Connection, source_id: int | None) -> list[KeyRecord]:
    """The keys of an instrument, or of the registrars, oldest first; those that let nobody in among them."""
    return _records(connection, api_keys.c.source_id == source_id)


def find(connection: Connection, prefix: str) -> KeyRecord | None:
    """What is known of the key that begins with ``ull_<prefix>_``."""
    return next(iter(_records(connection, api_keys.c.prefix == prefix)), None)


def _records(connection: Connection, which: sa.ColumnElement[bool]) -> list[KeyRecord]:
    query = (
        sa.select(api_keys, sources.c.code.label("source_code"))
        .outerjoin(sources, sources.c.id == api_keys.c.source_id)
        .where(which)
        .order_by(api_keys.c.id)
    )
    return [_record(row) for row in connection.execute(query)]


def _record(row: Any) -> KeyRecord:
    return KeyRecord(
        prefix=row.prefix,
        label=row.label,
        scope=row.scope,
        source_code=row.source_code,
        created_at=row.created_at,
        last_used_at=row.last_used_at,
        expires_at=row.expires_at,
        revoked_at=row.revoked_at,
    )


def revoke(connection: Connection, prefix: str, now: datetime) -> None:
    """The key lets nobody in any more; one that was revoked before keeps its time."""
    statement = sa.update(api_keys).where(api_keys.c.prefix == prefix, api_keys.c.revoked_at.is_(None))
    connection.execute(statement.values(revoked_at=now))


def expire(connection: Connection, prefixes: Sequence[str], at: datetime) -> None:
    """These keys let nobody in from ``at`` on; one that ends sooner keeps its end."""
    later = sa.or_(api_keys.c.expires_at.is_(None), api_keys.c.expires_at > at)
    statement = sa.update(api_keys).where(api_keys.c.prefix.in_(prefixes), later)
    connection.execute(statement.values(expires_at=at))


def _digest(key: str) -> str:
    return hashlib.sha256(key.encode("utf-8", "surrogatepass")).hexdigest()
