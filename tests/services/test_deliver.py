"""Delivery: nothing is lost, a crash repeats a mail under the same Message-ID, hopeless mail is given up."""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.message import EmailMessage
from threading import Barrier, Thread

import pytest
import sqlalchemy as sa

from app.notify.transport import DeliveryError
from app.services.deliver import LEASE, LONGEST_RETRY, DeliveryReport, deliver_due, pause
from app.store import outbox
from app.store.database import Database
from app.store.tables import messages

NOW = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)


@dataclass
class Postman:
    error: Exception | None = None
    ids: list[str] = field(default_factory=list)

    def send(self, message: EmailMessage) -> None:
        self.ids.append(str(message["Message-ID"]))
        if self.error:
            raise self.error


def queue(database: Database, count: int = 1) -> None:
    with database.write() as connection:
        for n in range(count):
            message = outbox.NewMessage(
                None,
                None,
                None,
                "rota@example.org",
                "[Ullage] x",
                "t",
                "<p>t</p>",
                f"<m{n}@x.org>",
                "<m@x.org>",
            )
            assert outbox.enqueue(connection, message, NOW)


def states(database: Database) -> list[tuple[str, int]]:
    with database.read() as connection:
        rows = connection.execute(sa.select(messages.c.state, messages.c.attempts))
        return [(row.state, row.attempts) for row in rows]


def test_a_sent_message_is_not_sent_again(database: Database) -> None:
    queue(database)
    postman = Postman()
    assert deliver_due(database, postman, "u@example.org", NOW) == DeliveryReport(sent=1)
    assert deliver_due(database, postman, "u@example.org", NOW + timedelta(days=1)) == DeliveryReport()
    assert states(database) == [("sent", 1)]


def test_a_crash_before_marking_sends_again_under_the_same_id(database: Database) -> None:
    queue(database)
    postman = Postman(RuntimeError("the machine went down"))
    with pytest.raises(RuntimeError):
        deliver_due(database, postman, "u@example.org", NOW)
    postman.error = None
    before_the_lease_ends = NOW + LEASE - timedelta(seconds=1)
    assert deliver_due(database, postman, "u@example.org", before_the_lease_ends) == DeliveryReport()
    assert deliver_due(database, postman, "u@example.org", NOW + LEASE) == DeliveryReport(sent=1)
    assert postman.ids == ["<m0@x.org>", "<m0@x.org>"]


def test_a_temporary_failure_waits_and_then_goes(database: Database) -> None:
    queue(database)
    postman = Postman(DeliveryError("451 later", permanent=False))
    assert deliver_due(database, postman, "u@example.org", NOW) == DeliveryReport(postponed=1)
    postman.error = None
    early = NOW + pause(0) - timedelta(seconds=1)
    assert deliver_due(database, postman, "u@example.org", early) == DeliveryReport()
    assert deliver_due(database, postman, "u@example.org", NOW + pause(0)) == DeliveryReport(sent=1)
    assert states(database) == [("sent", 2)]


def test_a_permanent_failure_is_given_up(database: Database) -> None:
    queue(database)
    postman = Postman(DeliveryError("550 no such mailbox", permanent=True))
    assert deliver_due(database, postman, "u@example.org", NOW) == DeliveryReport(failed=1)
    assert deliver_due(database, postman, "u@example.org", NOW + timedelta(days=9)) == DeliveryReport()
    assert states(database) == [("failed", 1)]


def test_pauses_double_up_to_an_hour() -> None:
    assert [pause(n).total_seconds() for n in range(3)] == [30, 60, 120]
    assert pause(7) == pause(59) == LONGEST_RETRY


def test_two_workers_at_once_never_share_a_message(database: Database) -> None:
    queue(database, 40)
    postmen, barrier = (Postman(), Postman()), Barrier(2)

    def work(postman: Postman) -> None:
        barrier.wait(10)
        while deliver_due(database, postman, "u@example.org", NOW, limit=3).sent:
            pass

    threads = [Thread(target=work, args=(p,)) for p in postmen]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    sent = postmen[0].ids + postmen[1].ids
    assert sorted(sent) == sorted(f"<m{n}@x.org>" for n in range(40))
