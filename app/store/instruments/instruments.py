"""What is known of instruments for the watch over their silence and for the pages: who they are and when heard."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa

from app.domain.alerting.conditions.registry import OF_SAMPLES
from app.domain.instruments.instrument import Instrument
from app.domain.instruments.silence import LEARNT_FROM, Watched, learnt_interval
from app.domain.model import SourceKind
from app.domain.recording.maintenance import Spell
from app.store.database import Connection
from app.store.registering import maintenance
from app.store.schema import (
    alerts,
    api_keys,
    assets,
    compartments,
    instrument_findings,
    instrument_states,
    samples,
    sites,
    source_compartments,
    sources,
)


def instruments(
    connection: Connection,
    now: datetime,
    *,
    site_code: str = "",
    asset_code: str = "",
    ids: Iterable[int] | None = None,
) -> list[Instrument]:
    """Instruments fitted to an asset, by site, asset and code."""
    query = (
        sa.select(
            sources,
            assets.c.code.label("asset_code"),
            assets.c.name.label("asset_name"),
            assets.c.site_id,
            sites.c.code.label("site_code"),
            sites.c.name.label("site_name"),
            sites.c.time_zone,
            instrument_states.c.heard_at,
            instrument_states.c.newest_taken_at,
            _awaited_since(now).label("awaited_since"),
        )
        .join(assets, assets.c.id == sources.c.asset_id)
        .join(sites, sites.c.id == assets.c.site_id)
        .outerjoin(instrument_states, instrument_states.c.source_id == sources.c.id)
        .where(sources.c.kind == SourceKind.INSTRUMENT.value)
        .order_by(sites.c.name, assets.c.code, sources.c.code)
    )
    if site_code:
        query = query.where(sites.c.code == site_code)
    if asset_code:
        query = query.where(assets.c.code == asset_code)
    if ids is not None:
        query = query.where(sources.c.id.in_(list(ids)))
    rows = connection.execute(query).all()
    spells = maintenance.spells(connection, [row.id for row in rows])
    found = [_instrument(row, spells.get(row.id, ()), now) for row in rows]
    return _with_what_is_known_of_readings(connection, found, {r.id for r in rows if r.heard_at is None})


def _awaited_since(now: datetime) -> sa.ScalarSelect[datetime]:
    """When the first of the keys of a source that are valid now was issued."""
    valid = sa.and_(
        api_keys.c.revoked_at.is_(None), sa.or_(api_keys.c.expires_at.is_(None), api_keys.c.expires_at > now)
    )
    query = sa.select(sa.func.min(api_keys.c.created_at)).where(api_keys.c.source_id == sources.c.id, valid)
    return query.correlate(sources).scalar_subquery()


def _instrument(row: Any, spells: Sequence[Spell], now: datetime) -> Instrument:
    minutes = row.expected_interval_minutes
    ended = [s.ends_at for s in spells if s.ends_at is not None and s.ends_at <= now]
    return Instrument(
        code=row.code,
        name=row.name,
        asset_code=row.asset_code,
        asset_name=row.asset_name,
        site_code=row.site_code,
        site_name=row.site_name,
        time_zone=row.time_zone,
        learnt=minutes is None,
        watched=Watched(
            id=row.id,
            site=row.site_id,
            interval=timedelta(minutes=minutes or 0),
            heard_at=row.heard_at,
            newest_taken_at=row.newest_taken_at,
            maintenance=any(s.begins_at <= now and (s.ends_at is None or now < s.ends_at) for s in spells),
            excused_until=max(ended, default=None),
            awaited_since=row.awaited_since,
        ),
    )


def _with_what_is_known_of_readings(
    connection: Connection, found: Sequence[Instrument], unnoted: set[int]
) -> list[Instrument]:
    """Fills in when those were heard whose posts left no note, and the intervals that were not registered."""
    newest = _newest_received(connection, unnoted)
    result = []
    for one in found:
        watched = one.watched
        if one.id in newest:
            watched = replace(watched, heard_at=newest[one.id][0], newest_taken_at=newest[one.id][1])
        if one.learnt:
            watched = replace(watched, interval=learnt_interval(_newest_times(connection, one.id)))
        result.append(one if watched is one.watched else replace(one, watched=watched))
    return result


def _newest_received(connection: Connection, ids: set[int]) -> dict[int, tuple[datetime, datetime]]:
    """(when it came, when it was taken) of the newest reading; one look-up in an index a compartment served."""
    if not ids:
        return {}
    served = source_compartments
    query = sa.select(served.c.source_id, served.c.compartment_id).where(served.c.source_id.in_(ids))
    newest: dict[int, tuple[datetime, datetime]] = {}
    for source_id, compartment_id in connection.execute(query).all():
        row = connection.execute(
            sa.select(samples.c.received_at, samples.c.taken_at)
            .where(
                samples.c.compartment_id == compartment_id,
                samples.c.source_id == source_id,
                samples.c.online.is_(True),
            )
            .order_by(samples.c.taken_at.desc())
            .limit(1)
        ).first()
        if row is not None:
            before = newest.get(source_id, tuple(row))
            newest[source_id] = (max(before[0], row[0]), max(before[1], row[1]))
    return newest


def _newest_times(connection: Connection, source_id: int) -> list[datetime]:
    served = sa.select(sa.func.min(source_compartments.c.compartment_id)).where(
        source_compartments.c.source_id == source_id
    )
    query = (
        sa.select(samples.c.taken_at)
        .where(
            samples.c.compartment_id == served.scalar_subquery(),
            samples.c.source_id == source_id,
            samples.c.online.is_(True),
            samples.c.current.is_(True),
        )
        .order_by(samples.c.taken_at.desc())
        .limit(LEARNT_FROM + 1)
    )
    return list(connection.execute(query).scalars())


def put_back_times_ahead(connection: Connection, latest: datetime, now: datetime) -> int:
    """A clock that was far ahead noted times of hearing that nobody reaches for long: they become ``now``."""
    ahead = sa.update(instrument_states).where(instrument_states.c.heard_at > latest)
    return int(connection.execute(ahead.values(heard_at=now)).rowcount)


def readings_taken(connection: Connection, source_id: int, after: datetime, until: datetime) -> int:
    """How many different times readings of an instrument were taken at, of all its compartments together."""
    served = sa.select(source_compartments.c.compartment_id).where(
        source_compartments.c.source_id == source_id
    )
    query = sa.select(sa.func.count(sa.distinct(samples.c.taken_at))).where(
        samples.c.compartment_id.in_(served),
        samples.c.source_id == source_id,
        samples.c.online.is_(True),
        samples.c.current.is_(True),
        samples.c.taken_at > after,
        samples.c.taken_at < until,
    )
    return int(connection.execute(query).scalar_one())


def compartments_served(connection: Connection, ids: Iterable[int]) -> dict[int, list[str]]:
    """Names of the compartments of some instruments."""
    query = (
        sa.select(source_compartments.c.source_id, compartments.c.name)
        .join(compartments, compartments.c.id == source_compartments.c.compartment_id)
        .where(source_compartments.c.source_id.in_(list(ids)))
        .order_by(compartments.c.id)
    )
    names: dict[int, list[str]] = {}
    for source_id, name in connection.execute(query):
        names.setdefault(source_id, []).append(name)
    return names


def open_findings(connection: Connection) -> dict[int, int]:
    """How many findings about each instrument last still."""
    query = (
        sa.select(instrument_findings.c.source_id, sa.func.count())
        .where(instrument_findings.c.ends_at.is_(None))
        .group_by(instrument_findings.c.source_id)
    )
    return {row[0]: row[1] for row in connection.execute(query)}


def units_to_watch(connection: Connection, asset_codes: Iterable[str]) -> tuple[str, ...]:
    """Those of some assets that have an open alert that wants them watched on-line, by code."""
    query = (
        sa.select(assets.c.code)
        .join(compartments, compartments.c.asset_id == assets.c.id)
        .join(alerts, alerts.c.compartment_id == compartments.c.id)
        .where(
            alerts.c.condition.in_([c.name for c in OF_SAMPLES if c.wants_watching]),
            alerts.c.severity > 0,
            assets.c.code.in_(sorted(set(asset_codes))),
        )
        .distinct()
        .order_by(assets.c.code)
    )
    return tuple(connection.execute(query).scalars())


def hold(connection: Connection, source_id: int) -> None:
    """Let nobody else speak to the alerts of an instrument until the transaction ends; its posts don't wait."""
    query = sa.select(sources.c.id).where(sources.c.id == source_id).with_for_update(key_share=True)
    connection.execute(query).all()
