"""Two server processes and two workers on one PostgreSQL: every post is stored once, judged once, mailed once.

Each post is sent twice at about the same time, as a gateway does that lost the first answer.
"""

import os
import signal
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from email import message_from_bytes
from pathlib import Path

import httpx
import psycopg
import pytest
from fleet_cast import DATA, quiet
from own_postgresql import plain
from served import Service, free_port, kill

from app.services.registering.load_fleet import load_fleet
from app.services.registering.register import issue_instrument_key
from app.store.database import Database

pytestmark = [pytest.mark.postgresql, pytest.mark.xdist_group("several processes")]
PATIENCE_SECONDS = 90.0
POSTS = 60
"""Of each of two instruments, by two clients each: 240 requests."""
QUIET = quiet("c2h2")
ARCING = QUIET | {"h2": 900.0, "ch4": 300.0, "c2h4": 500.0, "c2h2": 700.0}


@pytest.fixture
def service(postgresql_url: str, tmp_path: Path) -> Service:
    settings = {"APP_WORKERS": "2", "EMBEDDED_WORKER": "false"}
    return Service(tmp_path, postgresql_url, free_port(), settings)


@pytest.fixture
def keys(postgresql_url: str) -> dict[str, str]:
    database = Database(postgresql_url)
    load_fleet(database, (DATA / "fleet.yaml").read_text(encoding="utf-8"), "fleet.yaml")
    now = datetime.now(UTC)
    found = {code: issue_instrument_key(database, code, now) for code in ("W-T1-M", "W-T2-M")}
    database.dispose()
    return found


@pytest.fixture
def running(service: Service) -> Iterator[Service]:
    """The servers answer, both workers run."""
    with service.serving(), ExitStack() as workers:
        for _ in range(2):
            workers.callback(kill, service.start("worker"))
        yield service


def rows(service: Service, query: str) -> list[tuple[object, ...]]:
    with psycopg.connect(plain(service.database_url)) as connection:
        return connection.execute(query.encode()).fetchall()


def post_all(service: Service, key: str, start: datetime, outcomes: list[list[str]]) -> None:
    """One sample a post, oldest first; each on a connection of its own, so that any process may get it."""
    for i in range(POSTS):
        at = (start + timedelta(minutes=10 * i)).isoformat()
        sample = {"taken_at": at, "compartment": "main", **(ARCING if i >= POSTS // 2 else QUIET)}
        answer = httpx.post(
            f"{service.url}/api/v1/samples",
            json={"samples": [sample]},
            headers={"Authorization": f"Bearer {key}"},
            timeout=PATIENCE_SECONDS,
            trust_env=False,
        )
        assert answer.status_code == 200, answer.text
        outcomes[i].append(answer.json()["outcomes"][0]["result"])


def test_each_post_is_stored_judged_and_mailed_once(running: Service, keys: dict[str, str]) -> None:
    start = datetime.now(UTC) - timedelta(days=1)
    outcomes = {code: [list[str]() for _ in range(POSTS)] for code in keys}
    threads = [
        threading.Thread(target=post_all, args=(running, key, start, outcomes[code]))
        for code, key in keys.items()
        for _ in range(2)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(PATIENCE_SECONDS * 2)
    answered = Counter(tuple(sorted(both)) for of_one in outcomes.values() for both in of_one)
    assert answered == {("already_known", "stored"): 2 * POSTS}
    stored = rows(running, "SELECT source_id, taken_at FROM samples")
    assert (len(stored), len(set(stored))) == (2 * POSTS, 2 * POSTS)
    assert rows(running, "SELECT count(*) FROM samples WHERE rule_set IS NULL") == [(0,)]
    twice = "SELECT sample_id FROM assessments WHERE superseded_at IS NULL GROUP BY 1 HAVING count(*) > 1"
    assert rows(running, twice) == []
    _each_mail_once(running)


def _each_mail_once(service: Service) -> None:
    until = time.monotonic() + PATIENCE_SECONDS
    while rows(service, "SELECT 1 FROM messages WHERE state = 'queued' LIMIT 1") and time.monotonic() < until:
        time.sleep(0.1)
    queued = rows(service, "SELECT message_id, state, attempts FROM messages")
    assert len(queued) >= 2, "both units gas: their alerts are told"
    assert {(state, attempts) for _, state, attempts in queued} == {("sent", 1)}
    mails = [message_from_bytes(p.read_bytes())["Message-ID"] for p in service.mail_folder.glob("*.eml")]
    assert Counter(mails) == Counter(str(message_id) for message_id, *_ in queued)


def test_both_processes_serve_and_one_that_dies_is_replaced(running: Service) -> None:
    pids = _serving(running)
    assert len(pids) == 2
    (victim, other) = sorted(pids)
    os.kill(victim, signal.SIGKILL)
    until = time.monotonic() + PATIENCE_SECONDS
    while victim in (now := _serving(running)) or len(now) < 2:
        assert time.monotonic() < until, "nobody took its place"
    assert other in now


def _serving(service: Service) -> set[int]:
    """Pids in the shared figures of processes that are alive, after some requests to whoever takes them."""
    for _ in range(12):
        try:
            httpx.get(f"{service.url}/health/live", timeout=PATIENCE_SECONDS, trust_env=False)
        except httpx.TransportError:
            time.sleep(0.1)
    found = httpx.get(f"{service.url}/metrics", timeout=PATIENCE_SECONDS, trust_env=False).text
    lines = (line for line in found.splitlines() if line.startswith("process_start_time_seconds{"))
    return {int(line.partition('pid="')[2].partition('"')[0]) for line in lines}


def test_sqlite_is_refused_more_than_one(tmp_path: Path) -> None:
    service = Service(tmp_path, f"sqlite:///{tmp_path / 'ullage.db'}", free_port(), {"APP_WORKERS": "2"})
    child = service.start("serve")
    assert child.wait(PATIENCE_SECONDS) == 1
    assert "one writer at a time" in (tmp_path / "server.log").read_text()
