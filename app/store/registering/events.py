"""Service events of compartments."""

from collections.abc import Iterable

import sqlalchemy as sa

from app.domain.model import EventKind, ServiceEvent
from app.store.database import Connection
from app.store.registering.fleet import compartment_ids
from app.store.registering.registration import UnknownReferenceError, Upserted
from app.store.schema import assets, compartments, service_events


def upsert_event(connection: Connection, event: ServiceEvent) -> Upserted:
    """Raises UnknownReferenceError when the compartment is not registered."""
    ids = compartment_ids(connection, [(event.asset_code, event.compartment)])
    if not ids:
        raise UnknownReferenceError("compartment", f"{event.asset_code}/{event.compartment}")
    key = (
        service_events.c.compartment_id == ids[event.asset_code, event.compartment],
        service_events.c.at == event.at,
        service_events.c.kind == event.kind.value,
    )
    row = connection.execute(sa.select(service_events).where(*key)).first()
    if row is None:
        values = {
            "compartment_id": ids[event.asset_code, event.compartment],
            "at": event.at,
            "kind": event.kind.value,
            "note": event.note,
        }
        connection.execute(sa.insert(service_events).values(values))
        return "created"
    if row.note == event.note:
        return "unchanged"
    connection.execute(sa.update(service_events).where(*key).values(note=event.note))
    return "changed"


def events_for(connection: Connection, compartment_ids: Iterable[int]) -> dict[int, list[ServiceEvent]]:
    """Service events by compartment id, in time order; compartments without any are left out."""
    query = (
        sa.select(service_events, compartments.c.name, assets.c.code)
        .join(compartments, compartments.c.id == service_events.c.compartment_id)
        .join(assets, assets.c.id == compartments.c.asset_id)
        .where(service_events.c.compartment_id.in_(list(compartment_ids)))
        .order_by(service_events.c.at, service_events.c.id)
    )
    found: dict[int, list[ServiceEvent]] = {}
    for row in connection.execute(query):
        event = ServiceEvent(row.code, row.name, row.at, EventKind(row.kind), row.note)
        found.setdefault(row.compartment_id, []).append(event)
    return found
