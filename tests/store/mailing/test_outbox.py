"""The outbox on both databases: once per event and address, leases, and two workers at once."""

import threading
from collections import Counter
from dataclasses import replace
from datetime import datetime, timedelta

import pytest
import sqlalchemy as sa
from fleet_cast import NOW

from app.domain.alerting.condition import Condition
from app.domain.alerting.conditions.confirmation import CONFIRMATION
from app.domain.alerting.conditions.gassing import GASSING
from app.domain.alerting.decisions import AlertState, Transition
from app.domain.alerting.states import Reason, State
from app.store.alerting import alerts
from app.store.database import Connection, Database
from app.store.mailing import outbox
from app.store.schema import compartments, contacts, messages

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
    (again,) = claim(database, NOW + LEASE)
    assert again == replace(first, leased_until=NOW + 2 * LEASE), "the worker that had it is taken for dead"


def test_the_oldest_come_first_and_no_more_than_asked_for(database: Database) -> None:
    enqueue(database, "late", at=NOW - timedelta(minutes=1))
    enqueue(database, "early", at=NOW - timedelta(hours=1))
    enqueue(database, "not-yet", at=NOW + timedelta(minutes=1))
    assert names(claim(database, limit=1)) == ["early"]
    assert names(claim(database)) == ["late"]
    assert claim(database) == []


def test_what_a_clock_far_ahead_has_put_off_or_leased_is_due_once_the_clock_is_right(
    database: Database,
) -> None:
    ahead = NOW + timedelta(days=365)
    enqueue(database, "a", "b", at=ahead)
    assert len(claim(database, ahead, limit=1)) == 1, "and the worker died with it"
    assert sorted(names(claim(database))) == ["a", "b"]
    enqueue(database, "c", at=NOW + timedelta(hours=1))
    assert claim(database) == [], "an hour ahead is what a retry may be"


def test_sent_postponed_and_failed(database: Database) -> None:
    enqueue(database, "sent", "postponed", "failed")
    sent, postponed, failed = claim(database)
    with database.write() as connection:
        assert outbox.mark_sent(connection, sent, NOW)
        assert outbox.retry_later(connection, postponed, "450 busy", NOW + timedelta(seconds=30))
        assert outbox.fail(connection, failed, "550 no such user " + "x" * 5000)
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
    assert names(claim(database, NOW + timedelta(days=365))) == ["postponed"], (
        "sent and failed are never claimed again"
    )


def test_only_the_newest_claim_settles_and_only_once(database: Database) -> None:
    enqueue(database, "a")
    (old,) = claim(database)
    (new,) = claim(database, NOW + LEASE)
    with database.write() as connection:
        assert not outbox.mark_sent(connection, old, NOW)
        assert not outbox.retry_later(connection, old, "450 busy", NOW)
        assert not outbox.fail(connection, old, "550 no such user")
        assert outbox.mark_sent(connection, new, NOW + LEASE)
        assert not outbox.fail(connection, new, "550 no such user")
        row = connection.execute(sa.select(messages)).one()
    assert (row.state, row.attempts, row.last_error) == ("sent", 1, None)


def test_one_message_id_is_one_message(database: Database) -> None:
    enqueue(database, "a")
    with pytest.raises(sa.exc.IntegrityError):
        enqueue(database, "a")
    assert len(claim(database)) == 1


def event(
    connection: Connection, condition: Condition, before: State, after: State, at: datetime
) -> tuple[int, int]:
    """An alert's next transition, of the one compartment of the test; alert and event."""
    compartment = (
        connection.execute(sa.select(compartments.c.id).order_by(compartments.c.id)).scalars().first()
    )
    assert compartment is not None
    known = alerts.states_of(connection, [compartment]).get((compartment, condition))
    change = Transition(
        condition,
        Reason.RAISED,
        AlertState(condition, before),
        AlertState(condition, after, severity=0 if after is State.RETURNED else 2),
    )
    return alerts.append(
        connection, alerts.Subject(compartment), known.id if known else None, change, alerts.EventNote(at, "")
    )


def mail_about(connection: Connection, event_id: int, thread: str, at: datetime) -> bool:
    contact = connection.execute(sa.select(contacts.c.id).order_by(contacts.c.id)).scalars().first()
    name = f"<e{event_id}@weirs.example>"
    thread = f"<{thread}@weirs.example>"
    mail = replace(MESSAGE, contact_id=contact, alert_event_id=event_id, message_id=name, thread_id=thread)
    return outbox.enqueue(connection, mail, at)


def test_an_event_makes_one_mail_an_address_and_the_next_event_another(fleet_database: Database) -> None:
    with fleet_database.write() as connection:
        alert, first = event(connection, GASSING, State.NORMAL, State.UNACKNOWLEDGED, NOW)
        again, second = event(connection, GASSING, State.RETURNED, State.UNACKNOWLEDGED, NOW)
        assert alert == again
        assert mail_about(connection, first, "a", NOW)
        assert not mail_about(connection, first, "a", NOW)
        assert mail_about(connection, second, "b", NOW)
    with pytest.raises(sa.exc.IntegrityError), fleet_database.write() as connection:
        connection.execute(sa.update(messages).values(alert_event_id=first))


def test_a_thread_lasts_as_long_as_the_episode(fleet_database: Database) -> None:
    up, down, day = State.UNACKNOWLEDGED, State.RETURNED, timedelta(days=1)
    with fleet_database.write() as connection:
        alert, raised = event(connection, GASSING, State.NORMAL, up, NOW)
        assert outbox.threads(connection, alert) == {}
        mail_about(connection, raised, "first", NOW)
        ((contact, thread),) = outbox.threads(connection, alert).items()
        assert thread == "<first@weirs.example>"
        _, worse = event(connection, GASSING, up, up, NOW + day)
        mail_about(connection, worse, "first", NOW + day)
        _, over = event(connection, GASSING, up, down, NOW + 2 * day)
        assert outbox.threads(connection, alert) == {contact: thread}, "the mail of the return belongs to it"
        mail_about(connection, over, "first", NOW + 2 * day)
        event(connection, GASSING, down, State.NORMAL, NOW + 3 * day)  # acknowledged afterwards
        assert outbox.threads(connection, alert) == {contact: thread}
        _, anew = event(connection, GASSING, State.NORMAL, up, NOW + 3 * day)
        assert outbox.threads(connection, alert) == {}
        mail_about(connection, anew, "second", NOW + 3 * day)
        assert outbox.threads(connection, alert) == {contact: "<second@weirs.example>"}


def test_a_thread_may_have_begun_with_the_mail_about_another_alert_raised_at_once(
    fleet_database: Database,
) -> None:
    up, later = State.UNACKNOWLEDGED, NOW + timedelta(days=1)
    with fleet_database.write() as connection:
        gassing, raised = event(connection, GASSING, State.NORMAL, up, NOW)
        asked, _ = event(connection, CONFIRMATION, State.NORMAL, up, NOW)
        mail_about(connection, raised, "both", NOW)
        assert outbox.threads(connection, asked) == outbox.threads(connection, gassing) != {}
        event(connection, CONFIRMATION, up, State.RETURNED, later)
        event(connection, CONFIRMATION, State.RETURNED, up, later)
        assert outbox.threads(connection, asked) == {}, "its second episode has no mail yet"


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
