"""A database that is gone, full or busy: 503 with the reason and when to come again; nothing half stored."""

import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import AbstractContextManager, closing, contextmanager
from datetime import UTC, datetime
from typing import Any

import psycopg
import pytest
import sqlalchemy as sa
from fastapi.testclient import TestClient
from sqlalchemy import event

from app.config import Settings
from app.services.registering.register import issue_instrument_key
from app.store.database import Database
from app.store.schema import samples, sources
from app.web.app import create_app

PATH = "/api/v1/samples"
BODY = {
    "samples": [
        {"taken_at": "2026-03-01T06:00:00Z", "h2": 41.2},
        {"taken_at": "2026-03-01T10:00:00Z", "h2": 42},
    ]
}
Broken = Callable[[Database], AbstractContextManager[None]]


def plain(database: Database) -> str:
    return database.url.render_as_string(hide_password=False).replace("+psycopg", "")


@contextmanager
def locked_sqlite(database: Database) -> Iterator[None]:
    """Another process writes, for longer than anybody waits (50 ms here)."""

    def impatient(connection: sqlite3.Connection, _record: Any) -> None:
        connection.execute("PRAGMA busy_timeout=50")

    event.listen(database.engine, "connect", impatient)
    database.dispose()
    with closing(sqlite3.connect(str(database.url.database), isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("ROLLBACK")


@contextmanager
def read_only_sqlite(database: Database) -> Iterator[None]:
    def only_reading(connection: sqlite3.Connection, _record: Any) -> None:
        connection.execute("PRAGMA query_only=ON")

    event.listen(database.engine, "connect", only_reading)
    database.dispose()
    yield
    event.remove(database.engine, "connect", only_reading)
    database.dispose()


@contextmanager
def locked_postgresql(database: Database) -> Iterator[None]:
    """Somebody holds the table, and nobody waits for longer than 50 ms."""
    with psycopg.connect(plain(database), autocommit=True) as other:
        other.execute(f"ALTER DATABASE \"{database.url.database}\" SET lock_timeout = '50ms'".encode())
        database.dispose()
        with other.transaction():
            other.execute("LOCK TABLE samples")
            yield


@contextmanager
def read_only_postgresql(database: Database) -> Iterator[None]:
    name = database.url.database
    with psycopg.connect(plain(database), autocommit=True) as other:
        other.execute(f'ALTER DATABASE "{name}" SET default_transaction_read_only = on'.encode())
        database.dispose()
        yield
        other.execute(f'ALTER DATABASE "{name}" RESET default_transaction_read_only'.encode())
        database.dispose()


@contextmanager
def unreachable_postgresql(database: Database) -> Iterator[None]:
    """It takes no connections and cuts those there are."""
    name = database.url.database
    with psycopg.connect(plain(database).replace(f"/{name}", "/postgres"), autocommit=True) as other:
        other.execute(f'ALTER DATABASE "{name}" ALLOW_CONNECTIONS false'.encode())
        other.execute("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = %s", [name])
        yield
        other.execute(f'ALTER DATABASE "{name}" ALLOW_CONNECTIONS true'.encode())


CASES: dict[str, list[tuple[Broken, str, str]]] = {
    "sqlite": [
        (locked_sqlite, "busy", "5"),
        (read_only_sqlite, "takes no changes", "60"),
    ],
    "postgresql": [
        (locked_postgresql, "busy", "5"),
        (read_only_postgresql, "takes no changes", "60"),
        (unreachable_postgresql, "cannot be reached", "5"),
    ],
}


def count(database: Database) -> int:
    with database.read() as connection:
        return connection.execute(sa.select(sa.func.count()).select_from(samples)).scalar_one()


def test_posts_are_answered_503_and_taken_once_it_is_over(fleet_database: Database) -> None:
    database = fleet_database
    key = issue_instrument_key(database, "W-T2-M", datetime.now(UTC))
    headers = {"Authorization": f"Bearer {key}"}
    with TestClient(create_app(Settings(), database), base_url="http://localhost") as client:
        for breaking, words, seconds in CASES[database.url.get_backend_name()]:
            with breaking(database):
                answer = client.post(PATH, json=BODY, headers=headers)
                assert answer.status_code == 503, (breaking, answer.text)
                assert answer.headers["content-type"] == "application/problem+json"
                assert answer.headers["retry-after"] == seconds
                assert words in answer.json()["detail"]
            assert count(database) == 0, breaking
        answer = client.post(PATH, json=BODY, headers=headers)
        assert [o["result"] for o in answer.json()["outcomes"]] == ["stored", "stored"]
        assert count(database) == 2


def test_a_post_waits_for_a_lock_that_is_held_for_a_while(fleet_database: Database) -> None:
    database = fleet_database
    key = issue_instrument_key(database, "W-T2-M", datetime.now(UTC))
    with (
        TestClient(create_app(Settings(), database), base_url="http://localhost") as client,
        ThreadPoolExecutor(4) as pool,
    ):
        with database.write() as connection:
            connection.execute(sa.update(sources).values(name=sources.c.name))
            if not database.is_sqlite:
                connection.exec_driver_sql("LOCK TABLE samples")
            posts = [
                pool.submit(client.post, PATH, json=BODY, headers={"Authorization": f"Bearer {key}"})
                for _ in range(4)
            ]
            done, _ = wait(posts, timeout=1)
            assert not done
        answers = [post.result(timeout=60) for post in posts]
    assert [answer.status_code for answer in answers] == [200] * 4
    results = Counter(o["result"] for answer in answers for o in answer.json()["outcomes"])
    assert results == {"stored": 2, "already_known": 6}
    assert count(database) == 2


@pytest.mark.postgresql
def test_pages_are_answered_503_in_plain_words(postgresql_database: Database) -> None:
    with (
        unreachable_postgresql(postgresql_database),
        TestClient(create_app(Settings(), postgresql_database), base_url="http://localhost") as client,
    ):
        answer = client.get("/", headers={"Accept": "text/html"})
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "5")
    assert "The database cannot be reached." in answer.text
    assert "<html" in answer.text


def test_a_mistake_of_ours_stays_an_error_of_ours(sqlite_database: Database) -> None:
    with sqlite_database.write() as connection:
        connection.exec_driver_sql("DROP TABLE samples")
    app = create_app(Settings(), sqlite_database)
    with TestClient(app, base_url="http://localhost", raise_server_exceptions=False) as client:
        assert client.get("/", headers={"Accept": "text/html"}).status_code == 500


def test_the_interface_tells_of_it(sqlite_database: Database) -> None:
    paths = create_app(Settings(), sqlite_database).openapi()["paths"]
    without = [
        (path, method)
        for path, methods in paths.items()
        for method, said in methods.items()
        if path.startswith("/api/") and "503" not in said["responses"]
    ]
    assert without == []
