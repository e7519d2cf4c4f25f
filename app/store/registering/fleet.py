"""Sites, assets, compartments and contacts as they are registered."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from enum import StrEnum
from itertools import groupby
from typing import Any, get_type_hints

import sqlalchemy as sa

from app.domain.model import (
    Asset,
    Compartment,
    CompartmentKind,
    Contact,
    Site,
)
from app.store.database import Connection
from app.store.schema import assets, compartments, contacts, site_contacts, sites


@dataclass(frozen=True, slots=True)
class CompartmentContext:
    """Everything around one compartment."""

    asset: Asset
    compartment: Compartment
    site: Site
    contacts: tuple[Contact, ...]


def compartment_ids(connection: Connection, pairs: Iterable[tuple[str, str]]) -> dict[tuple[str, str], int]:
    """Ids of compartments by (asset code, compartment name); those not registered are left out."""
    wanted = set(pairs)
    found: dict[tuple[str, str], int] = {}
    codes = sorted({code for code, _ in wanted})
    for begin in range(0, len(codes), 500):
        query = (
            sa.select(assets.c.code, compartments.c.name, compartments.c.id)
            .join(assets, assets.c.id == compartments.c.asset_id)
            .where(assets.c.code.in_(codes[begin : begin + 500]))
        )
        found.update({(c, n): i for c, n, i in connection.execute(query) if (c, n) in wanted})
    return found


def lock_compartments(connection: Connection, ids: Iterable[int]) -> None:
    """Let nobody else record samples of these compartments until the transaction ends.

    Retries of one batch at the same time, or a laboratory and an instrument of one unit, then wait for one
    another instead of clashing. SQLite has one writer at a time and needs no lock.
    """
    if connection.dialect.name == "sqlite":
        return
    query = sa.select(compartments.c.id).where(compartments.c.id.in_(sorted(set(ids))))
    connection.execute(query.order_by(compartments.c.id).with_for_update()).all()


@dataclass(frozen=True)
class AssetIndex:
    """Resolves what a file calls a unit: the owner's code, the serial number or the name, exactly as written."""

    by_code: dict[str, str]
    by_serial: dict[str, list[str]]
    by_name: dict[str, list[str]]
    compartments: dict[str, tuple[str, ...]]
    """Compartment names by asset code."""
    time_zones: dict[str, str]
    """The site's time zone by asset code."""

    def find(self, text: str, kinds: Sequence[str] = ("code", "serial", "name")) -> list[str]:
        """Codes of the assets that ``text`` may mean; the first kind with a match decides."""
        for kind in kinds:
            if kind == "code" and text in self.by_code:
                return [self.by_code[text]]
            table = {"serial": self.by_serial, "name": self.by_name}.get(kind, {})
            if text in table:
                return table[text]
        return []


def asset_index(connection: Connection) -> AssetIndex:
    query = sa.select(assets.c.code, assets.c.serial, assets.c.name, sites.c.time_zone).join(
        sites, sites.c.id == assets.c.site_id
    )
    index = AssetIndex({}, {}, {}, {}, {})
    for code, serial, name, time_zone in connection.execute(query):
        index.by_code[code] = code
        index.time_zones[code] = time_zone
        index.by_name.setdefault(name, []).append(code)
        if serial:
            index.by_serial.setdefault(serial, []).append(code)
    names = sa.select(assets.c.code, compartments.c.name).join(assets, assets.c.id == compartments.c.asset_id)
    for code, name in connection.execute(names.order_by(compartments.c.id)):
        index.compartments[code] = (*index.compartments.get(code, ()), name)
    return index


def find_asset(connection: Connection, code: str) -> tuple[Asset, tuple[Compartment, ...]] | None:
    """An asset and its compartments by the owner's code, or None."""
    return next(iter(_assets(connection, assets.c.code == code)), None)


def all_assets(connection: Connection) -> list[Asset]:
    """All assets in the order of their codes."""
    query = sa.select(assets, sites.c.code.label("site_code")).join(sites, sites.c.id == assets.c.site_id)
    return [asset_of(row) for row in connection.execute(query.order_by(assets.c.code))]


def assets_with_compartments(connection: Connection) -> list[tuple[Asset, tuple[Compartment, ...]]]:
    """All assets with their compartments, in the order of their codes."""
    return _assets(connection, sa.true())


def _assets(
    connection: Connection, which: sa.ColumnElement[bool]
) -> list[tuple[Asset, tuple[Compartment, ...]]]:
    """Assets by their codes, in one statement: a row for each compartment, one for an asset without."""
    query = (
        sa.select(
            assets,
            sites.c.code.label("site_code"),
            compartments.c.name.label("compartment_name"),
            compartments.c.kind.label("compartment_kind"),
            compartments.c.oil_volume_l.label("compartment_oil_volume_l"),
        )
        .join(sites, sites.c.id == assets.c.site_id)
        .outerjoin(compartments, compartments.c.asset_id == assets.c.id)
        .where(which)
        .order_by(assets.c.code, compartments.c.id)
    )
    found = []
    for _, same in groupby(connection.execute(query), key=lambda row: row.id):
        row, *others = same
        parts = tuple(_compartment(r) for r in (row, *others) if r.compartment_name is not None)
        found.append((asset_of(row), parts))
    return found


def all_sites(connection: Connection) -> list[Site]:
    query = sa.select(sites).order_by(sites.c.code)
    return [Site(row.code, row.name, row.time_zone) for row in connection.execute(query)]


def all_contacts(connection: Connection) -> list[Contact]:
    linked = _linked_sites(connection)
    query = sa.select(contacts).order_by(contacts.c.code)
    return [Contact(r.code, r.name, r.email, tuple(linked.get(r.id, ()))) for r in connection.execute(query)]


def _linked_sites(connection: Connection) -> dict[int, list[str]]:
    """Site codes by contact id."""
    query = sa.select(site_contacts.c.contact_id, sites.c.code).join(
        sites, sites.c.id == site_contacts.c.site_id
    )
    linked: dict[int, list[str]] = {}
    for contact_id, code in connection.execute(query.order_by(sites.c.code)):
        linked.setdefault(contact_id, []).append(code)
    return linked


def compartment_context(
    connection: Connection, compartment_ids: Iterable[int], *, people: bool = True
) -> dict[int, CompartmentContext]:
    """Asset, site and contacts of compartments, by compartment id; ids that are not known are left out.

    Without ``people`` no contacts are read.
    """
    wanted = sorted(set(compartment_ids))
    query = (
        sa.select(
            compartments.c.id.label("compartment_id"),
            compartments.c.name.label("compartment_name"),
            compartments.c.kind.label("compartment_kind"),
            compartments.c.oil_volume_l.label("compartment_oil_volume_l"),
            sites.c.code.label("site_code"),
            sites.c.name.label("site_name"),
            sites.c.time_zone,
            assets,
        )
        .join(assets, assets.c.id == compartments.c.asset_id)
        .join(sites, sites.c.id == assets.c.site_id)
        .where(compartments.c.id.in_(wanted))
    )
    found = connection.execute(query).all()
    mailed = contacts_by_site(connection, {row.site_id for row in found}) if people else {}
    return {
        row.compartment_id: CompartmentContext(
            asset=asset_of(row),
            compartment=_compartment(row),
            site=Site(row.site_code, row.site_name, row.time_zone),
            contacts=mailed.get(row.site_id, ()),
        )
        for row in found
    }


def contacts_by_site(connection: Connection, site_ids: Iterable[int]) -> dict[int, tuple[Contact, ...]]:
    """Whom to mail about sites, by site id."""
    query = (
        sa.select(site_contacts.c.site_id, sites.c.code.label("site_code"), contacts)
        .join(contacts, contacts.c.id == site_contacts.c.contact_id)
        .join(sites, sites.c.id == site_contacts.c.site_id)
        .where(site_contacts.c.site_id.in_(list(site_ids)))
        .order_by(contacts.c.code)
    )
    linked: dict[int, tuple[Contact, ...]] = {}
    for row in connection.execute(query):
        contact = Contact(row.code, row.name, row.email, (row.site_code,))
        linked[row.site_id] = (*linked.get(row.site_id, ()), contact)
    return linked


def asset_of(row: Any) -> Asset:
    """The asset of a row with the columns of ``assets`` and ``site_code``: each field from the column of its name."""
    held = {f.name: getattr(row, f.name) for f in fields(Asset)}
    return Asset(**{**held, **{name: kind(held[name]) for name, kind in _WORDS.items()}})


_WORDS = {
    name: kind
    for name, kind in get_type_hints(Asset).items()
    if isinstance(kind, type) and issubclass(kind, StrEnum)
}
"""The fields of an asset that hold one word of a list."""


def _compartment(row: Any) -> Compartment:
    """The compartment of a row that has the asset's ``code`` and the compartment's columns by its prefix."""
    kind = CompartmentKind(row.compartment_kind)
    return Compartment(row.code, row.compartment_name, kind, row.compartment_oil_volume_l)
