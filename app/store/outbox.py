"""The outbox: a message is queued in the transaction that caused it, and claimed with a lease to be sent.

A claim lasts until its lease ends; a worker that dies between sending and marking leaves the message to be
claimed again, so a message is sent at least once, always with the same Message-ID.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa

from app.store.database import Connection
from app.store.tables import contacts, messages


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


def enqueue(connection: Connection, message: NewMessage, now: datetime) -> bool:
    """Queue a message; False when the sample already made a mail to this address."""
    if message.sample_id is not None:
        known = sa.select(messages.c.id).where(
            messages.c.sample_id == message.sample_id, messages.c.to_address == message.to_address
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
    """Lease the messages that are due, oldest first. No two workers get the same one while the lease lasts."""
    due = (
        sa.select(messages.c.id)
        .where(
            messages.c.state == "queued",
            messages.c.next_attempt_at <= now,
            sa.or_(messages.c.leased_until.is_(None), messages.c.leased_until <= now),
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
        )
        for row in found
    ]


def mark_sent(connection: Connection, message_id: int, now: datetime) -> None:
    _settle(connection, message_id, {"state": "sent", "sent_at": now, "last_error": None})


def retry_later(connection: Connection, message_id: int, error: str, at: datetime) -> None:
    _settle(connection, message_id, {"next_attempt_at": at, "last_error": error[:2000]})


def fail(connection: Connection, message_id: int, error: str) -> None:
    """Give it up for good; /health counts it until somebody sends it again."""
    _settle(connection, message_id, {"state": "failed", "last_error": error[:2000]})


def _settle(connection: Connection, message_id: int, values: dict[str, Any]) -> None:
    statement = sa.update(messages).where(messages.c.id == message_id)
    connection.execute(statement.values(leased_until=None, attempts=messages.c.attempts + 1, **values))


def contact_ids(connection: Connection, codes: list[str]) -> dict[str, int]:
    """Ids of contacts by code."""
    query = sa.select(contacts.c.code, contacts.c.id).where(contacts.c.code.in_(codes))
    return {row.code: row.id for row in connection.execute(query)}
