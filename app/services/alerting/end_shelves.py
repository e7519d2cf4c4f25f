"""Shelves end by time: the alert comes back and is mailed, whether or not a new sample has come."""

from dataclasses import replace
from datetime import datetime

from app.domain.alerting.decisions import unshelve
from app.domain.alerting.news import AlertChange, AlertNews
from app.services.alerting.instrument_alerts import change_of
from app.services.alerting.notice_again import enqueue_again
from app.services.judging.judge_online import with_full_assessments
from app.services.mailing.compose_alert_mail import enqueue_alert_mail
from app.store.alerting import alerts
from app.store.database import Connection, Database
from app.store.pages import view_samples
from app.store.recording import samples


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
    stored = alerts.hold(connection, alert_id)
    change = None if stored is None else unshelve(stored.state, now)
    if stored is None or change is None:
        return False
    _, event_id = alerts.append(
        connection,
        stored.subject,
        alert_id,
        change,
        alerts.EventNote(now, "", note="the shelving has ended"),
    )
    told = change_of(alert_id, event_id, change)
    if stored.subject.compartment_id is None:
        enqueue_again(connection, stored, told, now, public_url)
    else:
        _mail_of_sample(connection, stored.subject.compartment_id, told, now, public_url)
    return True


def _mail_of_sample(
    connection: Connection, compartment_id: int, told: AlertChange, now: datetime, public_url: str
) -> None:
    """Tell of the newest sample that changed the alert; nothing when it no longer counts."""
    sample_id = alerts.sample_of(connection, told.alert_id)
    place = samples.place_of(connection, sample_id) if sample_id else None
    if place is None or sample_id is None:
        return
    views = view_samples.samples_by_id(connection, [sample_id])
    assessment = with_full_assessments(connection, views, detailed=True)[sample_id].assessment
    assert assessment is not None  # a sample that counts has been judged
    news = AlertNews(
        sample_id,
        compartment_id,
        place.taken_at,
        place.source_name,
        (replace(told, previous_status=told.previous_status or 1),),
        assessment,
    )
    enqueue_alert_mail(connection, news, now, public_url)
