"""Delivery, with a transport that does as it is told: sent, postponed, given up, and a crash in between."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from email.message import EmailMessage

import pytest
import sqlalchemy as sa

from app.notify.transport import DeliveryError
from app.services.deliver import GIVE_UP_AFTER, LEASE, LONGEST_RETRY, DeliveryReport, deliver_due, pause
from app.store import outbox
from app.store.database import Database
from app.store.tables import messages

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
SENDER = "ullage@weirs.example"


class Post:
    """Keeps what it was given; then does what it was told."""

    def __init__(self, then: Callable[[EmailMessage], None] = lambda _: None) -> None:
        self.given: list[EmailMessage] = []
        self.then = then

    def send(self, message: EmailMessage) -> None:
        self.given.append(message)
        self.then(message)

    @property
    def ids(self) -> list[str]:
        return [str(message["Message-ID"]) for message in self.given]


class PowerCut(BaseException):
    """Nothing after it runs, as if the process were gone."""


def refuse(reason: str, *, permanent: bool) -> Callable[[EmailMessage], None]:
    def refusing(_message: EmailMessage) -> None:
        raise DeliveryError(reason, permanent=permanent)

    return refusing


def enqueue(database: Database, *addresses: str) -> None:
    with database.write() as connection:
        for number, address in enumerate(addresses):
            name = f"<m{number}@weirs.example>"
            outbox.enqueue(
                connection,
                outbox.NewMessage(
                    None, None, None, address, f"subject {number}", "text", "<p>html</p>", name, name
                ),
                NOW,
            )


def rows(database: Database) -> list[tuple[object, ...]]:
    query = sa.select(messages.c.state, messages.c.attempts, messages.c.last_error).order_by(messages.c.id)
    with database.read() as connection:
        return [tuple(row) for row in connection.execute(query)]


def test_what_is_due_is_sent_once(database: Database) -> None:
    enqueue(database, "planner@weirs.example", "watch@weirs.example")
    post = Post()
    assert deliver_due(database, post, SENDER, NOW) == DeliveryReport(sent=2)
    assert deliver_due(database, post, SENDER, NOW + timedelta(days=9)) == DeliveryReport()
    assert [m["To"] for m in post.given] == ["planner@weirs.example", "watch@weirs.example"]
    assert {m["From"] for m in post.given} == {f"Ullage <{SENDER}>"}
    assert rows(database) == [("sent", 1, None), ("sent", 1, None)]


def test_a_refusal_for_now_is_tried_again_later_and_later(database: Database) -> None:
    enqueue(database, "planner@weirs.example")
    busy = Post(refuse("450 busy", permanent=False))
    assert deliver_due(database, busy, SENDER, NOW) == DeliveryReport(postponed=1)
    assert deliver_due(database, busy, SENDER, NOW + timedelta(seconds=29)) == DeliveryReport()
    again = NOW + timedelta(seconds=30)
    assert deliver_due(database, busy, SENDER, again) == DeliveryReport(postponed=1)
    assert deliver_due(database, busy, SENDER, again + timedelta(seconds=59)) == DeliveryReport()
    assert rows(database) == [("queued", 2, "450 busy")]
    post = Post()
    assert deliver_due(database, post, SENDER, again + timedelta(seconds=60)) == DeliveryReport(sent=1)
    assert post.ids == busy.ids[:1]
    assert rows(database) == [("sent", 3, None)]


def test_a_refusal_for_good_is_not_tried_again(database: Database) -> None:
    enqueue(database, "planner@weirs.example")
    post = Post(refuse("550 no such user", permanent=True))
    assert deliver_due(database, post, SENDER, NOW) == DeliveryReport(failed=1)
    assert deliver_due(database, post, SENDER, NOW + timedelta(days=9)) == DeliveryReport()
    assert rows(database) == [("failed", 1, "550 no such user")]


def test_one_that_cannot_be_written_does_not_hold_up_the_others(database: Database) -> None:
    enqueue(database, "planner@weirs.example\r\nBcc: all@weirs.example", "watch@weirs.example")
    post = Post()
    assert deliver_due(database, post, SENDER, NOW) == DeliveryReport(sent=1, failed=1)
    assert [m["To"] for m in post.given] == ["watch@weirs.example"]
    assert [state for state, *_ in rows(database)] == ["failed", "sent"]


def test_a_crash_between_sending_and_marking_sends_twice_with_one_id(database: Database) -> None:
    enqueue(database, "planner@weirs.example", "watch@weirs.example")

    def cut(_message: EmailMessage) -> None:
        raise PowerCut

    dying = Post(cut)
    with pytest.raises(PowerCut):
        deliver_due(database, dying, SENDER, NOW)
    assert dying.ids == ["<m0@weirs.example>"]
    post = Post()
    assert deliver_due(database, post, SENDER, NOW + LEASE - timedelta(seconds=1)) == DeliveryReport()
    assert deliver_due(database, post, SENDER, NOW + LEASE) == DeliveryReport(sent=2)
    assert post.ids == ["<m0@weirs.example>", "<m1@weirs.example>"], "the same id, so readers can drop one"


def test_it_is_given_up_in_the_end_and_says_so(database: Database) -> None:
    enqueue(database, "planner@weirs.example")
    post, at, turns = Post(refuse("450 busy", permanent=False)), NOW, 0
    while rows(database)[0][0] == "queued":
        deliver_due(database, post, SENDER, at)
        at += LONGEST_RETRY
        turns += 1
        assert turns <= GIVE_UP_AFTER
    assert rows(database) == [("failed", GIVE_UP_AFTER, "450 busy")]


def test_the_pauses_double_up_to_an_hour_and_last_more_than_two_days() -> None:
    assert [pause(n).total_seconds() for n in (0, 1, 2, 6, 7, 500)] == [30, 60, 120, 1920, 3600, 3600]
    assert sum((pause(n) for n in range(GIVE_UP_AFTER - 1)), timedelta()) > timedelta(days=2)
