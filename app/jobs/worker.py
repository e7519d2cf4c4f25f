"""The worker: a loop that beats its heart and sends what is due. It does not die of one bad turn."""

import socket
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import structlog

from app.config import Settings
from app.notify.transport import FolderTransport, SmtpTransport, Transport
from app.services.deliver import deliver_due
from app.services.heartbeat import beat
from app.store.database import Database

BEAT_EVERY = timedelta(seconds=5)

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


def run(
    database: Database,
    settings: Settings,
    stop: threading.Event,
    clock: Callable[[], datetime] = _utc_now,
) -> None:
    """Work until ``stop`` is set; one turn every ``worker_poll_seconds``."""
    transport = make_transport(settings)
    name = socket.gethostname()
    last_beat: datetime | None = None
    while not stop.is_set():
        try:
            if last_beat is None or clock() - last_beat >= BEAT_EVERY:
                last_beat = clock()
                beat(database, name, last_beat)
            report = deliver_due(database, transport, settings.mail_from, clock())
            if report.sent or report.postponed or report.failed:
                log.info("mail", sent=report.sent, postponed=report.postponed, failed=report.failed)
        except Exception:
            log.exception("the turn failed")
        stop.wait(settings.worker_poll_seconds)
