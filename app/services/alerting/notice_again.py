"""The facts of an alert about instruments that comes back though nothing new has come: its shelf has ended."""

from datetime import datetime

from app.domain.alerting.conditions.registry import OF_SILENCE
from app.domain.alerting.notices import Facts, Missed
from app.domain.alerting.states import Change
from app.services.alerting import silence_memory as memory
from app.store.alerting import alerts
from app.store.alerting.alerts import StoredAlert
from app.store.database import Connection
from app.store.instruments import instruments


def facts_again(connection: Connection, stored: StoredAlert, change: Change, now: datetime) -> Facts | None:
    """What is known now of an instrument, a site's instruments or the fleet's; None when none is left."""
    group = memory.group_of(stored)
    single = stored.subject.source_id or stored.state.memory.get("days", {}).get("source_id")
    ids = group.members if group else {single} if single is not None else set()
    known = memory.known(alerts.of_conditions(connection, OF_SILENCE).values())
    missed = tuple(
        Missed(one, known.absences.get(one.id), back=group is not None and not known.severities.get(one.id))
        for one in instruments.instruments(connection, now, ids=ids)
    )
    return Facts(change, stored.headline, missed, now) if missed else None
