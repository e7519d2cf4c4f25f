"""Shelves end by time: the alert comes back and is mailed, whether or not a new sample has come."""

from dataclasses import replace
from datetime import datetime

from app.domain.alerting.condition import OfInstruments, OfSamples
from app.domain.alerting.decisions import unshelve
from app.domain.alerting.news import AlertNews, SampleChange
from app.services.alerting.notice_again import facts_again
from app.services.judging.judge_online import with_full_assessments
from app.services.judging.online_courses import with_online_course
from app.services.mailing.compose_alert_mail import enqueue_alert_mail
from app.services.mailing.compose_notice import NoticeNews, enqueue_notice
from app.services.mailing.queue_mail import Told
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
    transition = None if stored is None else unshelve(stored.state, now)
    if stored is None or transition is None:
        return False
    note = alerts.EventNote(now, "", note="the shelving has ended")
    _, event_id = alerts.append(connection, stored.subject, alert_id, transition, note)
    condition, change = stored.state.condition, transition.change
    if isinstance(condition, OfSamples):
        told = SampleChange(alert_id, event_id, condition, replace(change, before=change.before or 1))
        _mail_of_sample(connection, stored.subject, told, now, public_url)
    elif isinstance(condition, OfInstruments):
        facts = facts_again(connection, stored, change, now)
        if facts is not None:
            enqueue_notice(connection, NoticeNews(Told(alert_id, event_id), condition, facts), public_url)
    return True


def _mail_of_sample(
    connection: Connection, subject: alerts.Subject, told: SampleChange, now: datetime, public_url: str
) -> None:
    """Tell of the newest sample that changed the alert; nothing when it no longer counts."""
    sample_id = alerts.sample_of(connection, told.alert_id)
    place = samples.place_of(connection, sample_id) if sample_id else None
    if place is None or sample_id is None or subject.compartment_id is None:
        return
    views = view_samples.samples_by_id(connection, [sample_id])
    assessment = with_full_assessments(connection, views, detailed=True)[sample_id].assessment
    assert assessment is not None  # a sample that counts has been judged
    news = AlertNews(
        sample_id,
        subject.compartment_id,
        place.taken_at,
        place.source_name,
        (told,),
        with_online_course(connection, sample_id, assessment),
    )
    enqueue_alert_mail(connection, news, now, public_url)
