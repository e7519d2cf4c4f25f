"""The notice of an alert about instruments that comes back though nothing new has come: its shelf has ended."""

from datetime import datetime

from app.domain.alerting.decisions import Condition
from app.domain.alerting.news import AlertChange
from app.services.alerting import silence_memory as memory
from app.services.mailing.compose_notice import Missed, NoticeNews, enqueue_notice
from app.store.alerting import alerts
from app.store.alerting.alerts import StoredAlert
from app.store.database import Connection
from app.store.instruments import instruments


def enqueue_again(
    connection: Connection, stored: StoredAlert, change: AlertChange, now: datetime, public_url: str
) -> int:
    """Queue the mail of what is known now of an instrument, a site's instruments or the fleet's."""
    group = memory.group_of(stored)
    single = stored.subject.source_id
    ids = group.members if group else {single} if single is not None else set()
    known = memory.known(alerts.of_conditions(connection, [Condition.SILENT]).values())
    missed = tuple(
        Missed(one, known.absences.get(one.id), back=group is not None and not known.severities.get(one.id))
        for one in instruments.instruments(connection, now, ids=ids)
    )
    if not missed:
        return 0
    return enqueue_notice(connection, NoticeNews(change, stored.headline, missed), now, public_url)
