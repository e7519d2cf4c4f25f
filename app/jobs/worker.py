"""The worker: a loop that does what is due and sends mail. It does not die of one bad turn."""

import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import structlog

from app.config import Settings
from app.jobs.duties import duties
from app.jobs.schedule import Schedule
from app.notify.transport import FolderTransport, SmtpTransport, Transport
from app.services.mailing.deliver import LEASE, deliver_next
from app.store.database import Database

STEPS_OF_A_DELIVERY = 12
"""Connect, greet, encrypt, greet again, log in (up to three), sender, recipient, data, its end, goodbye."""

log = structlog.get_logger("worker")


def make_transport(settings: Settings) -> Transport:
    """The way out that the settings name."""
    if settings.mail_transport == "folder":
        return FolderTransport(Path(settings.mail_folder))
    return SmtpTransport(
        host=settings.smtp_host,
        port=settings.smtp_port,
        security=settings.smtp_security,
        username=settings.smtp_username,
        password=settings.smtp_password.get_secret_value(),
        timeout_seconds=settings.smtp_timeout_seconds,
    )


def _utc_now() -> datetime:
    return datetime.now(UTC)


def lease(settings: Settings) -> timedelta:
    """Longer than one message can take: the timeout is for each of the steps of talking to a mail server."""
    return max(LEASE, STEPS_OF_A_DELIVERY * timedelta(seconds=settings.smtp_timeout_seconds))


def run(
    database: Database,
    settings: Settings,
    stop: threading.Event,
    clock: Callable[[], datetime] = _utc_now,
) -> None:
    """Work until ``stop`` is set: the duties that are due and a message a turn, a pause when no message is due."""
    transport = make_transport(settings)
    todo = duties(database, settings)
    schedule = Schedule(todo)
    while not stop.is_set():
        for _ in todo:  # as many at most: when all are slow, mail still gets its turn
            if not _do_one(schedule, clock):
                break
        delivery = None
        try:
            delivery = deliver_next(database, transport, settings.mail_from, clock, lease(settings))
            if delivery is not None:
                log.info("mail", result=delivery.value)
        except Exception:
            log.exception("the turn failed")
        if delivery is None:
            stop.wait(settings.worker_poll_seconds)


def _do_one(schedule: Schedule, clock: Callable[[], datetime]) -> bool:
    """Do what is due the longest; False when nothing is."""
    now = clock()
    duty = schedule.take(now)
    if duty is None:
        return False
    try:
        if done := duty.work(now):
            log.info("duty", duty=duty.name, done=done)
    except Exception:
        log.exception("the duty failed", duty=duty.name)
    return True
