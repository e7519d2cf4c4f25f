"""The worker in a thread: it delivers, beats, outlives a bad turn, and stops at once."""

import itertools
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from email.message import EmailMessage
from pathlib import Path

import psycopg
import pytest
import sqlalchemy as sa
from structlog.testing import capture_logs

from app.config import Settings
from app.jobs import duties, patience, worker
from app.notify.transport import FolderTransport, SmtpTransport
from app.services.health.heartbeat import beat
from app.services.mailing.deliver import LEASE, deliver_next
from app.store.database import Database
from app.store.mailing import outbox
from app.store.schema import heartbeats, instrument_states, messages, sources

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


@contextmanager
def at_work(
    database: Database, settings: Settings, clock: Callable[[], datetime] | None = None
) -> Iterator[threading.Thread]:
    stop = threading.Event()
    more = () if clock is None else (clock,)
    thread = threading.Thread(target=worker.run, args=(database, settings, stop, *more))
    thread.start()
    try:
        yield thread
    finally:
        stop.set()
        thread.join(10)
        assert not thread.is_alive()


def settings(folder: Path, **more: object) -> Settings:
    return Settings.model_validate({"mail_folder": str(folder), "worker_poll_seconds": 0.05, **more})


def until(condition: Callable[[], object], seconds: float = 10.0) -> None:
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "it did not come to pass"
        time.sleep(0.02)


def beats(database: Database) -> list[datetime]:
    with database.read() as connection:
        return list(connection.execute(sa.select(heartbeats.c.at)).scalars())


def enqueue(database: Database, count: int = 1) -> None:
    with database.write() as connection:
        for number in range(1, count + 1):
            message = replace(MESSAGE, message_id=f"<m{number}@weirs.example>")
            outbox.enqueue(connection, message, datetime.now(UTC))


def test_it_delivers_what_is_queued_while_it_runs(database: Database, tmp_path: Path) -> None:
    with at_work(database, settings(tmp_path)):
        until(lambda: beats(database))
        enqueue(database)
        until(lambda: list(tmp_path.glob("*.eml")))
    assert len(list(tmp_path.glob("*.eml"))) == 1


def test_it_stops_at_once_though_its_pause_is_long(sqlite_database: Database, tmp_path: Path) -> None:
    with at_work(sqlite_database, settings(tmp_path, worker_poll_seconds=60.0)):
        until(lambda: beats(sqlite_database))
        began = time.monotonic()
    assert time.monotonic() - began < 2.0


def test_it_outlives_a_turn_that_fails(
    sqlite_database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole, turns = deliver_next, []

    def shaky(*words: object) -> object:
        turns.append(1)
        if len(turns) <= 2:
            raise RuntimeError("the database is away")
        return whole(*words)  # type: ignore[arg-type]

    monkeypatch.setattr(worker, "deliver_next", shaky)
    enqueue(sqlite_database)
    with at_work(sqlite_database, settings(tmp_path)) as thread:
        until(lambda: list(tmp_path.glob("*.eml")))
        assert thread.is_alive()
    assert len(turns) >= 3


def test_a_database_that_goes_away_is_tried_less_and_less_often_and_nothing_is_skipped(
    sqlite_database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(patience, "FIRST_PAUSE_SECONDS", 0.05)
    real, tries = beat, list[float]()

    def away(database: Database, name: str, now: datetime) -> None:
        tries.append(time.monotonic())
        if len(tries) <= 4:
            raise sa.exc.OperationalError("INSERT", {}, psycopg.OperationalError("the server hung up"))
        real(database, name, now)

    monkeypatch.setattr(duties, "beat", away)
    enqueue(sqlite_database)
    with capture_logs() as said, at_work(sqlite_database, settings(tmp_path)):
        until(lambda: list(tmp_path.glob("*.eml")))
        assert len(beats(sqlite_database)) == 1, (
            "what it could not do it does when it can, not when it is due again"
        )
    told = [one for one in said if one["event"] == "the database cannot be reached"]
    assert [one["next_try_seconds"] for one in told] == [0.05, 0.1, 0.2, 0.4]
    assert {one["reason"] for one in told} == {"the server hung up"}
    assert not [one for one in said if "exc_info" in one]
    assert tries[4] - tries[0] > 0.7


def test_a_database_that_is_full_stops_no_other_duty(
    sqlite_database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_words: object) -> int:
        raise sa.exc.OperationalError("INSERT", {}, psycopg.errors.DiskFull("no space left"))

    monkeypatch.setattr(duties, "check_silence", full)
    enqueue(sqlite_database)
    with capture_logs() as said, at_work(sqlite_database, settings(tmp_path)):
        until(lambda: list(tmp_path.glob("*.eml")))
    (told,) = (one for one in said if one["log_level"] == "error")
    assert (told["event"], told["duty"], told["trouble"]) == ("the duty failed", "silence", "full")


def test_a_duty_that_fails_stops_no_other_and_no_mail(
    sqlite_database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The watch over silence fails each time; shelves, heart and mail go on."""
    failed = threading.Event()

    def fails(*_words: object) -> int:
        failed.set()
        raise RuntimeError("no such thing")

    monkeypatch.setattr(duties, "check_silence", fails)
    with at_work(sqlite_database, settings(tmp_path)):
        until(failed.is_set)
        enqueue(sqlite_database)
        until(lambda: list(tmp_path.glob("*.eml")))
    assert len(beats(sqlite_database)) == 1


def test_it_watches_over_silence(fleet_database: Database, tmp_path: Path) -> None:
    """By its own clock, which runs quickly here: an instrument heard once is late after eight hours and a grace."""
    start = datetime(2026, 3, 1, tzinfo=UTC)
    ticks = itertools.count()
    with fleet_database.write() as connection:
        source = connection.execute(sa.select(sources.c.id).where(sources.c.code == "W-T1-M")).scalar_one()
        heard = {"source_id": source, "heard_at": start, "newest_taken_at": start, "token": 0}
        connection.execute(sa.insert(instrument_states).values(heard))
    with at_work(fleet_database, settings(tmp_path), lambda: start + next(ticks) * timedelta(minutes=1)):
        until(lambda: len(list(tmp_path.glob("*.eml"))) >= 4, 30.0)
    with fleet_database.read() as connection:
        query = sa.select(messages.c.subject, messages.c.to_address).order_by(messages.c.id).limit(4)
        told = [(subject.split("(")[1], to.split("@")[0]) for subject, to in connection.execute(query)]
    assert told == [
        ("raised)", "planner"),
        ("raised)", "watch"),
        ("worsened)", "planner"),
        ("worsened)", "watch"),
    ]


def test_its_heart_beats_by_its_clock_in_one_row(sqlite_database: Database, tmp_path: Path) -> None:
    start, calls = datetime(2026, 3, 1, tzinfo=UTC), []

    def clock() -> datetime:
        calls.append(1)
        return start + timedelta(seconds=len(calls))

    with at_work(sqlite_database, settings(tmp_path), clock):
        until(lambda: beats(sqlite_database) and beats(sqlite_database)[0] > start + timedelta(seconds=20))
    assert len(beats(sqlite_database)) == 1


class Slow:
    """A way out that takes ten seconds of the test's clock, and waits until it is let go on."""

    def __init__(self, at: datetime) -> None:
        self.at = at
        self.sent = 0
        self.go_on = threading.Semaphore(0)

    def send(self, _message: EmailMessage) -> None:
        assert self.go_on.acquire(timeout=10)
        self.at += timedelta(seconds=10)
        self.sent += 1


def test_its_heart_beats_between_the_messages_and_it_stops_between_them(
    sqlite_database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    enqueue(sqlite_database, 5)
    begun = datetime.now(UTC)
    way = Slow(begun)
    monkeypatch.setattr(worker, "make_transport", lambda _settings: way)
    with at_work(sqlite_database, settings(tmp_path), lambda: way.at):
        way.go_on.release()
        until(lambda: beats(sqlite_database) == [begun + timedelta(seconds=10)])
        way.go_on.release()
        until(lambda: beats(sqlite_database) == [begun + timedelta(seconds=20)])
        stopping = threading.Timer(0.3, way.go_on.release)  # the third is under way when it is to stop
        stopping.start()
    stopping.join()
    assert way.sent == 3
    with sqlite_database.read() as connection:
        states = connection.execute(sa.select(messages.c.state, messages.c.leased_until)).all()
    assert sorted(states) == [("queued", None)] * 2 + [("sent", None)] * 3


def test_a_lease_outlasts_a_server_that_is_slow_at_every_step(tmp_path: Path) -> None:
    assert worker.lease(settings(tmp_path, smtp_timeout_seconds=5.0)) == LEASE
    assert worker.lease(settings(tmp_path, smtp_timeout_seconds=60.0)) == timedelta(minutes=12)


def test_the_settings_name_the_way_out(tmp_path: Path) -> None:
    assert worker.make_transport(settings(tmp_path)) == FolderTransport(tmp_path)
    smtp = settings(
        tmp_path,
        mail_transport="smtp",
        smtp_host="post.weirs.example",
        smtp_port=587,
        smtp_security="starttls",
        smtp_username="ullage",
        smtp_password="s3cret",
        smtp_timeout_seconds=7.0,
    )
    assert worker.make_transport(smtp) == SmtpTransport(
        "post.weirs.example", 587, "starttls", "ullage", "s3cret", 7.0
    )
