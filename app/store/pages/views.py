"""What the pages read about units and where they stand. Queries only; nothing here writes."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache
from typing import Any

import sqlalchemy as sa

from app.domain.model import Asset, Compartment, CompartmentKind, Site, SourceKind
from app.store.database import Connection
from app.store.recording.reading_columns import counting, of_kind
from app.store.registering.fleet import asset_of
from app.store.schema import assessments, assets, compartments, samples, sites, source_compartments, sources
from app.store.watching.online_courses import gravities_of


@dataclass(frozen=True, slots=True)
class Unit:
    """One compartment with the asset and site it belongs to: a row of the fleet page."""

    compartment_id: int
    compartment: Compartment
    asset: Asset
    site: Site


@dataclass(frozen=True, slots=True)
class NewestSample:
    """The newest counting sample of one source in one compartment, as the fleet list needs it."""

    compartment_id: int
    source_kind: SourceKind
    source_name: str
    sample_id: int
    previous_id: int | None
    """The one before it of the same source; of a laboratory's newest, of any laboratory."""
    taken_at: datetime
    status: int | None
    suspect: bool
    fault: str | None
    gravity: int | None = None
    """Of the course with it; of a reading, that of the gravest course of the instruments that serve the compartment,
    as of the last look at their days; None where none is told."""


def units(
    connection: Connection, *, site_code: str | None = None, text: str = "", asset_code: str | None = None
) -> list[Unit]:
    """Compartments with their asset and site, ordered by site, asset and compartment.

    ``text`` filters on a part of the asset's code, name, serial number or manufacturer, or the site's name.
    """
    query = (
        sa.select(
            compartments.c.id.label("compartment_id"),
            compartments.c.name.label("compartment_name"),
            compartments.c.kind.label("compartment_kind"),
            compartments.c.oil_volume_l.label("compartment_volume"),
            sites.c.code.label("site_code"),
            sites.c.name.label("site_name"),
            sites.c.time_zone,
            *[column for column in assets.c if column.name not in {"id", "site_id"}],
        )
        .join(assets, compartments.c.asset_id == assets.c.id)
        .join(sites, assets.c.site_id == sites.c.id)
        .order_by(sites.c.name, assets.c.code, compartments.c.id)
    )
    if site_code:
        query = query.where(sites.c.code == site_code)
    if asset_code:
        query = query.where(assets.c.code == asset_code)
    for word in text.split():
        query = query.where(
            sa.or_(
                *(
                    column.icontains(word, autoescape=True)
                    for column in (
                        assets.c.code,
                        assets.c.name,
                        assets.c.serial,
                        assets.c.manufacturer,
                        sites.c.name,
                    )
                )
            )
        )
    return [_unit(row) for row in connection.execute(query)]


def of_the_same_assets(
    connection: Connection, compartment_ids: Sequence[int]
) -> dict[int, tuple[int, CompartmentKind]]:
    """These compartments and all others of their assets, each with its asset's id and its kind."""
    asked = sa.select(compartments.c.asset_id).where(compartments.c.id.in_(compartment_ids))
    query = sa.select(compartments.c.id, compartments.c.asset_id, compartments.c.kind).where(
        compartments.c.asset_id.in_(asked)
    )
    return {row.id: (row.asset_id, CompartmentKind(row.kind)) for row in connection.execute(query)}


def all_sites(connection: Connection) -> list[Site]:
    """Every site, by name."""
    rows = connection.execute(sa.select(sites).order_by(sites.c.name))
    return [Site(code=row.code, name=row.name, time_zone=row.time_zone) for row in rows]


def laboratories(connection: Connection) -> list[tuple[str, str]]:
    """(code, name) of every laboratory, by name."""
    query = (
        sa.select(sources.c.code, sources.c.name)
        .where(sources.c.kind == SourceKind.LABORATORY.value)
        .order_by(sources.c.name)
    )
    return [(row.code, row.name) for row in connection.execute(query)]


def instrument_names(connection: Connection, compartment_ids: Sequence[int]) -> dict[int, list[str]]:
    """Names of the instruments that serve each compartment."""
    query = (
        sa.select(source_compartments.c.compartment_id, sources.c.name)
        .join(sources, sources.c.id == source_compartments.c.source_id)
        .where(source_compartments.c.compartment_id.in_(compartment_ids))
        .order_by(sources.c.name)
    )
    names: dict[int, list[str]] = {}
    for row in connection.execute(query):
        names.setdefault(row.compartment_id, []).append(row.name)
    return names


def newest_samples(connection: Connection, compartment_ids: Sequence[int]) -> list[NewestSample]:
    """The newest counting sample of every source in every compartment given.

    One index look-up per (compartment, source) pair, so the cost does not grow with the history.
    """
    found: list[NewestSample] = []
    before: dict[int, datetime] = {}
    for online in (True, False):
        rows = connection.execute(
            _newest_samples(connection.dialect.name, online), {"compartment_ids": list(compartment_ids)}
        ).all()
        before |= {row.sample_id: row.previous_at for row in rows if row.previous_id}
        found += [
            NewestSample(
                compartment_id=row.compartment_id,
                source_kind=SourceKind(row.kind),
                source_name=row.name,
                sample_id=row.sample_id,
                previous_id=row.previous_id,
                taken_at=row.taken_at,
                status=row.status,
                suspect=bool(row.suspect),
                fault=row.fault,
            )
            for row in rows
        ]
    told = _gravities(connection, [s.sample_id for s in found if s.source_kind is SourceKind.LABORATORY])
    watched = {s.compartment_id for s in found if s.source_kind is SourceKind.INSTRUMENT}
    by_days = gravities_of(connection, sorted(watched))
    return [
        replace(
            one,
            previous_id=_of_any_laboratory(one, found, before),
            gravity=told.get(one.sample_id)
            if one.source_kind is SourceKind.LABORATORY
            else by_days.get(one.compartment_id),
        )
        for one in found
    ]


def _gravities(connection: Connection, sample_ids: Sequence[int]) -> dict[int, int]:
    """The gravity of the course with each sample, where one is told."""
    found: dict[int, int] = {}
    for first in range(0, len(sample_ids), _AT_ONCE):
        query = sa.select(assessments.c.sample_id, assessments.c.gravity).where(
            assessments.c.sample_id.in_(sample_ids[first : first + _AT_ONCE]),
            assessments.c.superseded_at.is_(None),
            assessments.c.gravity.is_not(None),
        )
        found.update((row.sample_id, row.gravity) for row in connection.execute(query))
    return found


_AT_ONCE = 500
"""Ids in one query."""


def _of_any_laboratory(
    one: NewestSample, found: Sequence[NewestSample], before: Mapping[int, datetime]
) -> int | None:
    """The sample before a newest one; laboratories that sample the same oil continue one series."""
    if one.source_kind is not SourceKind.LABORATORY:
        return one.previous_id
    earlier = [
        (other.taken_at, other.sample_id)
        for other in found
        if other.compartment_id == one.compartment_id
        and other.source_kind is SourceKind.LABORATORY
        and other.taken_at < one.taken_at
    ]
    if one.previous_id is not None:
        earlier.append((before[one.sample_id], one.previous_id))
    return max(earlier)[1] if earlier else None


@cache
def _newest_samples(dialect: str, online: bool) -> sa.Select[Any]:
    """The query of :func:`newest_samples`, of instruments or laboratories; making it takes longer than running it."""
    asked: sa.BindParameter[int] = sa.bindparam("compartment_ids", expanding=True)
    if online:
        pairs = sa.select(source_compartments.c.compartment_id, source_compartments.c.source_id).where(
            source_compartments.c.compartment_id.in_(asked)
        )
    else:
        pairs = (
            sa.select(compartments.c.id.label("compartment_id"), sources.c.id.label("source_id"))
            .join(sources, sa.true())
            .where(sources.c.kind == SourceKind.LABORATORY.value, compartments.c.id.in_(asked))
        )
    newest = _newest_lateral if dialect == "postgresql" else _newest_by_id
    return newest(pairs.subquery("pairs"), online)


def _newest_lateral(pairs: sa.Subquery, online: bool) -> sa.Select[Any]:
    """The newest of each pair, looked up pair by pair: PostgreSQL would rather read whole months than many ids."""

    def nth(offset: int, *columns: sa.ColumnElement[Any]) -> sa.FromClause:
        of = _of_pair(pairs, samples, online)
        query = sa.select(*columns).where(*of).order_by(samples.c.taken_at.desc()).limit(1).offset(offset)
        return query.lateral(f"newest_{offset}")

    newest = nth(0, samples.c.id, samples.c.taken_at, samples.c.status, samples.c.suspect, samples.c.fault)
    previous = nth(1, samples.c.id, samples.c.taken_at)
    return (
        sa.select(
            pairs.c.compartment_id,
            newest.c.id.label("sample_id"),
            previous.c.id.label("previous_id"),
            previous.c.taken_at.label("previous_at"),
            newest.c.taken_at,
            newest.c.status,
            newest.c.suspect,
            newest.c.fault,
            sources.c.kind,
            sources.c.name,
        )
        .select_from(pairs)
        .join(newest, sa.true())
        .outerjoin(previous, sa.true())
        .join(sources, sources.c.id == pairs.c.source_id)
    )


def _newest_by_id(pairs: sa.Subquery, online: bool) -> sa.Select[Any]:
    """As :func:`_newest_lateral` for SQLite, which has no LATERAL and does what it is told."""

    def nth(offset: int) -> sa.ScalarSelect[Any]:
        inner = samples.alias(f"newest_{offset}")
        query = sa.select(inner.c.id).where(*_of_pair(pairs, inner, online))
        return query.order_by(inner.c.taken_at.desc()).limit(1).offset(offset).scalar_subquery()

    found = sa.select(
        pairs.c.compartment_id, nth(0).label("sample_id"), nth(1).label("previous_id")
    ).subquery("found")
    previous = samples.alias("previous")
    return (
        sa.select(
            found.c.compartment_id,
            found.c.sample_id,
            found.c.previous_id,
            previous.c.taken_at.label("previous_at"),
            samples.c.taken_at,
            samples.c.status,
            samples.c.suspect,
            samples.c.fault,
            sources.c.kind,
            sources.c.name,
        )
        .select_from(found)
        .join(samples, samples.c.id == found.c.sample_id)
        .join(sources, sources.c.id == samples.c.source_id)
        .outerjoin(previous, previous.c.id == found.c.previous_id)
    )


def _of_pair(pairs: sa.Subquery, of: sa.FromClause, online: bool) -> tuple[sa.ColumnElement[bool], ...]:
    return (
        of.c.compartment_id == pairs.c.compartment_id,
        of.c.source_id == pairs.c.source_id,
        of_kind(online, of),
        *counting(of),
    )


def _unit(row: Any) -> Unit:
    asset = asset_of(row)
    return Unit(
        compartment_id=row.compartment_id,
        compartment=Compartment(
            asset_code=row.code,
            name=row.compartment_name,
            kind=CompartmentKind(row.compartment_kind),
            oil_volume_l=row.compartment_volume,
        ),
        asset=asset,
        site=Site(code=row.site_code, name=row.site_name, time_zone=row.time_zone),
    )
