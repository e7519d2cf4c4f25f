"""What the pages read about alerts. Queries only."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from app.store.database import Connection
from app.store.tables import alert_events, alerts, assets, compartments, sites


@dataclass(frozen=True, slots=True)
class AlertView:
    """An alert with the unit it is about."""

    id: int
    compartment_id: int
    compartment: str
    asset_code: str
    asset_name: str
    site_name: str
    time_zone: str
    condition: str
    state: str
    severity: int
    opened_at: datetime
    changed_at: datetime
    headline: str
    acknowledged_by: str | None
    shelved_until: datetime | None


@dataclass(frozen=True, slots=True)
class AlertEventView:
    """One transition of an alert."""

    id: int
    alert_id: int
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
    alert_id: int | None = None,
    limit: int = 200,
) -> list[AlertView]:
    """Alerts, the gravest first and then the newest change first."""
    query = (
        sa.select(
            alerts,
            compartments.c.name.label("compartment"),
            assets.c.code.label("asset_code"),
            assets.c.name.label("asset_name"),
            sites.c.name.label("site_name"),
            sites.c.time_zone,
        )
        .join(compartments, compartments.c.id == alerts.c.compartment_id)
        .join(assets, assets.c.id == compartments.c.asset_id)
        .join(sites, sites.c.id == assets.c.site_id)
        .order_by(alerts.c.severity.desc(), alerts.c.changed_at.desc(), alerts.c.id.desc())
        .limit(limit)
    )
    if states is not None:
        query = query.where(alerts.c.state.in_(states))
    if compartment_ids is not None:
        query = query.where(alerts.c.compartment_id.in_(compartment_ids))
    if alert_id is not None:
        query = query.where(alerts.c.id == alert_id)
    return [_alert(row) for row in connection.execute(query)]


def alert_counts(connection: Connection) -> dict[str, int]:
    """How many alerts are in each state."""
    query = sa.select(alerts.c.state, sa.func.count()).group_by(alerts.c.state)
    return {row[0]: row[1] for row in connection.execute(query)}


def events_of_alerts(
    connection: Connection, alert_ids: Sequence[int], limit: int = 500
) -> list[AlertEventView]:
    """The transitions of some alerts, newest first."""
    query = (
        sa.select(alert_events)
        .where(alert_events.c.alert_id.in_(alert_ids))
        .order_by(alert_events.c.at.desc(), alert_events.c.id.desc())
        .limit(limit)
    )
    return [
        AlertEventView(
            id=row.id,
            alert_id=row.alert_id,
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
        site_name=row.site_name,
        time_zone=row.time_zone,
        condition=row.condition,
        state=row.state,
        severity=row.severity,
        opened_at=row.opened_at,
        changed_at=row.changed_at,
        headline=row.headline,
        acknowledged_by=row.acknowledged_by,
        shelved_until=row.shelved_until,
    )
