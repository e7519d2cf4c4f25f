"""Registering one thing at a time, as the API does."""

from collections.abc import Callable
from datetime import datetime
from typing import TypeVar

from app.domain.model import Asset, Compartment, Contact, Site, Source
from app.errors import RefusedError
from app.services.registering.keys import issue_key
from app.store.database import Connection, Database
from app.store.registering import fleet, registration
from app.store.registering.registration import UnknownReferenceError, Upserted

__all__ = [
    "AlreadyRegisteredError",
    "UnknownReferenceError",
    "issue_instrument_key",
    "issue_registrar_key",
    "register_asset",
    "register_contact",
    "register_new_asset",
    "register_site",
    "register_source",
]

T = TypeVar("T")


class AlreadyRegisteredError(RefusedError):
    """Something of that code is registered already."""


def _register(database: Database, upsert: Callable[[Connection, T], Upserted], thing: T) -> Upserted:
    with database.write() as connection:
        registration.lock(connection)
        return upsert(connection, thing)


def register_site(database: Database, site: Site) -> Upserted:
    return _register(database, registration.upsert_site, site)


def register_contact(database: Database, contact: Contact) -> Upserted:
    """Raises UnknownReferenceError when a site is not registered."""
    return _register(database, registration.upsert_contact, contact)


def register_source(database: Database, source: Source) -> Upserted:
    """An instrument or a laboratory. Raises UnknownReferenceError for an unknown asset or compartment."""
    return _register(database, registration.upsert_source, source)


def register_asset(database: Database, asset: Asset, compartments: tuple[Compartment, ...]) -> Upserted:
    """An asset with its compartments, all or nothing. Raises UnknownReferenceError for an unknown site."""
    with database.write() as connection:
        registration.lock(connection)
        results = [registration.upsert_asset(connection, asset)]
        results += [registration.upsert_compartment(connection, part) for part in compartments]
    if results[0] == "created":
        return "created"
    return "unchanged" if set(results) == {"unchanged"} else "changed"


def register_new_asset(database: Database, asset: Asset, compartments: tuple[Compartment, ...]) -> None:
    """An asset that is not registered yet, with its compartments.

    Raises:
        AlreadyRegisteredError: an asset has that code; it is left as it is.
        UnknownReferenceError: its site is not registered.
    """
    with database.write() as connection:
        registration.lock(connection)
        if fleet.find_asset(connection, asset.code) is not None:
            raise AlreadyRegisteredError(
                f"a unit with the code {asset.code!r} is registered; choose it above"
            )
        registration.upsert_asset(connection, asset)
        for part in compartments:
            registration.upsert_compartment(connection, part)


def issue_instrument_key(database: Database, instrument_code: str, now: datetime) -> str:
    """A new key for an instrument; it is shown this once. Raises UnknownReferenceError."""
    return issue_key(database, instrument_code, now).key


def issue_registrar_key(database: Database, now: datetime) -> str:
    """A new key that may register the fleet; it is shown this once."""
    return issue_key(database, None, now).key
