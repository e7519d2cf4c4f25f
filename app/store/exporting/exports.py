"""What leaves in files: samples, assessments and alerts of an asset, a site or the fleet, row by row."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from app.science.quantities import NAMES
from app.store.database import Connection
from app.store.recording.reading_columns import counting
from app.store.schema import alerts, assessments, assets, compartments, files, samples, sites, sources

_AT_ONCE = 1000
"""Rows fetched at a time, so that a large export needs little memory."""


@dataclass(frozen=True, slots=True)
class Scope:
    """Which units: one asset, the assets of one site, or (both None) the fleet. Which samples: since <= taken_at <
    until; alerts are not narrowed by it."""

    asset: str | None = None
    site: str | None = None
    since: datetime | None = None
    until: datetime | None = None


def samples_of(connection: Connection, scope: Scope) -> Iterator[sa.Row[Any]]:
    """Current samples that are not excluded, by asset, compartment, time and source.

    Excluded ones are left out: a file does not say so in a way that an import could keep.
    """
    query = (
        sa.select(
            assets.c.code.label("asset"),
            sites.c.code.label("site"),
            assets.c.serial,
            assets.c.liquid,
            assets.c.rated_kv,
            assets.c.paper,
            compartments.c.name.label("compartment"),
            compartments.c.kind.label("compartment_kind"),
            sources.c.code.label("source"),
            sources.c.kind.label("source_kind"),
            samples.c.taken_at,
            samples.c.laboratory_number,
            samples.c.remark,
            samples.c.below,
            samples.c.revision,
            samples.c.status,
            files.c.name.label("file"),
            samples.c.file_line.label("line"),
            *(samples.c[name] for name in NAMES),
        )
        .select_from(samples)
        .outerjoin(files, files.c.id == samples.c.file_id)
        .outerjoin(assessments, _counting_assessment())
    )
    return _rows(connection, _placed(query).where(*_counts(scope)), scope, samples.c.taken_at, sources.c.code)


def assessments_of(connection: Connection, scope: Scope) -> Iterator[sa.Row[Any]]:
    """The assessments that count, of samples that count; in the order of :func:`samples_of`."""
    query = (
        sa.select(
            assets.c.code.label("asset"),
            sites.c.code.label("site"),
            compartments.c.name.label("compartment"),
            sources.c.code.label("source"),
            samples.c.taken_at,
            sa.func.coalesce(assessments.c.assessed_at, samples.c.received_at).label("assessed_at"),
            samples.c.rule_set,
            samples.c.status,
            samples.c.suspect,
            samples.c.fault,
            assessments.c.detail,
        )
        .select_from(samples)
        .outerjoin(assessments, _counting_assessment())
        .where(samples.c.rule_set.is_not(None))
    )
    return _rows(connection, _placed(query).where(*_counts(scope)), scope, samples.c.taken_at, sources.c.code)


def alerts_of(connection: Connection, scope: Scope) -> Iterator[sa.Row[Any]]:
    """Alerts that were ever raised, by asset, compartment and condition; one of an instrument has no compartment,
    one of a site no asset, one of the whole fleet neither."""
    query = (
        sa.select(
            assets.c.code.label("asset"),
            sites.c.code.label("site"),
            compartments.c.name.label("compartment"),
            alerts.c.condition,
            alerts.c.state,
            alerts.c.severity,
            alerts.c.opened_at,
            alerts.c.changed_at,
            alerts.c.headline,
            alerts.c.acknowledged_by,
            alerts.c.shelved_until,
            sources.c.code.label("instrument"),
        )
        .select_from(alerts)
        .outerjoin(compartments, compartments.c.id == alerts.c.compartment_id)
        .outerjoin(sources, sources.c.id == alerts.c.source_id)
        .outerjoin(assets, assets.c.id == sa.func.coalesce(compartments.c.asset_id, sources.c.asset_id))
        .outerjoin(sites, sites.c.id == sa.func.coalesce(assets.c.site_id, alerts.c.site_id))
        .where(alerts.c.headline != "")  # others only keep a rule's counters
    )
    return _rows(connection, query, scope, alerts.c.condition)


def is_registered(connection: Connection, scope: Scope) -> bool:
    """Whether the asset or site of a scope is known; the fleet always is."""
    if scope.asset is not None:
        return (
            connection.execute(sa.select(assets.c.id).where(assets.c.code == scope.asset)).first() is not None
        )
    if scope.site is not None:
        return connection.execute(sa.select(sites.c.id).where(sites.c.code == scope.site)).first() is not None
    return True


def _counts(scope: Scope) -> tuple[sa.ColumnElement[bool], ...]:
    window = []
    if scope.since is not None:
        window.append(samples.c.taken_at >= scope.since)
    if scope.until is not None:
        window.append(samples.c.taken_at < scope.until)
    return (*counting(), *window)


def _counting_assessment() -> sa.ColumnElement[bool]:
    return sa.and_(assessments.c.sample_id == samples.c.id, assessments.c.superseded_at.is_(None))


def _placed(query: sa.Select[Any]) -> sa.Select[Any]:
    return (
        query.join(compartments, compartments.c.id == samples.c.compartment_id)
        .join(assets, assets.c.id == compartments.c.asset_id)
        .join(sites, sites.c.id == assets.c.site_id)
        .join(sources, sources.c.id == samples.c.source_id)
    )


def _rows(
    connection: Connection, query: sa.Select[Any], scope: Scope, *order: sa.ColumnElement[Any]
) -> Iterator[sa.Row[Any]]:
    if scope.asset is not None:
        query = query.where(assets.c.code == scope.asset)
    if scope.site is not None:
        query = query.where(sites.c.code == scope.site)
    query = query.order_by(assets.c.code, compartments.c.name, *order)
    yield from connection.execution_options(yield_per=_AT_ONCE).execute(query)
