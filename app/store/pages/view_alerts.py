"""What the pages read about alerts. Queries only."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import sqlalchemy as sa

from app.domain.alerting.condition import SubjectKind
from app.domain.alerting.conditions.registry import condition_of
from app.store.database import Connection
from app.store.schema import alert_events, alerts, assets, compartments, instrument_states, sites, sources

NORMAL: Final = "normal"


@dataclass(frozen=True, slots=True)
class AlertView:
    """An alert with the unit, instrument or site it is about; all of them None for the whole fleet."""

    id: int
    compartment_id: int | None
    compartment: str | None
    asset_code: str | None
    asset_name: str | None
    source_code: str | None
    source_name: str | None
    heard_at: datetime | None
    """When the instrument was heard last."""
    site_code: str | None
    site_name: str | None
    time_zone: str
    condition: str
    state: str
    severity: int
    opened_at: datetime
    changed_at: datetime
    headline: str
    acknowledged_by: str | None
    shelved_until: datetime | None

    @property
    def about(self) -> SubjectKind:
        """What kind of thing it is about."""
        return condition_of(self.condition).subject

    @property
    def subject(self) -> str:
        """What it is about, in a few words."""
        names = {
            SubjectKind.COMPARTMENT: f"{self.asset_code}, {self.compartment}",
            SubjectKind.INSTRUMENT: f"{self.source_code} on {self.asset_code}",
            SubjectKind.SITE: self.site_name or "",
            SubjectKind.FLEET: "the whole fleet",
        }
        return names[self.about]


@dataclass(frozen=True, slots=True)
class AlertEventView:
    """One transition of an alert."""

    id: int
    alert_id: int
    condition: str
    at: datetime
    from_state: str
    to_state: str
    reason: str
    severity: int
    author: str | None
    note: str


def alert_list(
    connection: Connection,
    *,
    states: Sequence[str] | None = None,
    compartment_ids: Sequence[int] | None = None,
    source_ids: Sequence[int] | None = None,
    alert_id: int | None = None,
    limit: int = 200,
) -> list[AlertView]:
    """Alerts, the gravest first, of these a site's before those of one thing, then the newest change first.

    Those that only keep a rule's counters are left out.
    """
    one_thing = sa.or_(alerts.c.compartment_id.is_not(None), alerts.c.source_id.is_not(None))
    query = (
        sa.select(
            alerts,
            compartments.c.name.label("compartment"),
            assets.c.code.label("asset_code"),
            assets.c.name.label("asset_name"),
            sources.c.code.label("source_code"),
            sources.c.name.label("source_name"),
            instrument_states.c.heard_at,
            sites.c.code.label("site_code"),
            sites.c.name.label("site_name"),
            sites.c.time_zone,
        )
        .select_from(alerts)
        .outerjoin(compartments, compartments.c.id == alerts.c.compartment_id)
        .outerjoin(sources, sources.c.id == alerts.c.source_id)
        .outerjoin(instrument_states, instrument_states.c.source_id == sources.c.id)
        .outerjoin(assets, assets.c.id == sa.func.coalesce(compartments.c.asset_id, sources.c.asset_id))
        .outerjoin(sites, sites.c.id == sa.func.coalesce(assets.c.site_id, alerts.c.site_id))
        .where(sa.or_(alerts.c.state != NORMAL, alerts.c.headline != ""))
        .order_by(alerts.c.severity.desc(), one_thing, alerts.c.changed_at.desc(), alerts.c.id.desc())
        .limit(limit)
    )
    if states is not None:
        query = query.where(alerts.c.state.in_(states))
    if compartment_ids is not None:
        query = query.where(alerts.c.compartment_id.in_(compartment_ids))
    if source_ids is not None:
        query = query.where(alerts.c.source_id.in_(source_ids))
    if alert_id is not None:
        query = query.where(alerts.c.id == alert_id)
    return [_alert(row) for row in connection.execute(query)]


def alert_counts(connection: Connection) -> dict[str, int]:
    """How many alerts are in each state."""
    told = sa.or_(alerts.c.state != NORMAL, alerts.c.headline != "")
    query = sa.select(alerts.c.state, sa.func.count()).where(told).group_by(alerts.c.state)
    return {row[0]: row[1] for row in connection.execute(query)}


def first_told(connection: Connection, alert_ids: Sequence[int]) -> dict[int, datetime]:
    """When each alert was first told since it is open; an alert may be open since before anybody knew."""
    if not alert_ids:
        return {}
    query = (
        sa.select(alert_events.c.alert_id, sa.func.min(alert_events.c.at).label("at"))
        .join(alerts, alerts.c.id == alert_events.c.alert_id)
        .where(alert_events.c.alert_id.in_(alert_ids), alert_events.c.at >= alerts.c.opened_at)
        .group_by(alert_events.c.alert_id)
    )
    return {row.alert_id: row.at for row in connection.execute(query)}


def events_of_alerts(
    connection: Connection, alert_ids: Sequence[int], limit: int = 500
) -> list[AlertEventView]:
    """The transitions of some alerts, newest first."""
    query = (
        sa.select(alert_events, alerts.c.condition)
        .join(alerts, alerts.c.id == alert_events.c.alert_id)
        .where(alert_events.c.alert_id.in_(alert_ids))
        .order_by(alert_events.c.at.desc(), alert_events.c.id.desc())
        .limit(limit)
    )
    return [
        AlertEventView(
            id=row.id,
            alert_id=row.alert_id,
            condition=row.condition,
            at=row.at,
            from_state=row.from_state,
            to_state=row.to_state,
            reason=row.reason,
            severity=row.severity,
            author=row.author,
            note=row.note,
        )
        for row in connection.execute(query)
    ]


def _alert(row: Any) -> AlertView:
    return AlertView(
        id=row.id,
        compartment_id=row.compartment_id,
        compartment=row.compartment,
        asset_code=row.asset_code,
        asset_name=row.asset_name,
        source_code=row.source_code,
        source_name=row.source_name,
        heard_at=row.heard_at,
        site_code=row.site_code,
        site_name=row.site_name,
        time_zone=row.time_zone or "UTC",
        condition=row.condition,
        state=row.state,
        severity=row.severity,
        opened_at=row.opened_at,
        changed_at=row.changed_at,
        headline=row.headline,
        acknowledged_by=row.acknowledged_by,
        shelved_until=row.shelved_until,
    )
