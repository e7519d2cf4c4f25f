"""A server of PostgreSQL that is started late, killed and started again: nobody ends because of it."""

import signal
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest
import sqlalchemy as sa
from command_cast import Command, Start, answers, beats
from own_postgresql import OwnPostgresql
from served import free_port

from app.services.registering.load_fleet import load_fleet
from app.store.database import Database
from app.store.keeping import migrate
from app.store.schema import messages

DATA = Path(__file__).parents[1] / "data"
pytestmark = pytest.mark.postgresql


@dataclass
class Late:
    """A server that is not running, with a database at the newest schema."""

    server: OwnPostgresql
    url: str

    def queue_mail(self) -> None:
        now = datetime.now(UTC)
        row: dict[str, object] = {
            "to_address": "a@b.example",
            "subject": "s",
            "text": "t",
            "html": "<p>h</p>",
            "state": "queued",
        }
        row |= {"message_id": "<1@x.example>", "thread_id": "<1@x.example>", "attempts": 0}
        database = Database(self.url)
        with database.write() as connection:
            connection.execute(sa.insert(messages), {**row, "created_at": now, "next_attempt_at": now})
        database.dispose()


@pytest.fixture
def late(postgresql_server: str) -> Iterator[Late]:
    """``postgresql_server`` is only asked whether there is any PostgreSQL; see there."""
    del postgresql_server
    server = OwnPostgresql.create(durable=False)
    try:
        server.start()
        url = server.create_database("record")
        database = Database(url)
        migrate.upgrade(database)
        load_fleet(database, (DATA / "fleet.yaml").read_text(encoding="utf-8"), "fleet.yaml")
        database.dispose()
        server.stop()
        yield Late(server, url)
    finally:
        server.remove()


def waits(command: Command) -> bool:
    return bool(command.logged("waiting for the database"))


@pytest.mark.parametrize("words", [("worker",), ("serve",), ("serve", "--workers", "2")])
def test_it_waits_for_a_server_that_is_started_late(
    start: Start, late: Late, tmp_path: Path, words: tuple[str, ...]
) -> None:
    port = free_port()
    command = start(*words, "--database", late.url, port=str(port), worker_poll_seconds="0.1")
    command.until(lambda: len(command.logged("waiting for the database")) >= 2)
    late.server.start()
    late.queue_mail()
    command.until(lambda: list((tmp_path / "var" / "mail").glob("*.eml")))
    if words[0] == "serve":
        command.until(lambda: answers(port))
    assert command.end(signal.SIGTERM) == 0, command.err
    first, second = command.logged("waiting for the database")[:2]
    assert (first["next_try_seconds"], second["next_try_seconds"]) == (1.0, 2.0)
    assert "cannot be opened: connection" in first["reason"]
    assert "Traceback" not in command.err


@pytest.mark.parametrize(
    ("words", "number"),
    [
        (("worker",), signal.SIGTERM),
        (("worker",), signal.SIGINT),
        (("serve",), signal.SIGTERM),
        (("serve", "--workers", "2"), signal.SIGTERM),
    ],
)
def test_it_ends_at_once_when_it_is_told_to_while_it_waits(
    start: Start, late: Late, words: tuple[str, ...], number: signal.Signals
) -> None:
    command = start(*words, database_url=late.url)
    command.until(lambda: waits(command))
    begun = time.monotonic()
    assert command.end(number) == 0, command.err
    assert time.monotonic() - begun < 10  # of an idle machine a tenth of a second
    assert "Traceback" not in command.err


@pytest.mark.parametrize("command", ["worker", "serve"])
def test_who_is_refused_ends_and_says_what_to_look_at(start: Start, late: Late, command: str) -> None:
    late.server.start()
    late.server.execute("CREATE ROLE keeper LOGIN PASSWORD 'right'")
    rules = late.server.folder / "data" / "pg_hba.conf"
    rules.write_text(f"local all keeper scram-sha-256\n{rules.read_text()}")
    late.server.execute("SELECT pg_reload_conf()")
    for url, told in (
        (late.url.replace("/record?", "/nowhere?"), 'database "nowhere" does not exist'),
        (late.url.replace("postgres@", "nobody@"), 'role "nobody" does not exist'),
        (late.url.replace("postgres@", "keeper:wr0ng@"), 'password authentication failed for user "keeper"'),
    ):
        refused = start(command, database_url=url)
        assert refused.wait() == 1, refused.err
        last = refused.lines[-1]
        assert told in last
        assert last.endswith("if it is not full, look at the name, user and password in its URL\n")
        assert "wr0ng" not in refused.err
        assert "Traceback" not in refused.err


def test_worker_and_server_outlive_a_server_that_is_killed_and_comes_back(
    start: Start, late: Late, tmp_path: Path
) -> None:
    """The worker that was started before is the one that sends the mail afterwards."""
    late.server.start()
    port = free_port()
    server = start("serve", database_url=late.url, port=str(port), embedded_worker="false")
    worker = start("worker", database_url=late.url, worker_poll_seconds="0.1")
    server.until(lambda: answers(port))
    worker.until(lambda: beats(late.url))
    late.server.kill()
    worker.until(lambda: len(worker.logged("the database cannot be reached")) >= 2)
    server.until(lambda: not answers(port))
    late.server.start()
    late.queue_mail()
    worker.until(lambda: list((tmp_path / "var" / "mail").glob("*.eml")))
    server.until(lambda: answers(port))
    assert worker.end(signal.SIGTERM) == 0, worker.err
    assert server.end(signal.SIGTERM) == 0, server.err
    assert "Traceback" not in worker.err


def test_a_watched_folder_waits_too_and_is_taken_up_again(start: Start, late: Late, tmp_path: Path) -> None:
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    words = ("import", "--watch", str(inbox), "--laboratory", "LAB", "--every", "0.1")
    watch = start(*words, database_url=late.url)
    watch.until(lambda: "trying again in" in watch.err)
    late.server.start()
    watch.until(lambda: "watching " in watch.out)
    late.server.kill()
    (inbox / "first.csv").write_text("no laboratory file\n")
    watch.until(lambda: "the database cannot be reached" in watch.out)
    assert (inbox / "first.csv").exists()
    late.server.start()
    watch.until(lambda: "first.csv: set aside" in watch.out)
    assert watch.end(signal.SIGTERM) == 0, watch.err
    assert "Traceback" not in watch.err


def test_a_command_that_is_done_at_once_does_not_wait(start: Start, late: Late) -> None:
    refused = start("db", "check", "--database", late.url)
    assert refused.wait() == 1
    assert "cannot be opened: connection" in refused.err
    unwell = start("health", "--database", late.url)
    assert unwell.wait() == 1
    assert unwell.out.startswith("database: NOT WELL, the database postgresql+psycopg://postgres@/record?")
