"""The outbox: a message is queued in the transaction that caused it, and claimed with a lease to be sent.

A claim lasts until its lease ends; a worker that dies between sending and marking leaves the message to be
claimed again, so a message is sent at least once, always with the same Message-ID.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

import sqlalchemy as sa

from app.store.database import Connection
from app.store.schema import alert_events, alerts, contacts, messages

FARTHEST: Final = timedelta(hours=3)
"""No message is put off or leased for longer than an hour: a time farther ahead is of a clock that was wrong."""
SUBJECT: Final = ("compartment_id", "source_id", "site_id")


@dataclass(frozen=True, slots=True)
class NewMessage:
    """A message to one address. ``message_id`` and ``thread_id`` are RFC 5322 ids in angle brackets."""

    contact_id: int | None
    alert_event_id: int | None
    sample_id: int | None
    to_address: str
    subject: str
    text: str
    html: str
    message_id: str
    thread_id: str


@dataclass(frozen=True, slots=True)
class ClaimedMessage:
    id: int
    to_address: str
    subject: str
    text: str
    html: str
    message_id: str
    thread_id: str
    created_at: datetime
    attempts: int
    """How often it was tried before."""
    leased_until: datetime
    """The claim itself: it is settled only by whom it was given to."""


def enqueue(connection: Connection, message: NewMessage, now: datetime) -> bool:
    """Queue a message; False when the same event of an alert already made a mail to this address."""
    if message.alert_event_id is not None:
        known = sa.select(messages.c.id).where(
            messages.c.alert_event_id == message.alert_event_id, messages.c.to_address == message.to_address
        )
        if connection.execute(known).first() is not None:
            return False
    values: dict[str, Any] = {
        "contact_id": message.contact_id,
        "alert_event_id": message.alert_event_id,
        "sample_id": message.sample_id,
        "to_address": message.to_address,
        "subject": message.subject,
        "text": message.text,
        "html": message.html,
        "message_id": message.message_id,
        "thread_id": message.thread_id,
        "state": "queued",
        "attempts": 0,
        "created_at": now,
        "next_attempt_at": now,
    }
    connection.execute(sa.insert(messages).values(values))
    return True


def claim(connection: Connection, now: datetime, lease: timedelta, limit: int) -> list[ClaimedMessage]:
    """Lease the messages that are due, oldest first. No two workers get the same one while the lease lasts.

    What waits for a time beyond :data:`FARTHEST` is due: the server's clock was ahead for a while, and a mail must
    not wait until that time comes.
    """
    due = (
        sa.select(messages.c.id)
        .where(
            messages.c.state == "queued",
            sa.or_(messages.c.next_attempt_at <= now, messages.c.next_attempt_at > now + FARTHEST),
            sa.or_(
                messages.c.leased_until.is_(None),
                messages.c.leased_until <= now,
                messages.c.leased_until > now + FARTHEST,
            ),
        )
        .order_by(messages.c.next_attempt_at, messages.c.id)
        .limit(limit)
        .with_for_update(
            skip_locked=True
        )  # SQLite has no row locks and one writer at a time: it ignores this
    )
    ids = list(connection.execute(due).scalars())
    if not ids:
        return []
    connection.execute(sa.update(messages).where(messages.c.id.in_(ids)).values(leased_until=now + lease))
    found = connection.execute(sa.select(messages).where(messages.c.id.in_(ids)).order_by(messages.c.id))
    return [
        ClaimedMessage(
            row.id,
            row.to_address,
            row.subject,
            row.text,
            row.html,
            row.message_id,
            row.thread_id,
            row.created_at,
            row.attempts,
            row.leased_until,
        )
        for row in found
    ]


def mark_sent(connection: Connection, message: ClaimedMessage, now: datetime) -> bool:
    """It is out. False, here and below: the lease had ended and another worker has the message."""
    return _settle(connection, message, {"state": "sent", "sent_at": now, "last_error": None})


def retry_later(connection: Connection, message: ClaimedMessage, error: str, at: datetime) -> bool:
    return _settle(connection, message, {"next_attempt_at": at, "last_error": error[:2000]})


def fail(connection: Connection, message: ClaimedMessage, error: str) -> bool:
    """Give it up for good; /health counts it until somebody sends it again."""
    return _settle(connection, message, {"state": "failed", "last_error": error[:2000]})


def _settle(connection: Connection, message: ClaimedMessage, values: dict[str, Any]) -> bool:
    mine = sa.update(messages).where(
        messages.c.id == message.id,
        messages.c.state == "queued",
        messages.c.leased_until == message.leased_until,
    )
    values |= {"leased_until": None, "attempts": messages.c.attempts + 1}
    return connection.execute(mine.values(values)).rowcount == 1


def threads(connection: Connection, alert_id: int) -> dict[int, str]:
    """The thread of an alert's present episode by contact: of the first mail since it last left normal.

    What opened the alert may have told of it in a mail that names another alert of the same subject first: that
    mail begins the thread then.
    """
    quiet = ("normal", "returned")
    opening = connection.execute(
        sa.select(alert_events.c.id, alert_events.c.at, *(alerts.c[name] for name in SUBJECT))
        .join(alerts, alerts.c.id == alert_events.c.alert_id)
        .where(
            alert_events.c.alert_id == alert_id,
            alert_events.c.from_state.in_(quiet),
            alert_events.c.to_state.not_in(quiet),
        )
        .order_by(alert_events.c.id.desc())
        .limit(1)
    ).first()
    if opening is None:
        return {}
    ended = connection.execute(
        sa.select(sa.func.max(alert_events.c.id)).where(
            alert_events.c.alert_id == alert_id, alert_events.c.id < opening.id
        )
    ).scalar()
    of_the_alert = sa.and_(alert_events.c.alert_id == alert_id, alert_events.c.id >= opening.id)
    of_the_opening = sa.and_(messages.c.created_at == opening.at, alert_events.c.id > (ended or 0))
    query = (
        sa.select(messages.c.contact_id, messages.c.thread_id)
        .join(alert_events, alert_events.c.id == messages.c.alert_event_id)
        .join(alerts, alerts.c.id == alert_events.c.alert_id)
        .where(
            *(alerts.c[name].is_not_distinct_from(opening._mapping[name]) for name in SUBJECT),
            messages.c.contact_id.is_not(None),
            sa.or_(of_the_alert, of_the_opening),
        )
        .order_by(messages.c.id.desc())  # the first of a contact is written over the later ones
    )
    return {row.contact_id: row.thread_id for row in connection.execute(query)}


def contact_ids(connection: Connection, codes: list[str]) -> dict[str, int]:
    """Ids of contacts by code."""
    query = sa.select(contacts.c.code, contacts.c.id).where(contacts.c.code.in_(codes))
    return {row.code: row.id for row in connection.execute(query)}
