"""Send what is due: claim in one transaction, send outside of any, settle in another."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from app.notify.transport import DeliveryError, Outgoing, Transport, build
from app.store import outbox
from app.store.database import Database

LEASE = timedelta(minutes=2)
FIRST_RETRY = timedelta(seconds=30)
LONGEST_RETRY = timedelta(hours=1)
GIVE_UP_AFTER = 60
"""Attempts before a message that only fails for the time being is given up: more than two days."""


@dataclass(frozen=True, slots=True)
class DeliveryReport:
    sent: int = 0
    postponed: int = 0
    failed: int = 0


def deliver_due(
    database: Database, transport: Transport, sender: str, now: datetime, limit: int = 20
) -> DeliveryReport:
    """Send up to ``limit`` due messages; what fails for now is tried again later, each time later still."""
    with database.write() as connection:
        claimed = outbox.claim(connection, now, LEASE, limit)
    sent = postponed = failed = 0
    for message in claimed:
        mail = Outgoing(
            sender,
            message.to_address,
            message.subject,
            message.text,
            message.html,
            message.message_id,
            message.thread_id,
            message.created_at,
        )
        try:
            transport.send(build(mail))
        except DeliveryError as error:
            with database.write() as connection:
                if error.permanent or message.attempts + 1 >= GIVE_UP_AFTER:
                    outbox.fail(connection, message.id, str(error))
                    failed += 1
                else:
                    outbox.retry_later(connection, message.id, str(error), now + pause(message.attempts))
                    postponed += 1
            continue
        with database.write() as connection:
            outbox.mark_sent(connection, message.id, now)
        sent += 1
    return DeliveryReport(sent, postponed, failed)


def pause(attempts: int) -> timedelta:
    """How long to wait after this many failed attempts before: doubling, at most an hour."""
    wait: timedelta = min(LONGEST_RETRY, FIRST_RETRY * 2.0 ** min(attempts, 20))
    return wait
