"""Shelves end by time: the alert comes back and is mailed, whether or not a new sample has come."""

from datetime import datetime

from app.domain.alerting import unshelve
from app.domain.findings import Assessment
from app.domain.news import AlertChange, AlertNews
from app.services.compose_alert_mail import enqueue_alert_mail
from app.store import alerts, assessments, fleet, samples
from app.store.database import Connection, Database


def end_shelves(database: Database, now: datetime, public_url: str) -> int:
    """Bring back the alerts whose shelf is over, one transaction each; returns how many."""
    with database.read() as connection:
        over = alerts.shelves_over(connection, now)
    ended = 0
    for alert_id in over:
        with database.write() as connection:
            ended += _end(connection, alert_id, now, public_url)
    return ended


def _end(connection: Connection, alert_id: int, now: datetime, public_url: str) -> bool:
    found = alerts.find(connection, alert_id)
    if found is None:
        return False
    fleet.lock_compartments(connection, [found.compartment_id])
    stored = alerts.find(connection, alert_id)
    change = None if stored is None else unshelve(stored.state, now)
    if stored is None or change is None:
        return False
    _, event_id = alerts.append(
        connection,
        stored.compartment_id,
        alert_id,
        change,
        alerts.EventNote(now, "", note="the shelving has ended"),
    )
    place = (
        samples.place_of(connection, sample_id)
        if (sample_id := alerts.sample_of(connection, alert_id))
        else None
    )
    if place is None or sample_id is None:
        return (
            True  # the sample that raised it no longer counts: there is nothing to tell but the alert itself
        )
    judged = assessments.current_of(connection, [sample_id])[sample_id]
    told = AlertChange(
        alert_id=alert_id,
        event_id=event_id,
        condition=change.after.condition.value,
        reason=change.reason.value,
        from_state=change.before.state.value,
        to_state=change.after.state.value,
        severity=change.after.severity,
        previous_status=change.before.severity or 1,
    )
    news = AlertNews(
        sample_id,
        stored.compartment_id,
        place.taken_at,
        place.source_name,
        (told,),
        Assessment.from_json(judged["detail"]),
    )
    enqueue_alert_mail(connection, news, now, public_url)
    return True
