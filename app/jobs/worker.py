"""The worker: a loop that does what is due and sends mail. It does not die of one bad turn."""

import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import TypeVar

import structlog

from app.config import Settings
from app.errors import OutsideError
from app.jobs.duties import duties
from app.jobs.patience import Pauses
from app.jobs.schedule import Schedule
from app.notify.transport import FolderTransport, SmtpTransport, Transport
from app.services.mailing.deliver import LEASE, deliver_next
from app.store.database import Database
from app.store.trouble import STORE_ERRORS, WORDS, Trouble, reason_of, trouble_of

STEPS_OF_A_DELIVERY = 12
"""Connect, greet, encrypt, greet again, log in (up to three), sender, recipient, data, its end, goodbye."""

T = TypeVar("T")

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
    """Work until ``stop`` is set: the duties that are due and a message a turn, a pause when no message is due.

    While the database cannot be reached it tries again, less and less often.
    """
    transport = make_transport(settings)
    todo = duties(database, settings)
    schedule, pauses = Schedule(todo), Pauses()

    def deliver() -> bool:
        done = deliver_next(database, transport, settings.mail_from, clock, lease(settings))
        if done is not None:
            log.info("mail", result=done.value)
        return done is not None

    while not stop.is_set():
        try:
            for _ in todo:  # as many at most: when all are slow, mail still gets its turn
                if not _do_one(schedule, clock):
                    break
            delivered = _bearing(deliver, "the turn failed")
        except _AwayError as error:
            seconds = pauses.next()
            log.warning(WORDS[Trouble.GONE], reason=str(error), next_try_seconds=seconds)
            stop.wait(seconds)
            continue
        pauses.over()
        if not delivered:
            stop.wait(settings.worker_poll_seconds)


def _do_one(schedule: Schedule, clock: Callable[[], datetime]) -> bool:
    """Do what is due the longest; False when nothing is."""
    now = clock()
    duty = schedule.take(now)
    if duty is None:
        return False
    try:
        if done := _bearing(partial(duty.work, now), "the duty failed", duty=duty.name):
            log.info("duty", duty=duty.name, done=done)
    except _AwayError:
        schedule.put_back(duty)
        raise
    return True


class _AwayError(OutsideError):
    """The database cannot be reached: nothing else can be done either."""


def _bearing(work: Callable[[], T], failed: str, **told: str) -> T | None:
    """What ``work`` returns; None when it fails, which is logged: the next thing may go well.

    Raises:
        _AwayError: when the database cannot be reached.
    """
    try:
        return work()
    except STORE_ERRORS as error:
        trouble = trouble_of(error)
        if trouble is Trouble.GONE:
            raise _AwayError(reason_of(error)) from None
        if trouble is None:
            log.exception(failed, **told)
        else:
            log.error(failed, trouble=trouble.value, reason=reason_of(error), **told)
    except Exception:
        log.exception(failed, **told)
    return None
