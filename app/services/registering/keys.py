"""Keys of instruments and registrars: issue, list, rotate, revoke.

A key that was revoked or has expired is refused from the next request on, by every process: each request asks
the database. A post that was let in before goes on to its end.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

from app.domain.model import SourceKind
from app.errors import RefusedError
from app.store.database import Connection, Database
from app.store.registering import keys, source_lookup
from app.store.registering.keys import KeyRecord
from app.store.registering.registration import UnknownReferenceError

__all__ = [
    "KeyRecord",
    "KeyRefusedError",
    "KeyWish",
    "NewKey",
    "UnknownReferenceError",
    "issue_key",
    "list_keys",
    "revoke_key",
    "rotate_keys",
]


class KeyRefusedError(RefusedError):
    """It cannot be done; the text says why."""


@dataclass(frozen=True, slots=True)
class NewKey:
    """A key just issued; ``key`` is shown this once. ``ending``: the older ones that end at ``they_end_at``."""

    key: str
    expires_at: datetime | None
    ending: tuple[str, ...] = ()
    they_end_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class KeyWish:
    """What a new key should be: what people call it, and when it ends (None: when it is revoked)."""

    label: str = ""
    expires_at: datetime | None = None


def issue_key(database: Database, instrument: str | None, now: datetime, wish: KeyWish = KeyWish()) -> NewKey:
    """A new key of an instrument, or of a registrar (None). The older ones stay as they are.

    Raises:
        UnknownReferenceError: there is no such instrument.
        KeyRefusedError: it would have expired already.
    """
    with database.write() as connection:
        return _issue(connection, instrument, now, wish)


def rotate_keys(
    database: Database, instrument: str | None, now: datetime, overlap: timedelta, wish: KeyWish = KeyWish()
) -> NewKey:
    """A new key; the older good ones end after ``overlap``, those that end sooner when they were to.

    Raises as :func:`issue_key`.
    """
    with database.write() as connection:
        older = keys.keys_of(connection, _source_id(connection, instrument))
        ends_at = now + overlap
        ending = tuple(
            key.prefix
            for key in older
            if key.state(now) == "good" and (key.expires_at is None or key.expires_at > ends_at)
        )
        new = _issue(connection, instrument, now, wish)
        keys.expire(connection, ending, ends_at)
        return NewKey(new.key, new.expires_at, ending, ends_at if ending else None)


def list_keys(database: Database, instrument: str | None) -> list[KeyRecord]:
    """The keys of an instrument, or of the registrars, oldest first. Raises UnknownReferenceError."""
    with database.read() as connection:
        return keys.keys_of(connection, _source_id(connection, instrument))


def revoke_key(database: Database, prefix: str, now: datetime, instrument: str | None = None) -> KeyRecord:
    """The key with this prefix lets nobody in any more. Doing it again changes nothing.

    Args:
        instrument: refuse when it is not a key of this instrument; None: whosesoever it is.

    Raises:
        KeyRefusedError: there is no such key.
    """
    with database.write() as connection:
        found = keys.find(connection, prefix)
        if found is None or (instrument is not None and found.source_code != instrument):
            of = f" of {instrument}" if instrument else ""
            raise KeyRefusedError(f"no key{of} has the prefix {prefix!r}")
        keys.revoke(connection, prefix, now)
        return keys.find(connection, prefix) or found


def _issue(connection: Connection, instrument: str | None, now: datetime, wish: KeyWish) -> NewKey:
    if wish.expires_at is not None and wish.expires_at <= now:
        raise KeyRefusedError(f"the key would have expired already, at {wish.expires_at:%Y-%m-%d %H:%M} UTC")
    source_id = _source_id(connection, instrument)
    scope: keys.Scope = "registrar" if source_id is None else "instrument"
    key = keys.issue(connection, scope, source_id, now, label=wish.label, expires_at=wish.expires_at)
    return NewKey(key, wish.expires_at)


def _source_id(connection: Connection, instrument: str | None) -> int | None:
    if instrument is None:
        return None
    stored = source_lookup.find_source(connection, instrument)
    if stored is None or stored.source.kind is not SourceKind.INSTRUMENT:
        raise UnknownReferenceError("instrument", instrument)
    return stored.id
