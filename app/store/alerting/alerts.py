"""Alerts: one row a subject (compartment, instrument, site, fleet) and condition, and an event a transition."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import sqlalchemy as sa

from app.domain.alerting.condition import Condition
from app.domain.alerting.conditions.registry import condition_of
from app.domain.alerting.decisions import AlertState, Transition
from app.domain.alerting.states import State
from app.store.database import Connection, wait_alone
from app.store.registering.fleet import lock_compartments
from app.store.schema import alert_events, alerts

WATCH: Final = "silence"
"""The duty of the watch over silence, of which one transaction at a time may be at work."""


@dataclass(frozen=True, slots=True)
class Subject:
    """What an alert is about: one of the three, or the whole fleet when none is given."""

    compartment_id: int | None = None
    source_id: int | None = None
    site_id: int | None = None


@dataclass(frozen=True, slots=True)
class StoredAlert:
    id: int
    subject: Subject
    state: AlertState
    headline: str


@dataclass(frozen=True, slots=True)
class EventNote:
    """What is written beside a transition: when, because of which sample or whom, and why in words."""

    at: datetime
    """When it was decided."""
    headline: str
    sample_id: int | None = None
    since: datetime | None = None
    """When the sample was taken; an alert counts as open since then."""
    author: str | None = None
    note: str = ""


def states_of(
    connection: Connection, compartment_ids: Iterable[int]
) -> dict[tuple[int, Condition], StoredAlert]:
    """The alerts of some compartments, by compartment id and condition."""
    query = sa.select(alerts).where(alerts.c.compartment_id.in_(list(compartment_ids)))
    stored = (_stored(row) for row in connection.execute(query))
    return {
        (alert.subject.compartment_id, alert.state.condition): alert
        for alert in stored
        if alert.subject.compartment_id is not None
    }


def of_conditions(
    connection: Connection,
    conditions: Iterable[Condition],
    source_id: int | None = None,
    *,
    held: bool = True,
) -> dict[tuple[Subject, Condition], StoredAlert]:
    """All alerts of some conditions, or those of one instrument; held, so that nobody handles them meanwhile."""
    query = sa.select(alerts).where(alerts.c.condition.in_([c.name for c in conditions]))
    if source_id is not None:
        query = query.where(alerts.c.source_id == source_id)
    query = query.order_by(alerts.c.id)
    found = map(_stored, connection.execute(query.with_for_update() if held else query))
    return {(alert.subject, alert.state.condition): alert for alert in found}


def find(connection: Connection, alert_id: int) -> StoredAlert | None:
    row = connection.execute(sa.select(alerts).where(alerts.c.id == alert_id)).first()
    return None if row is None else _stored(row)


def hold(connection: Connection, alert_id: int) -> StoredAlert | None:
    """An alert that nobody else can change until the transaction ends, read again once it is held.

    Samples speak to the alerts of a compartment one after another, and so this waits for its samples. The watch over
    silence holds many alerts at once: who waited for one of them while holding another could wait for ever.
    """
    found = find(connection, alert_id)
    if found is None:
        return None
    if found.subject.compartment_id is not None:
        lock_compartments(connection, [found.subject.compartment_id])
    else:
        wait_alone(connection, WATCH)
    query = sa.select(alerts).where(alerts.c.id == alert_id).with_for_update()
    row = connection.execute(query).first()
    return None if row is None else _stored(row)


def _stored(row: sa.Row[tuple[object, ...]]) -> StoredAlert:
    state = AlertState(
        condition=condition_of(row.condition),
        state=State(row.state),
        severity=row.severity,
        fault=row.memory.get("fault"),
        memory=row.memory.get("sources", {}),
        shelved_until=row.shelved_until,
        shelved_severity=row.memory.get("shelved_severity", 0),
    )
    return StoredAlert(row.id, Subject(row.compartment_id, row.source_id, row.site_id), state, row.headline)


def remember(
    connection: Connection, subject: Subject, alert_id: int | None, state: AlertState, now: datetime
) -> int:
    """Store an alert's memory without a transition; creates the alert in state normal if need be."""
    memory = {
        "sources": {k: dict(v) for k, v in state.memory.items()},
        "fault": state.fault,
        "shelved_severity": state.shelved_severity,
    }
    if alert_id is not None:
        connection.execute(sa.update(alerts).where(alerts.c.id == alert_id).values(memory=memory))
        return alert_id
    values = {
        "compartment_id": subject.compartment_id,
        "source_id": subject.source_id,
        "site_id": subject.site_id,
        "condition": state.condition.name,
        "state": State.NORMAL.value,
        "severity": 0,
        "opened_at": now,
        "changed_at": now,
        "headline": "",
        "memory": memory,
    }
    return int(connection.execute(sa.insert(alerts).values(values).returning(alerts.c.id)).scalar_one())


def append(
    connection: Connection, subject: Subject, alert_id: int | None, change: Transition, note: EventNote
) -> tuple[int, int]:
    """Store a transition; returns the alert's and the event's id. An alert opens when it leaves normal."""
    if alert_id is None:
        alert_id = remember(connection, subject, None, change.after, note.at)
    else:
        remember(connection, subject, alert_id, change.after, note.at)
    values: dict[str, object] = {
        "state": change.after.state.value,
        "severity": change.after.severity,
        "changed_at": note.at,
        "shelved_until": change.after.shelved_until,
        "acknowledged_by": note.author if change.after.state is State.ACKNOWLEDGED else None,
    }
    if note.sample_id is not None:
        values["sample_id"] = note.sample_id
    if note.headline:
        values["headline"] = note.headline
    if change.before.state in {State.NORMAL, State.RETURNED} and change.after.severity:
        values["opened_at"] = note.since or note.at
    if change.after.state is State.SHELVED or change.before.state is change.after.state is State.ACKNOWLEDGED:
        del values["acknowledged_by"]
    connection.execute(sa.update(alerts).where(alerts.c.id == alert_id).values(values))
    event = {
        "alert_id": alert_id,
        "at": note.at,
        "from_state": change.before.state.value,
        "to_state": change.after.state.value,
        "reason": change.reason.value,
        "severity": change.after.severity,
        "sample_id": note.sample_id,
        "author": note.author,
        "note": note.note,
    }
    event_id = connection.execute(
        sa.insert(alert_events).values(event).returning(alert_events.c.id)
    ).scalar_one()
    return alert_id, event_id


def retitle(connection: Connection, alert_id: int, headline: str) -> None:
    """Another headline without a transition, e.g. when one more instrument has joined."""
    connection.execute(sa.update(alerts).where(alerts.c.id == alert_id).values(headline=headline))


def opened_at(connection: Connection, alert_id: int) -> datetime:
    """Since when an alert has been open."""
    query = sa.select(alerts.c.opened_at).where(alerts.c.id == alert_id)
    found: datetime = connection.execute(query).scalar_one()
    return found


def shelves_over(connection: Connection, now: datetime) -> list[int]:
    """Ids of the alerts whose shelf has ended."""
    query = sa.select(alerts.c.id).where(alerts.c.state == State.SHELVED.value, alerts.c.shelved_until <= now)
    return list(connection.execute(query.order_by(alerts.c.id)).scalars())


def sample_of(connection: Connection, alert_id: int) -> int | None:
    """The newest sample that changed an alert."""
    return connection.execute(sa.select(alerts.c.sample_id).where(alerts.c.id == alert_id)).scalar()
