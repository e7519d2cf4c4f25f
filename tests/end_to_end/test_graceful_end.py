"""The real processes are told to end: what is under way is finished, nothing is lost, and they end in any case."""

import os
import signal
import socket
import socketserver
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
import sqlalchemy as sa
from fleet_cast import DATA

from app.services.registering.load_fleet import load_fleet
from app.services.registering.register import issue_instrument_key
from app.store.database import Database
from app.store.schema import messages, samples

PATIENCE_SECONDS = 60.0
"""For whatever must come to pass; a machine that is idle needs a fraction of a second."""
BATCH = 5
QUIET = {"compartment": "main", "h2": 10.0, "ch4": 5.0, "c2h6": 4.0, "c2h4": 3.0, "co": 200.0, "co2": 2000.0}


def until(seen: Callable[[], bool], what: str) -> None:
    deadline = time.monotonic() + PATIENCE_SECONDS
    while not seen():
        assert time.monotonic() < deadline, what
        time.sleep(0.02)


@dataclass
class House:
    """A database with the small fleet, and the processes on it."""

    database: Database
    folder: Path
    begun: list[subprocess.Popen[str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        load_fleet(self.database, (DATA / "fleet.yaml").read_text(encoding="utf-8"), "fleet.yaml")
        self.key = issue_instrument_key(self.database, "W-T1-M", datetime.now(UTC))
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = int(probe.getsockname()[1])
        self.url = f"http://127.0.0.1:{self.port}"

    def begin(self, command: str, **given: object) -> subprocess.Popen[str]:
        own = {
            "database_url": self.database.url.render_as_string(hide_password=False),
            "port": self.port,
            "mail_folder": self.folder / "mail",
            "worker_poll_seconds": 0.1,
            "posts_per_minute": 0,
            **given,
        }
        inherited = {k: v for k, v in os.environ.items() if not k.startswith("ULLAGE_")}
        environment = {**inherited, **{f"ULLAGE_{name.upper()}": str(value) for name, value in own.items()}}
        words = [sys.executable, "-c", "from app.cli.main import main; main()", command]
        with (self.folder / f"{command}.log").open("w") as log:
            process = subprocess.Popen(words, env=environment, stderr=log, text=True)
        self.begun.append(process)
        if command == "serve":
            until(lambda: process.poll() is not None or self.ready() == 200, "it answers")
        assert process.poll() is None, self.log(command)
        return process

    def ready(self) -> int | None:
        try:
            return httpx.get(f"{self.url}/health/ready", timeout=60, trust_env=False).status_code
        except httpx.TransportError:
            return None

    def log(self, command: str) -> str:
        return (self.folder / f"{command}.log").read_text(encoding="utf-8")

    def end(self, process: subprocess.Popen[str]) -> int:
        process.send_signal(signal.SIGTERM)
        return process.wait(PATIENCE_SECONDS)

    def post(self, client: httpx.Client, times: list[datetime]) -> httpx.Response:
        return client.post(
            f"{self.url}/api/v1/samples",
            headers={"Authorization": f"Bearer {self.key}"},
            json={"samples": [{**QUIET, "taken_at": at.isoformat()} for at in times]},
        )

    def stored(self) -> Counter[datetime]:
        """How often each time is there; every sample judged."""
        with self.database.read() as connection:
            rows = connection.execute(sa.select(samples.c.taken_at, samples.c.rule_set)).all()
        assert all(row.rule_set for row in rows)
        return Counter(row.taken_at for row in rows)


@pytest.fixture
def house(database: Database, tmp_path: Path) -> Iterator[House]:
    made = House(database, tmp_path)
    yield made
    for process in made.begun:
        if process.poll() is None:
            process.kill()
        process.wait()


@dataclass
class Gateway:
    """Posts batches, one after another, until there is nobody to post to."""

    house: House
    number: int
    answered: list[list[datetime]] = field(default_factory=list)
    unanswered: list[list[datetime]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.thread = threading.Thread(target=self.run)

    def run(self) -> None:
        begin = datetime.now(UTC).replace(microsecond=0) - timedelta(days=20 + self.number)
        with httpx.Client(timeout=60, trust_env=False) as client:
            for n in range(100_000):
                times = [begin + timedelta(seconds=BATCH * n + i) for i in range(BATCH)]
                try:
                    answer = self.house.post(client, times)
                except httpx.ConnectError:
                    return
                except httpx.TransportError:
                    self.unanswered.append(times)
                    continue
                assert answer.status_code == 200, answer.text
                assert [told["result"] for told in answer.json()["outcomes"]] == ["stored"] * BATCH
                self.answered.append(times)


def test_nothing_is_lost_when_the_server_is_told_to_end_under_load(house: House) -> None:
    server = house.begin("serve")
    gateways = under_load(house)
    assert house.end(server) == 0, house.log("serve")
    hold_against(house, gateways)


@pytest.mark.postgresql
def test_nor_when_it_is_two_processes(postgresql_database: Database, tmp_path: Path) -> None:
    house = House(postgresql_database, tmp_path)
    server = house.begin("serve", app_workers=2)
    try:
        gateways = under_load(house)
        answered = sum(len(gateway.answered) for gateway in gateways)
        figures = httpx.get(f"{house.url}/metrics", timeout=60, trust_env=False).text
        assert house.end(server) == 0, house.log("serve")
    finally:
        server.kill()
    hold_against(house, gateways)
    told = {sample: value for sample, _, value in (line.rpartition(" ") for line in figures.splitlines())}
    counted = told['ullage_http_requests_total{method="POST",route="/api/v1/samples",status="200"}']
    assert answered <= float(counted) <= sum(len(gateway.answered) for gateway in gateways)
    assert sum(sample.startswith("process_resident_memory_bytes{pid=") for sample in told) == 2


def under_load(house: House) -> list["Gateway"]:
    """Four gateways that post, and have posted for a while."""
    gateways = [Gateway(house, number) for number in range(4)]
    for gateway in gateways:
        gateway.thread.start()
    until(lambda: sum(len(gateway.answered) for gateway in gateways) >= 40, "batches are stored")
    return gateways


def hold_against(house: House, gateways: list["Gateway"]) -> None:
    """What is there against what was answered."""
    for gateway in gateways:
        gateway.thread.join(PATIENCE_SECONDS)
    present = house.stored()
    answered = {at for gateway in gateways for times in gateway.answered for at in times}
    assert len(answered) >= 200
    assert set(present.values()) == {1}
    assert answered <= set(present), "answered stored, and there"
    sent = set(answered)
    for gateway in gateways:
        for times in gateway.unanswered:
            sent |= set(times)
            assert len(set(times) & set(present)) in {0, BATCH}, "all of a batch or nothing"
    assert set(present) <= sent
    assert "Traceback" not in house.log("serve")
    assert "Finished server process" in house.log("serve")


def test_the_server_says_so_first_and_still_takes_posts(sqlite_database: Database, tmp_path: Path) -> None:
    house = House(sqlite_database, tmp_path)
    server = house.begin("serve", drain_seconds=5)
    try:
        server.send_signal(signal.SIGTERM)
        until(lambda: house.ready() == 503, "not ready")
        with httpx.Client(timeout=60, trust_env=False) as client:
            now = datetime.now(UTC)
            assert house.post(client, [now]).json()["outcomes"][0]["result"] == "stored"
        assert server.wait(PATIENCE_SECONDS) == 0
        assert house.stored() == {now: 1}
    finally:
        server.kill()


def test_a_body_that_never_ends_does_not_keep_the_server(sqlite_database: Database, tmp_path: Path) -> None:
    house = House(sqlite_database, tmp_path)
    server = house.begin("serve", shutdown_seconds=1)
    with socket.create_connection(("127.0.0.1", house.port)) as slow:
        head = (
            f"POST /api/v1/samples HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer {house.key}\r\n"
            'Content-Type: application/json\r\nContent-Length: 1000\r\n\r\n{"samples": ['
        )
        slow.sendall(head.encode())
        assert house.ready() == 200, "others are answered meanwhile"
        assert house.end(server) == 0, house.log("serve")
    assert house.stored() == {}


@pytest.mark.postgresql
def test_a_post_that_waits_for_a_dead_database_is_given_up(
    postgresql_database: Database, tmp_path: Path
) -> None:
    house = House(postgresql_database, tmp_path)
    server = house.begin("serve", shutdown_seconds=1, embedded_worker=False)
    failed: list[str] = []

    def post() -> None:
        with httpx.Client(timeout=60, trust_env=False) as client:
            try:
                failed.append(f"answered {house.post(client, [datetime.now(UTC)]).status_code}")
            except httpx.TransportError as error:
                failed.append(type(error).__name__)

    poster = threading.Thread(target=post)
    with postgresql_database.write() as connection:
        connection.exec_driver_sql("LOCK TABLE samples IN ACCESS EXCLUSIVE MODE")
        poster.start()
        waiting = sa.text("SELECT count(*) FROM pg_locks WHERE NOT granted")
        until(lambda: connection.execute(waiting).scalar_one() > 0, "the post waits")
        house.end(server)
        assert server.returncode == 1, house.log("serve")
    poster.join(PATIENCE_SECONDS)
    assert failed
    assert failed[0] != "answered 200"
    assert house.stored() == {}


# --- the worker -------------------------------------------------------------------------------------------


class SlowMailServer(socketserver.ThreadingTCPServer):
    """Speaks as much SMTP (RFC 5321) as a sender needs, and says 250 to a mail only when it may."""

    daemon_threads = True
    block_on_close = False

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Talk)
        self.received = threading.Event()
        self.may_answer = threading.Event()
        self.taken: list[bytes] = []


class _Talk(socketserver.StreamRequestHandler):
    server: SlowMailServer

    def handle(self) -> None:
        self.wfile.write(b"220 here\r\n")
        for line in self.rfile:
            word = line.strip().upper()
            if word == b"DATA":
                self.wfile.write(b"354 go on\r\n")
                mail = b"".join(iter(self.rfile.readline, b".\r\n"))
                self.server.received.set()
                if not self.server.may_answer.wait(PATIENCE_SECONDS):
                    return
                self.server.taken.append(mail)
            self.wfile.write(b"221 bye\r\n" if word == b"QUIT" else b"250 yes\r\n")
            if word == b"QUIT":
                return


@pytest.fixture
def mail_server() -> Iterator[SlowMailServer]:
    with SlowMailServer() as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield server
        server.may_answer.set()
        server.shutdown()
        thread.join()


def queue_mails(database: Database, number: int) -> None:
    now = datetime.now(UTC)
    common: dict[str, Any] = {"to_address": "a@b.example", "subject": "s", "text": "t", "html": "<p>h</p>"}
    with database.write() as connection:
        for n in range(number):
            row = {**common, "message_id": f"<{n}@x.example>", "thread_id": f"<{n}@x.example>"}
            row |= {"state": "queued", "attempts": 0, "created_at": now, "next_attempt_at": now}
            connection.execute(sa.insert(messages), row)


def states(database: Database) -> list[str]:
    with database.read() as connection:
        return list(connection.execute(sa.select(messages.c.state).order_by(messages.c.id)).scalars())


@pytest.mark.parametrize("command", ["worker", "serve"])
def test_the_worker_finishes_its_message_and_begins_no_other(
    house: House, mail_server: SlowMailServer, command: str
) -> None:
    queue_mails(house.database, 2)
    smtp = {"mail_transport": "smtp", "smtp_host": "127.0.0.1", "smtp_port": mail_server.server_address[1]}
    process = house.begin(command, **smtp)
    assert mail_server.received.wait(PATIENCE_SECONDS)
    process.send_signal(signal.SIGTERM)
    if command == "serve":
        until(lambda: house.ready() is None, "it takes no connections any more")
    else:
        time.sleep(0.5)  # long enough for one that would end at once
    assert process.poll() is None
    mail_server.may_answer.set()
    assert process.wait(PATIENCE_SECONDS) == 0, house.log(command)
    assert states(house.database) == ["sent", "queued"]
    assert len(mail_server.taken) == 1
    assert "Traceback" not in house.log(command)


def test_a_mail_server_that_never_answers_does_not_keep_the_worker(
    sqlite_database: Database, tmp_path: Path, mail_server: SlowMailServer
) -> None:
    house = House(sqlite_database, tmp_path)
    queue_mails(house.database, 1)
    smtp = {"mail_transport": "smtp", "smtp_host": "127.0.0.1", "smtp_port": mail_server.server_address[1]}
    worker = house.begin("worker", shutdown_seconds=1, smtp_timeout_seconds=300, **smtp)
    assert mail_server.received.wait(PATIENCE_SECONDS)
    assert house.end(worker) == 0
    assert "its message stays in the outbox" in house.log("worker")
    assert states(house.database) == ["queued"]
