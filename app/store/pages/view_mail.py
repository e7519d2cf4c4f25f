"""What the pages read about the outbox and the worker. Queries only."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from app.store.database import Connection
from app.store.schema import alert_events, contacts, heartbeats, messages


@dataclass(frozen=True, slots=True)
class MessageView:
    """One mail of the outbox, without its body."""

    id: int
    contact_name: str | None
    to_address: str
    subject: str
    state: str
    attempts: int
    created_at: datetime
    next_attempt_at: datetime
    sent_at: datetime | None
    last_error: str | None
    alert_id: int | None


@dataclass(frozen=True, slots=True)
class MessageBody:
    """The content of one mail as it goes out."""

    text: str
    html: str
    message_id: str
    thread_id: str


@dataclass(frozen=True, slots=True)
class Traffic:
    """The state of the outbox and of the workers."""

    heartbeat_at: datetime | None
    """The newest sign of life of any worker."""
    queued: int
    oldest_queued_at: datetime | None
    failed: int
    sent: int


def message_list(
    connection: Connection,
    *,
    state: str | None = None,
    sample_ids: Sequence[int] | None = None,
    before_id: int | None = None,
    limit: int = 100,
) -> list[MessageView]:
    """Messages, newest first."""
    query = _message_query().order_by(messages.c.id.desc()).limit(limit)
    if state is not None:
        query = query.where(messages.c.state == state)
    if sample_ids is not None:
        query = query.where(messages.c.sample_id.in_(sample_ids))
    if before_id is not None:
        query = query.where(messages.c.id < before_id)
    return [_message(row) for row in connection.execute(query)]


def message(connection: Connection, message_id: int) -> tuple[MessageView, MessageBody] | None:
    """One message and its content, or None."""
    row = connection.execute(_message_query().where(messages.c.id == message_id)).first()
    if row is None:
        return None
    body = connection.execute(
        sa.select(messages.c.text, messages.c.html, messages.c.message_id, messages.c.thread_id).where(
            messages.c.id == message_id
        )
    ).one()
    return _message(row), MessageBody(
        text=body.text, html=body.html, message_id=body.message_id, thread_id=body.thread_id
    )


def traffic(connection: Connection) -> Traffic:
    """Counts by state and the workers' newest heartbeat."""
    at = messages.c.created_at
    rows = connection.execute(
        sa.select(messages.c.state, sa.func.count(), sa.func.min(at, type_=at.type)).group_by(
            messages.c.state
        )
    )
    by_state = {row[0]: (row[1], row[2]) for row in rows}
    beat = connection.execute(sa.select(sa.func.max(heartbeats.c.at, type_=heartbeats.c.at.type))).scalar()
    queued, oldest = by_state.get("queued", (0, None))
    return Traffic(
        heartbeat_at=beat,
        queued=queued,
        oldest_queued_at=oldest,
        failed=by_state.get("failed", (0, None))[0],
        sent=by_state.get("sent", (0, None))[0],
    )


def _message_query() -> sa.Select[Any]:
    return (
        sa.select(
            *(
                messages.c[name]
                for name in ("id", "to_address", "subject", "state", "attempts", "last_error")
            ),
            *(messages.c[name] for name in ("created_at", "next_attempt_at", "sent_at")),
            contacts.c.name.label("contact_name"),
            alert_events.c.alert_id,
        )
        .outerjoin(contacts, contacts.c.id == messages.c.contact_id)
        .outerjoin(alert_events, alert_events.c.id == messages.c.alert_event_id)
    )


def _message(row: Any) -> MessageView:
    return MessageView(**dict(row._mapping))
