"""What the worker does beside sending mail, and how often."""

import socket
from datetime import datetime, timedelta

from app.config import Settings
from app.jobs.schedule import Duty
from app.services.alerting.end_shelves import end_shelves
from app.services.health.heartbeat import beat
from app.services.instruments.check_instruments import check_due
from app.services.instruments.check_silence import check_silence
from app.services.keeping.upkeep import create_partitions_ahead, end_of_raw
from app.services.watching.watch_days import watch_due
from app.store.database import Database


def duties(database: Database, settings: Settings) -> list[Duty]:
    """The list. Each is done by itself, and one that fails keeps no other from being done.

    All may be done by several workers at once: those of which only one must be at work see to it themselves.
    """
    name, url = socket.gethostname(), settings.public_url

    def shelves(now: datetime) -> int:
        return end_shelves(database, now, url)

    def silence(now: datetime) -> int:
        return check_silence(database, now, settings.silence_rule, url)

    def readings(now: datetime) -> int:
        return check_due(database, now, settings.check_rule, url)

    def days(now: datetime) -> int:
        return watch_due(database, now, url)

    def months(now: datetime) -> int:
        return len(create_partitions_ahead(database, now))

    def retention(now: datetime) -> int:
        kept = settings.raw_retention_months
        return end_of_raw(database, now, kept, keep_tables=settings.keep_raw_tables).readings

    return [
        Duty("beat", timedelta(seconds=5), lambda now: beat(database, name, now)),
        Duty("end of shelves", timedelta(seconds=5), shelves),
        Duty("silence", timedelta(minutes=1), silence),
        Duty("instruments' readings", timedelta(minutes=1), readings),
        Duty("instruments' days", timedelta(minutes=1), days),
        Duty("months ahead", timedelta(hours=6), months),
        Duty("end of raw readings", timedelta(hours=6), retention),
    ]
