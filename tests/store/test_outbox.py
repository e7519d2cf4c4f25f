"""The outbox on both databases: once per sample and address, leases, and two workers at once."""

import threading
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
import sqlalchemy as sa

from app.store import outbox
from app.store.database import Database
from app.store.tables import messages

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
LEASE = timedelta(minutes=2)
MESSAGE = outbox.NewMessage(
    contact_id=None,
    alert_event_id=None,
    sample_id=None,
    to_address="planner@weirs.example",
    subject="subject",
    text="text",
    html="<p>html</p>",
    message_id="<m1@weirs.example>",
    thread_id="<m1@weirs.example>",
)


def enqueue(database: Database, *names: str, at: datetime = NOW) -> None:
    with database.write() as connection:
        for name in names:
            assert outbox.enqueue(connection, replace(MESSAGE, message_id=f"<{name}@weirs.example>"), at)


def claim(database: Database, at: datetime = NOW, limit: int = 10) -> list[outbox.ClaimedMessage]:
    with database.write() as connection:
        return outbox.claim(connection, at, LEASE, limit)


def names(claimed: list[outbox.ClaimedMessage]) -> list[str]:
    return [message.message_id.strip("<>").partition("@")[0] for message in claimed]


def test_a_message_is_claimed_once_while_its_lease_lasts(database: Database) -> None:
    enqueue(database, "a")
    (first,) = claim(database)
    assert (first.to_address, first.text, first.created_at, first.attempts) == (
        "planner@weirs.example",
        "text",
        NOW,
        0,
    )
    assert claim(database, NOW + LEASE - timedelta(seconds=1)) == []
    assert claim(database, NOW + LEASE) == [first], "the worker that had it is taken for dead"


def test_the_oldest_come_first_and_no_more_than_asked_for(database: Database) -> None:
    enqueue(database, "late", at=NOW - timedelta(minutes=1))
    enqueue(database, "early", at=NOW - timedelta(hours=1))
    enqueue(database, "not-yet", at=NOW + timedelta(minutes=1))
    assert names(claim(database, limit=1)) == ["early"]
    assert names(claim(database)) == ["late"]
    assert claim(database) == []


def test_sent_postponed_and_failed(database: Database) -> None:
    enqueue(database, "sent", "postponed", "failed")
    sent, postponed, failed = claim(database)
    with database.write() as connection:
        outbox.mark_sent(connection, sent.id, NOW)
        outbox.retry_later(connection, postponed.id, "450 busy", NOW + timedelta(seconds=30))
        outbox.fail(connection, failed.id, "550 no such user " + "x" * 5000)
    assert claim(database) == []
    (again,) = claim(database, NOW + timedelta(seconds=30))
    assert (again.id, again.attempts) == (postponed.id, 1)
    with database.read() as connection:
        rows = connection.execute(sa.select(messages).order_by(messages.c.id)).all()
    assert [(r.state, r.attempts, r.sent_at) for r in rows] == [
        ("sent", 1, NOW),
        ("queued", 1, None),
        ("failed", 1, None),
    ]
    assert rows[1].last_error == "450 busy"
    assert len(rows[2].last_error) == 2000
    assert claim(database, NOW + timedelta(days=365)) == [again], "sent and failed are never claimed again"


def test_one_message_id_is_one_message(database: Database) -> None:
    enqueue(database, "a")
    with pytest.raises(sa.exc.IntegrityError):
        enqueue(database, "a")
    assert len(claim(database)) == 1


def test_two_workers_at_once_never_get_the_same_message(database: Database) -> None:
    count, workers = 120, 4
    enqueue(database, *(f"m{i}" for i in range(count)))
    got: list[list[int]] = [[] for _ in range(workers)]
    together = threading.Barrier(workers)

    def work(mine: list[int]) -> None:
        together.wait()
        idle = 0
        while idle < 3:  # an empty turn may only mean that the others hold the rest
            claimed = claim(database, limit=7)
            idle = 0 if claimed else idle + 1
            mine.extend(message.id for message in claimed)

    threads = [threading.Thread(target=work, args=(mine,)) for mine in got]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    claims = Counter(message for mine in got for message in mine)
    assert len(claims) == count
    assert set(claims.values()) == {1}


def test_a_worker_does_not_wait_for_the_rows_another_is_claiming(postgresql_database: Database) -> None:
    enqueue(postgresql_database, "held", "free")
    with postgresql_database.write() as connection:
        held = outbox.claim(connection, NOW, LEASE, 1)
        other = claim(postgresql_database)  # the first transaction is still open
    assert (names(held), names(other)) == (["held"], ["free"])
