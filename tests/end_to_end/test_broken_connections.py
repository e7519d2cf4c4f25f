"""Connections that break, stall and lie, and clients that all send the same at once, against the real server."""

import json
import socket
import struct
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import psycopg
import pytest
import sqlalchemy as sa
from fleet_cast import FLEET
from served import PATIENCE_SECONDS, Service, free_port

from app.services.registering.load_fleet import load_fleet
from app.services.registering.register import issue_instrument_key
from app.store.database import Database
from app.store.keeping import migrate
from app.store.recording.reading_columns import counting
from app.store.schema import daily_summaries, samples


@dataclass
class Door:
    """The served fleet database, and how to post to it well and badly. Each test has its own sixty days."""

    service: Service
    database: Database
    keys: dict[str, str]
    start: datetime = datetime(2024, 1, 1, tzinfo=UTC)

    def batch(self, count: int, begin: int = 0) -> list[dict[str, Any]]:
        """Hourly readings, the first ``begin`` hours after the start."""
        return [
            {
                "taken_at": (self.start + timedelta(hours=begin + i)).isoformat(),
                "compartment": "main",
                "h2": 20.0 + i % 5,
                "ch4": 8.0,
            }
            for i in range(count)
        ]

    def post(self, batch: list[dict[str, Any]], instrument: str = "W-T2-M") -> list[str]:
        answer = httpx.post(
            f"{self.service.url}/api/v1/samples",
            json={"samples": batch},
            headers={"Authorization": f"Bearer {self.keys[instrument]}"},
            timeout=PATIENCE_SECONDS,
            trust_env=False,
        )
        assert answer.status_code == 200, answer.text
        return [outcome["result"] for outcome in answer.json()["outcomes"]]

    def dial(self) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.service.port), timeout=PATIENCE_SECONDS)

    def request(self, batch: list[dict[str, Any]], length: int | None = None) -> tuple[bytes, bytes]:
        """Head and body of a post; ``length`` is declared in place of the true one."""
        body = json.dumps({"samples": batch}).encode()
        head = (
            f"POST /api/v1/samples HTTP/1.1\r\nHost: 127.0.0.1:{self.service.port}\r\n"
            f"Authorization: Bearer {self.keys['W-T2-M']}\r\nContent-Type: application/json\r\n"
            f"Content-Length: {len(body) if length is None else length}\r\n\r\n"
        )
        return head.encode(), body

    def counts(self) -> dict[str, int]:
        """Rows, different times, judged, and what the days count."""
        end = self.start + timedelta(days=60)
        own = (samples.c.taken_at >= self.start, samples.c.taken_at < end)
        every = sa.select(sa.func.count(), sa.func.count(samples.c.taken_at.distinct())).where(*own)
        judged = sa.select(sa.func.count()).where(*own, *counting(), samples.c.rule_set.is_not(None))
        days = sa.select(sa.func.coalesce(sa.func.sum(daily_summaries.c.count), 0)).where(
            daily_summaries.c.day >= self.start.date(), daily_summaries.c.day < end.date()
        )
        with self.database.read() as connection:
            rows, times = connection.execute(every).one()
            found = {"rows": rows, "times": times, "judged": connection.execute(judged).scalar_one()}
            return found | {"in days": connection.execute(days).scalar_one()}

    def hears_no_error(self) -> bool:
        log = (self.service.folder / "server.log").read_text(errors="replace")
        return "Traceback" not in log and "unhandled error" not in log


@pytest.fixture(scope="module", params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
def served(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    """One server for all tests on a database: a start takes longer than each of them."""
    folder = tmp_path_factory.mktemp("door")
    url = f"sqlite:///{folder / 'ullage.db'}"
    if request.param == "postgresql":
        server = request.getfixturevalue("postgresql_server")
        with psycopg.connect(
            server.format(name="postgres").replace("+psycopg", ""), autocommit=True
        ) as connection:
            connection.execute("CREATE DATABASE door")
        url = server.format(name="door")
    database = Database(url)
    migrate.upgrade(database)
    load_fleet(database, FLEET.read_text(encoding="utf-8"), "fleet.yaml")
    now = datetime.now(UTC)
    keys = {code: issue_instrument_key(database, code, now) for code in ("W-T1-M", "W-T2-M")}
    service = Service(folder, url, free_port())
    with service.serving(EMBEDDED_WORKER="false"):
        yield Door(service, database, keys)
    database.dispose()


@pytest.fixture
def door(served: Door) -> Door:
    served.start += timedelta(days=60)
    return served


def reset(connection: socket.socket) -> None:
    """Close with RST, as when a cable is pulled and the far end gives up."""
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    connection.close()


def all_of(count: int) -> dict[str, int]:
    return dict.fromkeys(("rows", "times", "judged", "in days"), count)


def test_of_half_a_body_nothing_is_stored(door: Door) -> None:
    """Broken off with RST and with FIN, at every quarter of the body; then the whole of it is stored once."""
    head, body = door.request(door.batch(8))
    for share in (0, 0.25, 0.5, 0.75):
        for end in (reset, lambda connection: connection.shutdown(socket.SHUT_WR)):
            connection = door.dial()
            connection.sendall(head + body[: int(len(body) * share)])
            time.sleep(0.05)
            end(connection)
            if connection.fileno() != -1:
                with closing(connection):
                    assert connection.recv(12) in {b"", b"HTTP/1.1 400"}  # refused or hung up, never a 5xx
    assert door.counts() == all_of(0)
    assert door.post(door.batch(8)) == ["stored"] * 8
    assert door.counts() == all_of(8)
    assert door.hears_no_error()


def test_a_length_beyond_what_comes_is_waited_for_and_stored_never(door: Door) -> None:
    head, body = door.request(door.batch(2), length=5000)
    with closing(door.dial()) as connection:
        connection.sendall(head + body)
        connection.settimeout(0.5)
        with pytest.raises(TimeoutError):
            connection.recv(1)
        assert door.post(door.batch(2, begin=10), "W-T1-M") == ["stored"] * 2
    assert door.post(door.batch(2)) == ["stored"] * 2
    assert door.counts()["rows"] == 4
    assert door.hears_no_error()


def test_an_answer_that_nobody_waits_for_is_no_loss(door: Door) -> None:
    """The whole post came, then the connection broke: it is stored or not, and sent again it is there once."""
    results: Counter[str] = Counter()
    for i in range(20):
        head, body = door.request(door.batch(2, begin=2 * i))
        connection = door.dial()
        connection.sendall(head + body)
        time.sleep(0.002 * i)
        reset(connection)
        answered = door.post(door.batch(2, begin=2 * i))
        assert len(set(answered)) == 1, "a post is stored as a whole or not at all"
        results.update(answered)
    assert results.total() == 40
    assert set(results) <= {"stored", "already_known"}
    assert door.counts() == all_of(40)
    assert door.hears_no_error()


def test_slow_senders_keep_nobody_waiting_and_are_heard_to_their_end(door: Door) -> None:
    """Sixty that stop in mid-body: more than there are threads to serve with."""
    head, body = door.request(door.batch(1))
    slow = [door.dial() for _ in range(60)]
    try:
        for connection in slow:
            connection.sendall(head + body[:-10])
        time.sleep(0.5)
        for i in range(5):
            assert door.post(door.batch(1, begin=100 + i), "W-T1-M") == ["stored"]
        results = []
        for connection in slow:
            connection.sendall(body[-10:])
            answer = httpx_like(connection)
            results.append(answer["outcomes"][0]["result"])
    finally:
        for connection in slow:
            connection.close()
    assert Counter(results) == {"stored": 1, "already_known": 59}
    assert door.hears_no_error()


def httpx_like(connection: socket.socket) -> Any:
    """The JSON of an answer with a declared length."""
    answer = b""
    while b"\r\n\r\n" not in answer:
        answer += connection.recv(4096)
    head, _, rest = answer.partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 200"), answer
    length = next(
        int(line.partition(b":")[2])
        for line in head.lower().splitlines()
        if line.startswith(b"content-length")
    )
    while len(rest) < length:
        rest += connection.recv(4096)
    return json.loads(rest)


def at_once(count: int, work: Callable[[int], list[str]]) -> list[list[str]]:
    """``work(0..count-1)`` in as many threads, let go together."""
    gate, results, failures = threading.Barrier(count), [list[str]()] * count, list[BaseException]()

    def one(number: int) -> None:
        try:
            gate.wait()
            results[number] = work(number)
        except BaseException as error:  # noqa: BLE001 - told below, in the test's own thread
            failures.append(error)

    threads = [threading.Thread(target=one, args=(i,)) for i in range(count)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(PATIENCE_SECONDS)
    assert failures == []
    return results


@pytest.mark.parametrize("clients", [2, 8])
def test_the_same_batch_from_several_clients_at_once_is_stored_once(door: Door, clients: int) -> None:
    """Half of them send it backwards, which is how two transactions come to wait for one another."""
    for turn in range(5):
        batch = door.batch(100, begin=100 * turn)

        def send(number: int, batch: list[dict[str, Any]] = batch) -> list[str]:
            return door.post(batch) if number % 2 == 0 else door.post(batch[::-1])[::-1]

        answers = at_once(clients, send)
        for each in zip(*answers, strict=True):
            assert Counter(each) == {"stored": 1, "already_known": clients - 1}
    assert door.counts() == all_of(500)
    assert door.hears_no_error()


def test_the_same_correction_from_several_clients_at_once_is_one_revision(door: Door) -> None:
    assert door.post(door.batch(5)) == ["stored"] * 5
    corrected = [sample | {"h2": 31.5} for sample in door.batch(5)]
    answers = at_once(8, lambda _: door.post(corrected))
    for each in zip(*answers, strict=True):
        assert Counter(each) == {"revised": 1, "already_known": 7}
    assert door.counts() == {"rows": 10, "times": 5, "judged": 5, "in days": 5}


def test_batches_that_overlap_are_stored_once_each(door: Door) -> None:
    """Eight windows of 40 samples, each ten further on: what two of them share one of them stores."""
    answers = at_once(8, lambda number: door.post(door.batch(40, begin=10 * number)))
    assert Counter(result for answer in answers for result in answer) == {"stored": 110, "already_known": 210}
    assert door.counts() == all_of(110)
