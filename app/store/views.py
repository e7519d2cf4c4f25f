"""What the pages read about units and their samples. Queries only; nothing here writes.

Every query is bounded by the caller's list of ids or by a ``limit``.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa

from app.domain.findings import Assessment
from app.domain.model import (
    Asset,
    AssetKind,
    Compartment,
    CompartmentKind,
    EventKind,
    Liquid,
    Preservation,
    Reading,
    ServiceEvent,
    Site,
    SourceKind,
    TapChanger,
)
from app.science.quantities import NAMES
from app.store.database import Connection
from app.store.tables import (
    assessments,
    assets,
    compartments,
    daily_medians,
    samples,
    service_events,
    sites,
    source_compartments,
    sources,
)


@dataclass(frozen=True, slots=True)
class Unit:
    """One compartment with the asset and site it belongs to: a row of the fleet page."""

    compartment_id: int
    compartment: Compartment
    asset: Asset
    site: Site


@dataclass(frozen=True, slots=True)
class Standing:
    """The newest counting sample of one source in one compartment, as the fleet list needs it."""

    compartment_id: int
    source_kind: SourceKind
    source_name: str
    sample_id: int
    previous_id: int | None
    taken_at: datetime
    status: int | None
    suspect: bool
    fault: str | None


@dataclass(frozen=True, slots=True)
class SampleView:
    """A sample as stored, with who took it and what the engine says of it (None: not assessed)."""

    id: int
    compartment_id: int
    source_code: str
    source_name: str
    source_kind: SourceKind
    taken_at: datetime
    received_at: datetime
    revision: int
    current: bool
    readings: dict[str, Reading]
    laboratory_number: str | None
    remark: str | None
    file_id: int | None
    file_line: int | None
    excluded_at: datetime | None
    excluded_by: str | None
    excluded_because: str | None
    assessment: Assessment | None

    @property
    def counts(self) -> bool:
        """False for a superseded revision and for an excluded sample."""
        return self.current and self.excluded_at is None


@dataclass(frozen=True, slots=True)
class DayView:
    """The median of one UTC day's on-line readings."""

    source_code: str
    day: date
    readings: dict[str, Reading]


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


def standings(connection: Connection, compartment_ids: Sequence[int]) -> list[Standing]:
    """The newest counting sample of every source in every compartment given.

    One index look-up per (compartment, source) pair, so the cost does not grow with the history.
    """
    pairs = sa.union(
        sa.select(source_compartments.c.compartment_id, source_compartments.c.source_id),
        sa.select(compartments.c.id, sources.c.id)
        .join(sources, sa.true())
        .where(sources.c.kind == SourceKind.LABORATORY.value),
    ).subquery("pairs")
    newest = _nth_newest(pairs, 0)
    found = (
        sa.select(
            pairs.c.compartment_id, newest.label("sample_id"), _nth_newest(pairs, 1).label("previous_id")
        )
        .where(pairs.c.compartment_id.in_(compartment_ids))
        .subquery("found")
    )
    query = (
        sa.select(
            samples.c.compartment_id,
            samples.c.taken_at,
            found.c.sample_id,
            found.c.previous_id,
            sources.c.kind,
            sources.c.name,
            assessments.c.status,
            assessments.c.suspect,
            assessments.c.fault,
        )
        .select_from(found)
        .join(samples, samples.c.id == found.c.sample_id)
        .join(sources, sources.c.id == samples.c.source_id)
        .outerjoin(assessments, _counting_assessment())
    )
    return [
        Standing(
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
        for row in connection.execute(query)
    ]


def samples_by_id(connection: Connection, sample_ids: Iterable[int]) -> dict[int, SampleView]:
    """Samples with their counting assessment, by id."""
    query = _sample_query().where(samples.c.id.in_(list(sample_ids)))
    return {row.id: _sample(row) for row in connection.execute(query)}


def history(
    connection: Connection, compartment_id: int, *, before: datetime | None = None, limit: int = 50
) -> list[SampleView]:
    """Every sample of a compartment - revisions and excluded ones too - newest first."""
    query = (
        _sample_query()
        .where(samples.c.compartment_id == compartment_id)
        .order_by(samples.c.taken_at.desc(), samples.c.id.desc())
        .limit(limit)
    )
    if before is not None:
        query = query.where(samples.c.taken_at < before)
    return [_sample(row) for row in connection.execute(query)]


def counting_samples(
    connection: Connection,
    compartment_id: int,
    kind: SourceKind,
    *,
    window: tuple[datetime, datetime],
    limit: int,
) -> list[SampleView]:
    """The newest ``limit`` counting samples of one kind of source within [start, end], oldest first.

    Without their assessments: trends do not need them.
    """
    query = (
        sa.select(samples, sources.c.code, sources.c.name, sources.c.kind, sa.null().label("detail"))
        .join(sources, sources.c.id == samples.c.source_id)
        .where(
            samples.c.compartment_id == compartment_id,
            sources.c.kind == kind.value,
            samples.c.current,
            samples.c.excluded_at.is_(None),
            samples.c.taken_at.between(*window),
        )
        .order_by(samples.c.taken_at.desc())
        .limit(limit)
    )
    return [_sample(row) for row in connection.execute(query)][::-1]


def sample_span(connection: Connection, compartment_id: int) -> tuple[datetime, datetime] | None:
    """Times of the first and the last counting sample, or None when there is none."""
    row = connection.execute(
        sa.select(
            sa.func.min(samples.c.taken_at, type_=samples.c.taken_at.type),
            sa.func.max(samples.c.taken_at, type_=samples.c.taken_at.type),
        ).where(
            samples.c.compartment_id == compartment_id, samples.c.current, samples.c.excluded_at.is_(None)
        )
    ).one()
    return None if row[0] is None else (row[0], row[1])


def days(
    connection: Connection, compartment_ids: Sequence[int], *, since: date, until: date, limit: int
) -> dict[int, list[DayView]]:
    """Daily medians of on-line readings by compartment, oldest first; the newest ``limit`` rows at most."""
    query = (
        sa.select(daily_medians, sources.c.code)
        .join(sources, sources.c.id == daily_medians.c.source_id)
        .where(
            daily_medians.c.compartment_id.in_(compartment_ids),
            daily_medians.c.day.between(since, until),
        )
        .order_by(daily_medians.c.day.desc())
        .limit(limit)
    )
    found: dict[int, list[DayView]] = {}
    for row in connection.execute(query):
        found.setdefault(row.compartment_id, []).append(
            DayView(source_code=row.code, day=row.day, readings=_readings(row))
        )
    return {compartment: rows[::-1] for compartment, rows in found.items()}


def trail(
    connection: Connection, compartment_ids: Sequence[int], *, each: int
) -> dict[int, list[tuple[datetime, dict[str, Reading]]]]:
    """The newest ``each`` laboratory samples of some compartments, oldest first: (taken_at, readings)."""
    rank = (
        sa.func.row_number()
        .over(partition_by=samples.c.compartment_id, order_by=samples.c.taken_at.desc())
        .label("rank")
    )
    inner = (
        sa.select(samples, rank)
        .join(sources, sources.c.id == samples.c.source_id)
        .where(
            samples.c.compartment_id.in_(compartment_ids),
            sources.c.kind == SourceKind.LABORATORY.value,
            samples.c.current,
            samples.c.excluded_at.is_(None),
        )
        .subquery("ranked")
    )
    query = sa.select(inner).where(inner.c.rank <= each).order_by(inner.c.compartment_id, inner.c.taken_at)
    found: dict[int, list[tuple[datetime, dict[str, Reading]]]] = {}
    for row in connection.execute(query):
        found.setdefault(row.compartment_id, []).append((row.taken_at, _readings(row)))
    return found


def unit_events(connection: Connection, compartment_id: int, limit: int = 100) -> list[ServiceEvent]:
    """Service events of a compartment, newest first."""
    query = (
        sa.select(service_events, compartments.c.name, assets.c.code)
        .join(compartments, compartments.c.id == service_events.c.compartment_id)
        .join(assets, assets.c.id == compartments.c.asset_id)
        .where(service_events.c.compartment_id == compartment_id)
        .order_by(service_events.c.at.desc())
        .limit(limit)
    )
    return [
        ServiceEvent(
            asset_code=row.code, compartment=row.name, at=row.at, kind=EventKind(row.kind), note=row.note
        )
        for row in connection.execute(query)
    ]


def _nth_newest(pairs: sa.Subquery, offset: int) -> sa.ScalarSelect[Any]:
    inner = samples.alias(f"newest_{offset}")
    return (
        sa.select(inner.c.id)
        .where(
            inner.c.compartment_id == pairs.c.compartment_id,
            inner.c.source_id == pairs.c.source_id,
            inner.c.current,
            inner.c.excluded_at.is_(None),
        )
        .order_by(inner.c.taken_at.desc())
        .limit(1)
        .offset(offset)
        .scalar_subquery()
    )


def _counting_assessment() -> sa.ColumnElement[bool]:
    return sa.and_(assessments.c.sample_id == samples.c.id, assessments.c.superseded_at.is_(None))


def _sample_query() -> sa.Select[Any]:
    return (
        sa.select(samples, sources.c.code, sources.c.name, sources.c.kind, assessments.c.detail)
        .join(sources, sources.c.id == samples.c.source_id)
        .outerjoin(assessments, _counting_assessment())
    )


def _sample(row: Any) -> SampleView:
    return SampleView(
        id=row.id,
        compartment_id=row.compartment_id,
        source_code=row.code,
        source_name=row.name,
        source_kind=SourceKind(row.kind),
        taken_at=row.taken_at,
        received_at=row.received_at,
        revision=row.revision,
        current=row.current,
        readings=_readings(row),
        laboratory_number=row.laboratory_number,
        remark=row.remark,
        file_id=row.file_id,
        file_line=row.file_line,
        excluded_at=row.excluded_at,
        excluded_by=row.excluded_by,
        excluded_because=row.excluded_because,
        assessment=Assessment.from_json(row.detail) if row.detail is not None else None,
    )


def _readings(row: Any) -> dict[str, Reading]:
    found = {}
    for i, name in enumerate(NAMES):
        number = getattr(row, name)
        if number is not None:
            is_limit = bool(row.below >> i & 1)
            found[name] = Reading(name, below=number) if is_limit else Reading(name, value=number)
    return found


def _unit(row: Any) -> Unit:
    asset = Asset(
        code=row.code,
        name=row.name,
        site_code=row.site_code,
        kind=AssetKind(row.kind),
        serial=row.serial,
        manufacturer=row.manufacturer,
        year_energized=row.year_energized,
        rated_kv=row.rated_kv,
        rated_mva=row.rated_mva,
        liquid=Liquid(row.liquid),
        oil_volume_l=row.oil_volume_l,
        preservation=Preservation(row.preservation),
        tap_changer=TapChanger(row.tap_changer),
        norm_set=row.norm_set,
    )
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
