"""Send what is due, one message at a time: claim in one transaction, send outside of any, settle in another."""

from collections.abc import Callable
from datetime import datetime, timedelta
from enum import StrEnum

from app.notify.transport import DeliveryError, Outgoing, Transport, build
from app.store.database import Database
from app.store.mailing import outbox

LEASE = timedelta(minutes=2)
FIRST_RETRY = timedelta(seconds=30)
LONGEST_RETRY = timedelta(hours=1)
GIVE_UP_AFTER = 60
"""Attempts before a message that only fails for the time being is given up: more than two days."""


class Delivery(StrEnum):
    """What became of a message."""

    SENT = "sent"
    POSTPONED = "postponed"
    FAILED = "failed"
    LOST = "lost"
    """The lease ended meanwhile and another worker took the message: what became of it is for that one to say."""


def deliver_next(
    database: Database,
    transport: Transport,
    sender: str,
    clock: Callable[[], datetime],
    lease: timedelta = LEASE,
) -> Delivery | None:
    """Send the message that has been due the longest; None when none is due.

    What fails for now is tried again later, each time later still. An error that nobody foresaw is raised
    again, but the message is settled first, so that it never stands in the way of those behind it.

    Args:
        clock: read anew at each step, since sending takes long.
        lease: must outlast the sending of one message, or another worker sends it too.
    """
    with database.write() as connection:
        claimed = outbox.claim(connection, clock(), lease, 1)
    if not claimed:
        return None
    (message,) = claimed
    try:
        transport.send(build(_outgoing(message, sender)))
    except DeliveryError as error:
        return _refused(database, message, error, clock())
    except Exception as error:
        unforeseen = DeliveryError(f"{type(error).__name__}: {error}", permanent=False)
        _refused(database, message, unforeseen, clock())
        raise
    with database.write() as connection:
        mine = outbox.mark_sent(connection, message, clock())
    return Delivery.SENT if mine else Delivery.LOST


def _refused(
    database: Database, message: outbox.ClaimedMessage, error: DeliveryError, now: datetime
) -> Delivery:
    with database.write() as connection:
        if error.permanent or message.attempts + 1 >= GIVE_UP_AFTER:
            mine, became = outbox.fail(connection, message, str(error)), Delivery.FAILED
        else:
            at = now + pause(message.attempts)
            mine, became = outbox.retry_later(connection, message, str(error), at), Delivery.POSTPONED
    return became if mine else Delivery.LOST


def _outgoing(message: outbox.ClaimedMessage, sender: str) -> Outgoing:
    return Outgoing(
        sender,
        message.to_address,
        message.subject,
        message.text,
        message.html,
        message.message_id,
        message.thread_id,
        message.created_at,
    )


def pause(attempts: int) -> timedelta:
    """How long to wait after this many failed attempts before: doubling, at most an hour."""
    wait: timedelta = min(LONGEST_RETRY, FIRST_RETRY * 2.0 ** min(attempts, 20))
    return wait
