"""Waiting for a database: how long, for what, and until when."""

import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from app.jobs import patience
from app.jobs.patience import Pauses, wait_for_database
from app.store.database import ConnectionOptions, Database
from app.store.keeping import migrate
from app.store.keeping.migrate import DatabaseAwayError, DatabaseRefusesError, DatabaseUnusableError

OPTIONS = ConnectionOptions()
Said = list[tuple[str, float]]


@pytest.fixture
def tries(monkeypatch: pytest.MonkeyPatch) -> list[Exception | Database]:
    """What trying to open a database brings, one after the other."""
    monkeypatch.setattr(patience, "FIRST_PAUSE_SECONDS", 0.01)
    coming: list[Exception | Database] = []

    def open_ready(_url: str, _options: ConnectionOptions) -> Database:
        found = coming.pop(0)
        if isinstance(found, Exception):
            raise found
        return found

    monkeypatch.setattr(migrate, "open_ready", open_ready)
    return coming


def waiting(said: Said) -> Callable[[str, float], None]:
    return lambda reason, seconds: said.append((reason, seconds))


def test_pauses_double_to_a_quarter_of_a_minute_and_begin_anew() -> None:
    pauses = Pauses()
    assert [pauses.next() for _ in range(6)] == [1, 2, 4, 8, 15, 15]
    pauses.over()
    assert pauses.next() == 1


def test_it_waits_until_the_server_is_there_and_says_why(
    tries: list[Exception | Database], sqlite_database: Database
) -> None:
    tries += [DatabaseAwayError("refused"), DatabaseAwayError("starting"), sqlite_database]
    said: Said = []
    assert wait_for_database("url", OPTIONS, threading.Event(), waiting(said)) is sqlite_database
    assert said == [("refused", 0.01), ("starting", 0.02)]


def test_who_refuses_is_asked_once_more(tries: list[Exception | Database], sqlite_database: Database) -> None:
    said: Said = []
    tries += [DatabaseRefusesError("no"), sqlite_database]
    assert wait_for_database("url", OPTIONS, threading.Event(), waiting(said)) is sqlite_database
    tries += [
        DatabaseRefusesError("no"),
        DatabaseAwayError("down"),
        DatabaseRefusesError("no"),
        sqlite_database,
    ]
    assert wait_for_database("url", OPTIONS, threading.Event(), waiting(said)) is sqlite_database
    assert [reason for reason, _ in said] == ["no", "no", "down", "no"]
    tries += [DatabaseRefusesError("no"), DatabaseRefusesError("really no"), sqlite_database]
    with pytest.raises(DatabaseRefusesError, match="really no"):
        wait_for_database("url", OPTIONS, threading.Event(), waiting(said))


def test_what_waiting_does_not_mend_is_told_at_once(tries: list[Exception | Database]) -> None:
    said: Said = []
    tries += [DatabaseUnusableError("another version")]
    with pytest.raises(DatabaseUnusableError, match="another version"):
        wait_for_database("url", OPTIONS, threading.Event(), waiting(said))
    assert said == []


def test_it_ends_at_once_when_it_is_told_to_even_within_a_try(monkeypatch: pytest.MonkeyPatch) -> None:
    over, stop = threading.Event(), threading.Event()

    def hangs(_url: str, _options: ConnectionOptions) -> Database:
        stop.set()
        over.wait(60)
        raise DatabaseAwayError("at last")

    monkeypatch.setattr(migrate, "open_ready", hangs)
    begun = time.monotonic()
    assert wait_for_database("url", OPTIONS, stop) is None
    assert time.monotonic() - begun < 5
    over.set()


def test_a_file_is_made_and_brought_up_to_date(tmp_path: Path) -> None:
    database = wait_for_database(f"sqlite:///{tmp_path}/a.db", OPTIONS, threading.Event())
    assert database is not None
    assert migrate.is_up_to_date(database)
    database.dispose()
