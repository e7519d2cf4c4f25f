"""The alert list and one alert with its history."""

from dataclasses import dataclass

from app.domain.alerting.states import OPEN_STATES
from app.store.database import Database
from app.store.pages.view_alerts import AlertEventView, AlertView, alert_counts, alert_list, events_of_alerts

LIMIT = 200


@dataclass(frozen=True, slots=True)
class AlertGroup:
    """Alerts in one state, the gravest first."""

    state: str
    count: int
    alerts: tuple[AlertView, ...]


def alert_groups(database: Database, state: str | None = None) -> list[AlertGroup]:
    """Alerts by state; all open states when ``state`` is None. At most :data:`LIMIT` are read a state."""
    with database.read() as connection:
        counts = alert_counts(connection)
        return [
            AlertGroup(name, counts.get(name, 0), tuple(alert_list(connection, states=[name], limit=LIMIT)))
            for name in ([state] if state else OPEN_STATES)
        ]


def alert_totals(database: Database) -> dict[str, int]:
    """How many alerts are in each state."""
    with database.read() as connection:
        return alert_counts(connection)


def alert_detail(database: Database, alert_id: int) -> tuple[AlertView, list[AlertEventView]] | None:
    """One alert and what happened to it, newest first; None when there is no such alert."""
    with database.read() as connection:
        found = alert_list(connection, alert_id=alert_id)
        return (found[0], events_of_alerts(connection, [alert_id])) if found else None
