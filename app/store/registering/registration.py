"""What is registered goes in: created, changed or found unchanged, one registration at a time."""

from dataclasses import fields
from enum import StrEnum
from typing import Any, Literal

import sqlalchemy as sa

from app.domain.model import Asset, Compartment, Contact, Site, Source
from app.errors import UnknownError
from app.store.database import Connection
from app.store.registering.fleet import compartment_ids
from app.store.schema import (
    assets,
    compartments,
    contacts,
    site_contacts,
    sites,
    source_compartments,
    sources,
)

Upserted = Literal["created", "changed", "unchanged"]
_LOCK = 0x756C6C61676501  # any number of our own


def lock(connection: Connection) -> None:
    """Wait until no other transaction registers anything; held until this one ends.

    Registering looks first and writes then; without this, two at once would both find nothing and clash.
    Samples and pages do not wait for it. SQLite has one writer at a time and needs no lock.
    """
    if connection.dialect.name == "postgresql":
        connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_LOCK)))


class UnknownReferenceError(UnknownError):
    """Something registered refers to something that is not: ``kind`` and ``code`` say what is missing."""

    def __init__(self, kind: str, code: str) -> None:
        super().__init__(f"no {kind} has the code {code!r}")
        self.kind = kind
        self.code = code


def _upsert(
    connection: Connection, table: sa.Table, key: dict[str, Any], values: dict[str, Any]
) -> tuple[int, Upserted]:
    where = sa.and_(*(table.c[name] == value for name, value in key.items()))
    row = connection.execute(sa.select(table).where(where)).mappings().first()
    if row is None:
        statement = sa.insert(table).values(**key, **values).returning(table.c.id)
        return int(connection.execute(statement).scalar_one()), "created"
    if all(row[name] == value for name, value in values.items()):
        return int(row["id"]), "unchanged"
    connection.execute(sa.update(table).where(table.c.id == row["id"]).values(values))
    return int(row["id"]), "changed"


def _id_of(connection: Connection, table: sa.Table, code: str, kind: str) -> int:
    found = connection.execute(sa.select(table.c.id).where(table.c.code == code)).scalar()
    if found is None:
        raise UnknownReferenceError(kind, code)
    return int(found)


def _set_links(
    connection: Connection, table: sa.Table, owner: str, owner_id: int, other: str, ids: set[int]
) -> bool:
    """Make the link table hold exactly these links; True when it did not already."""
    query = sa.select(table.c[other]).where(table.c[owner] == owner_id)
    before = set(connection.execute(query).scalars())
    if before == ids:
        return False
    for gone in before - ids:
        connection.execute(sa.delete(table).where(table.c[owner] == owner_id, table.c[other] == gone))
    if ids - before:
        connection.execute(sa.insert(table), [{owner: owner_id, other: i} for i in sorted(ids - before)])
    return True


def upsert_site(connection: Connection, site: Site) -> Upserted:
    return _upsert(connection, sites, {"code": site.code}, {"name": site.name, "time_zone": site.time_zone})[
        1
    ]


def upsert_asset(connection: Connection, asset: Asset) -> Upserted:
    """Raises UnknownReferenceError when its site is not registered."""
    plate = {f.name: getattr(asset, f.name) for f in fields(asset) if f.name in assets.c and f.name != "code"}
    values = {name: value.value if isinstance(value, StrEnum) else value for name, value in plate.items()}
    values["site_id"] = _id_of(connection, sites, asset.site_code, "site")
    return _upsert(connection, assets, {"code": asset.code}, values)[1]


def upsert_compartment(connection: Connection, compartment: Compartment) -> Upserted:
    """Raises UnknownReferenceError when its asset is not registered."""
    key = {
        "asset_id": _id_of(connection, assets, compartment.asset_code, "asset"),
        "name": compartment.name,
    }
    values = {"kind": compartment.kind.value, "oil_volume_l": compartment.oil_volume_l}
    return _upsert(connection, compartments, key, values)[1]


def upsert_source(connection: Connection, source: Source) -> Upserted:
    """Raises UnknownReferenceError when its asset or one of its compartments is not registered."""
    asset_id = None if source.asset_code is None else _id_of(connection, assets, source.asset_code, "asset")
    values = {
        "name": source.name,
        "kind": source.kind.value,
        "asset_id": asset_id,
        "expected_interval_minutes": source.expected_interval_minutes,
        "posts_per_minute": source.posts_per_minute,
        "profile": source.profile,
    }
    source_id, result = _upsert(connection, sources, {"code": source.code}, values)
    served: set[int] = set()
    if source.asset_code is not None:
        pairs = [(source.asset_code, name) for name in source.compartments]
        ids = compartment_ids(connection, pairs)
        for asset_code, name in pairs:
            if (asset_code, name) not in ids:
                raise UnknownReferenceError("compartment", f"{asset_code}/{name}")
        served = set(ids.values())
    linked = _set_links(connection, source_compartments, "source_id", source_id, "compartment_id", served)
    return "changed" if linked and result == "unchanged" else result


def upsert_contact(connection: Connection, contact: Contact) -> Upserted:
    """Raises UnknownReferenceError when one of the sites is not registered."""
    values = {"name": contact.name, "email": contact.email}
    contact_id, result = _upsert(connection, contacts, {"code": contact.code}, values)
    site_ids = {_id_of(connection, sites, code, "site") for code in contact.sites}
    linked = _set_links(connection, site_contacts, "contact_id", contact_id, "site_id", site_ids)
    return "changed" if linked and result == "unchanged" else result
