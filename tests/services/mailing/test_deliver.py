"""Delivery, with a transport that does as it is told: sent, postponed, given up, and a crash in between."""

from collections import Counter
from collections.abc import Callable
from datetime import datetime, timedelta
from email.message import EmailMessage

import pytest
import sqlalchemy as sa
from fleet_cast import NOW

from app.notify.transport import DeliveryError
from app.services.mailing.deliver import GIVE_UP_AFTER, LEASE, LONGEST_RETRY, Delivery, deliver_next, pause
from app.store.database import Database
from app.store.mailing import outbox
from app.store.schema import messages

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


def deliver(database: Database, post: Post, now: datetime) -> Counter[Delivery]:
    """What became of all that is due while the clock stands still."""
    results: Counter[Delivery] = Counter()
    while (delivery := deliver_next(database, post, SENDER, lambda: now)) is not None:
        results[delivery] += 1
    return results


def became(**counts: int) -> Counter[Delivery]:
    return Counter({Delivery(name): count for name, count in counts.items()})


def rows(database: Database) -> list[tuple[object, ...]]:
    query = sa.select(messages.c.state, messages.c.attempts, messages.c.last_error).order_by(messages.c.id)
    with database.read() as connection:
        return [tuple(row) for row in connection.execute(query)]


def test_what_is_due_is_sent_once(database: Database) -> None:
    enqueue(database, "planner@weirs.example", "watch@weirs.example")
    post = Post()
    assert deliver(database, post, NOW) == became(sent=2)
    assert deliver(database, post, NOW + timedelta(days=9)) == became()
    assert [m["To"] for m in post.given] == ["planner@weirs.example", "watch@weirs.example"]
    assert {m["From"] for m in post.given} == {f"Ullage <{SENDER}>"}
    assert rows(database) == [("sent", 1, None), ("sent", 1, None)]


def test_a_refusal_for_now_is_tried_again_later_and_later(database: Database) -> None:
    enqueue(database, "planner@weirs.example")
    busy = Post(refuse("450 busy", permanent=False))
    assert deliver(database, busy, NOW) == became(postponed=1)
    assert deliver(database, busy, NOW + timedelta(seconds=29)) == became()
    again = NOW + timedelta(seconds=30)
    assert deliver(database, busy, again) == became(postponed=1)
    assert deliver(database, busy, again + timedelta(seconds=59)) == became()
    assert rows(database) == [("queued", 2, "450 busy")]
    post = Post()
    assert deliver(database, post, again + timedelta(seconds=60)) == became(sent=1)
    assert post.ids == busy.ids[:1]
    assert rows(database) == [("sent", 3, None)]


def test_a_refusal_for_good_is_not_tried_again(database: Database) -> None:
    enqueue(database, "planner@weirs.example")
    post = Post(refuse("550 no such user", permanent=True))
    assert deliver(database, post, NOW) == became(failed=1)
    assert deliver(database, post, NOW + timedelta(days=9)) == became()
    assert rows(database) == [("failed", 1, "550 no such user")]


def test_one_that_cannot_be_written_does_not_hold_up_the_others(database: Database) -> None:
    enqueue(database, "planner@weirs.example\r\nBcc: all@weirs.example", "watch@weirs.example")
    post = Post()
    assert deliver(database, post, NOW) == became(sent=1, failed=1)
    assert [m["To"] for m in post.given] == ["watch@weirs.example"]
    assert [state for state, *_ in rows(database)] == ["failed", "sent"]


def test_a_crash_between_sending_and_marking_sends_twice_with_one_id(database: Database) -> None:
    enqueue(database, "planner@weirs.example", "watch@weirs.example")

    def cut(_message: EmailMessage) -> None:
        raise PowerCut

    dying = Post(cut)
    with pytest.raises(PowerCut):
        deliver(database, dying, NOW)
    assert dying.ids == ["<m0@weirs.example>"]
    post = Post()
    assert deliver(database, post, NOW + LEASE - timedelta(seconds=1)) == became(sent=1)
    assert post.ids == ["<m1@weirs.example>"], "only the message that was under way is held up"
    assert deliver(database, post, NOW + LEASE) == became(sent=1)
    assert post.ids[1:] == dying.ids, "the same id, so readers can drop one"


def test_a_slow_server_makes_no_duplicates_however_many_messages_wait(database: Database) -> None:
    """Two workers and 24 messages at 15 s each: six minutes of work under a lease of two."""
    enqueue(database, *["planner@weirs.example"] * 24)
    at = NOW
    other: list[Delivery | None] = []

    def slow(_message: EmailMessage) -> None:
        nonlocal at
        at += timedelta(seconds=15)
        if len(post.given) % 8 == 0:
            other.append(deliver_next(database, second, SENDER, lambda: at))

    post, second = Post(slow), Post()
    while deliver_next(database, post, SENDER, lambda: at) is not None:
        pass
    assert other.count(Delivery.SENT) >= 2
    assert sorted(post.ids + second.ids) == sorted(f"<m{n}@weirs.example>" for n in range(24))
    assert {row[:2] for row in rows(database)} == {("sent", 1)}


def test_the_times_are_those_of_each_step(database: Database) -> None:
    enqueue(database, "planner@weirs.example", "watch@weirs.example")
    at = NOW

    def slow(message: EmailMessage) -> None:
        nonlocal at
        at += timedelta(seconds=50)
        if message["To"] == "watch@weirs.example":
            raise DeliveryError("450 busy", permanent=False)

    while deliver_next(database, Post(slow), SENDER, lambda: at) is not None:
        pass
    with database.read() as connection:
        sent, later = connection.execute(sa.select(messages).order_by(messages.c.id)).all()
    assert sent.sent_at == NOW + timedelta(seconds=50)
    assert later.next_attempt_at == NOW + timedelta(seconds=100 + 30)


@pytest.mark.parametrize("refused", [None, "450 busy", "550 no such user"])
def test_who_has_lost_the_lease_settles_nothing(database: Database, refused: str | None) -> None:
    enqueue(database, "planner@weirs.example")
    at = NOW

    def outlasts_the_lease(_message: EmailMessage) -> None:
        nonlocal at
        at += LEASE
        with database.write() as connection:
            assert len(outbox.claim(connection, at, LEASE, 1)) == 1  # another worker has it now
        if refused:
            raise DeliveryError(refused, permanent=refused.startswith("5"))

    assert deliver_next(database, Post(outlasts_the_lease), SENDER, lambda: at) is Delivery.LOST
    assert rows(database) == [("queued", 0, None)]


def test_an_error_that_nobody_foresaw_blocks_no_message_behind_it(database: Database) -> None:
    enqueue(database, "planner@weirs.example", "watch@weirs.example")

    def shaky(message: EmailMessage) -> None:
        if message["To"] == "planner@weirs.example":
            raise ZeroDivisionError("division by zero")

    post = Post(shaky)
    with pytest.raises(ZeroDivisionError):
        deliver(database, post, NOW)
    assert deliver(database, post, NOW) == became(sent=1)
    assert rows(database) == [("queued", 1, "ZeroDivisionError: division by zero"), ("sent", 1, None)]


def test_it_is_given_up_in_the_end_and_says_so(database: Database) -> None:
    enqueue(database, "planner@weirs.example")
    post, at, turns = Post(refuse("450 busy", permanent=False)), NOW, 0
    while rows(database)[0][0] == "queued":
        deliver(database, post, at)
        at += LONGEST_RETRY
        turns += 1
        assert turns <= GIVE_UP_AFTER
    assert rows(database) == [("failed", GIVE_UP_AFTER, "450 busy")]


def test_the_pauses_double_up_to_an_hour_and_last_more_than_two_days() -> None:
    assert [pause(n).total_seconds() for n in (0, 1, 2, 6, 7, 500)] == [30, 60, 120, 1920, 3600, 3600]
    assert sum((pause(n) for n in range(GIVE_UP_AFTER - 1)), timedelta()) > timedelta(days=2)
