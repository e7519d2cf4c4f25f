"""The worker: a loop that beats its heart and sends what is due. It does not die of one bad turn."""

import socket
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import structlog

from app.config import Settings
from app.notify.transport import FolderTransport, SmtpTransport, Transport
from app.services.deliver import LEASE, deliver_next
from app.services.end_shelves import end_shelves
from app.services.heartbeat import beat
from app.store.database import Database

BEAT_EVERY = timedelta(seconds=5)
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
    """Work until ``stop`` is set: a message a turn, and a pause of ``worker_poll_seconds`` when none is due."""
    transport = make_transport(settings)
    name = socket.gethostname()
    last_beat: datetime | None = None
    while not stop.is_set():
        delivery = None
        try:
            if last_beat is None or clock() - last_beat >= BEAT_EVERY:
                last_beat = clock()
                beat(database, name, last_beat)
                if ended := end_shelves(database, last_beat, settings.public_url):
                    log.info("shelves ended", alerts=ended)
            delivery = deliver_next(database, transport, settings.mail_from, clock, lease(settings))
            if delivery is not None:
                log.info("mail", result=delivery.value)
        except Exception:
            log.exception("the turn failed")
        if delivery is None:
            stop.wait(settings.worker_poll_seconds)
