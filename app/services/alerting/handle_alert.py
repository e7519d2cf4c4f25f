"""What people do with an alert: acknowledge it, shelve it for a time with a reason."""

from dataclasses import replace
from datetime import datetime
from typing import Final

from app.domain.alerting.conditions.registry import OF_SILENCE
from app.domain.alerting.decisions import AlertState, Transition
from app.domain.alerting.states import Reason, State
from app.errors import RefusedError
from app.services.alerting import silence_memory as memory
from app.store.alerting import alerts
from app.store.database import Connection, Database

SEEN: Final = {State.UNACKNOWLEDGED: State.ACKNOWLEDGED, State.RETURNED: State.NORMAL}


class AlertError(RefusedError):
    """The alert cannot be handled so; the text says why and what can be done instead."""


def acknowledge(database: Database, alert_id: int, author: str, note: str, now: datetime) -> None:
    """Somebody has seen it. An acknowledgement ends when the alert returns or gets worse.

    Raises:
        AlertError: no such alert, no author, or nothing to acknowledge.
    """
    with database.write() as connection:
        stored = alerts.hold(connection, alert_id)
        if stored is None:
            raise AlertError(f"there is no alert {alert_id}")
        if not author.strip():
            raise AlertError("author: say who acknowledges it")
        target = SEEN.get(stored.state.state)
        if target is None:
            raise AlertError(
                f"alert {alert_id} is {stored.state.state.value}: there is nothing to acknowledge"
            )
        _append(
            connection, stored, replace(stored.state, state=target), Reason.ACKNOWLEDGED, author, note, now
        )
        for one in _told_with(connection, stored):
            after = replace(one.state, state=SEEN[one.state.state])
            why = f"with alert {alert_id}{f': {note.strip()}' if note.strip() else ''}"
            _append(connection, one, after, Reason.ACKNOWLEDGED, author, why, now)


def _told_with(connection: Connection, stored: alerts.StoredAlert) -> list[alerts.StoredAlert]:
    """What was told by this alert alone and is not acknowledged: who sees that a site is silent has seen its
    instruments."""
    group = memory.group_of(stored)
    if group is None:
        return []
    fleet_wide = stored.subject == memory.FLEET
    return [
        one
        for one in alerts.of_conditions(connection, OF_SILENCE).values()
        if one.id != stored.id
        and one.state.state in SEEN
        and (
            one.subject.source_id in group.members
            or (fleet_wide and (of := memory.group_of(one)) is not None and bool(of.members & group.members))
        )
    ]


def shelve(database: Database, alert_id: int, until: datetime, author: str, note: str, now: datetime) -> None:
    """Hold its mails until a time, for a stated reason. It comes back when the time is over or it gets worse.

    Raises:
        AlertError: no such alert, no author or reason, an end that is past or over 400 days away, or an
            alert that is normal.
    """
    with database.write() as connection:
        stored = alerts.hold(connection, alert_id)
        if stored is None:
            raise AlertError(f"there is no alert {alert_id}")
        if not author.strip():
            raise AlertError("author: say who shelves it")
        if not note.strip():
            raise AlertError("note: say why it is shelved")
        if until <= now:
            raise AlertError("until: the end of the shelving must be in the future")
        if (until - now).days > 400:
            raise AlertError("until: an alert can be shelved for at most 400 days")
        if stored.state.state not in {State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.SHELVED}:
            raise AlertError(f"alert {alert_id} is {stored.state.state.value}: there is nothing to shelve")
        severity = stored.state.severity
        after = replace(stored.state, state=State.SHELVED, shelved_until=until, shelved_severity=severity)
        _append(connection, stored, after, Reason.SHELVED, author, note, now)


def _append(
    connection: Connection,
    stored: alerts.StoredAlert,
    after: AlertState,
    reason: Reason,
    author: str,
    note: str,
    now: datetime,
) -> None:
    change = Transition(after.condition, reason, stored.state, after)
    event = alerts.EventNote(now, "", author=author.strip(), note=note.strip())
    alerts.append(connection, stored.subject, stored.id, change, event)
