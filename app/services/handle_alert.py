"""What people do with an alert: acknowledge it, shelve it for a time with a reason."""

from dataclasses import replace
from datetime import datetime

from app.domain.alerting import AlertState, Reason, State, Transition
from app.store import alerts
from app.store.database import Connection, Database


class AlertError(Exception):
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
        target = {State.UNACKNOWLEDGED: State.ACKNOWLEDGED, State.RETURNED: State.NORMAL}.get(
            stored.state.state
        )
        if target is None:
            raise AlertError(
                f"alert {alert_id} is {stored.state.state.value}: there is nothing to acknowledge"
            )
        _append(
            connection, stored, replace(stored.state, state=target), Reason.ACKNOWLEDGED, author, note, now
        )


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
