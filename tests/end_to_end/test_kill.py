"""What was answered "stored" survives a kill -9, once, judged once; what was queued is still delivered.

The real server runs as a child on SQLite, gets real posts over HTTP and is killed at random moments.
"""

import os
import random
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email import message_from_bytes
from itertools import pairwise
from pathlib import Path

import httpx
import pytest

from app.services.load_fleet import load_fleet
from app.services.register import issue_instrument_key
from app.store import migrate
from app.store.database import Database

DATA = Path(__file__).parents[1] / "data"
ROUNDS = 8
FEWEST_ROUNDS = 4
KILLING_SECONDS = 40.0
"""No new round is begun after this long: on a busy machine there are fewer of them, and each says as much."""
PATIENCE_SECONDS = 60.0
"""For whatever must come to pass; a machine that is idle needs a fraction of a second."""
QUIET = {"h2": 10.0, "ch4": 5.0, "c2h6": 4.0, "c2h4": 3.0, "co": 200.0, "co2": 2000.0, "o2": 900.0, "n2": 5e4}


@dataclass(frozen=True)
class Service:
    """A service on its own database and mail folder; started and killed at will."""

    folder: Path
    port: int
    keys: dict[str, str]

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def mails(self) -> list[Path]:
        return sorted((self.folder / "mail").glob("*.eml"))

    @contextmanager
    def running(self, *, worker: bool) -> Iterator[subprocess.Popen[bytes]]:
        """The healthy server; it is killed with SIGKILL when the block ends."""
        environment = {k: v for k, v in os.environ.items() if not k.startswith("ULLAGE_")} | {
            "ULLAGE_DATABASE_URL": f"sqlite:///{self.folder / 'ullage.db'}",
            "ULLAGE_PORT": str(self.port),
            "ULLAGE_MAIL_FOLDER": str(self.folder / "mail"),
            "ULLAGE_EMBEDDED_WORKER": str(worker),
            "ULLAGE_WORKER_POLL_SECONDS": "0.1",
        }
        words = [sys.executable, "-c", "from app.cli import main; main()", "serve"]
        with (self.folder / "server.log").open("ab") as log:
            child = subprocess.Popen(words, env=environment, stdout=log, stderr=log)
        try:
            self._wait_until_healthy(child)
            yield child
        finally:
            child.kill()
            child.wait()

    def _wait_until_healthy(self, child: subprocess.Popen[bytes]) -> None:
        until = time.monotonic() + PATIENCE_SECONDS
        while time.monotonic() < until and child.poll() is None:
            try:
                httpx.get(f"{self.url}/health", timeout=PATIENCE_SECONDS, trust_env=False)
            except httpx.TransportError:
                time.sleep(0.05)
            else:
                return
        pytest.fail((self.folder / "server.log").read_text(errors="replace")[-3000:])

    def rows(self, query: str) -> list[tuple[object, ...]]:
        with closing(sqlite3.connect(self.folder / "ullage.db")) as connection:
            return connection.execute(query).fetchall()


@pytest.fixture
def service(tmp_path: Path) -> Service:
    """The small fleet, a key for each monitor, and a free port."""
    database = Database(f"sqlite:///{tmp_path / 'ullage.db'}")
    migrate.upgrade(database)
    load_fleet(database, (DATA / "fleet.yaml").read_text(encoding="utf-8"), "fleet.yaml")
    now = datetime.now(UTC)
    keys = {code: issue_instrument_key(database, code, now) for code in ("W-T1-M", "W-T2-M")}
    database.dispose()
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    return Service(tmp_path, port, keys)


@dataclass
class Client:
    """An instrument's own loop. What was never answered is posted again, as an instrument would."""

    service: Service
    instrument: str
    compartment: str
    start: datetime
    step: timedelta
    dice: random.Random
    posted: int = 0
    answered: dict[str, str] = field(default_factory=dict)
    """Outcome by the time of the sample."""
    unanswered: list[dict[str, object]] = field(default_factory=list)
    interrupted: int = 0
    """Posts that were under way when the server was killed."""
    after_a_loss: Counter[str] = field(default_factory=Counter)
    failure: str = ""

    def run(self, stop: threading.Event) -> None:
        with httpx.Client(base_url=self.service.url, timeout=PATIENCE_SECONDS, trust_env=False) as http:
            while not stop.is_set() and not self.failure:
                again = bool(self.unanswered)
                self.unanswered = self.unanswered or self._next_batch()
                if self._post(http, again=again):
                    self.unanswered = []

    def _next_batch(self) -> list[dict[str, object]]:
        batch: list[dict[str, object]] = []
        for _ in range(self.dice.choice((1, 1, 1, 4, 8))):
            at = (self.start + self.posted * self.step).isoformat()
            batch.append(
                {"taken_at": at, "compartment": self.compartment, **QUIET, "h2": 10 + self.posted % 7}
            )
            self.posted += 1
        return batch

    def _post(self, http: httpx.Client, *, again: bool) -> bool:
        headers = {"Authorization": f"Bearer {self.service.keys[self.instrument]}"}
        try:
            answer = http.post("/api/v1/samples", json={"samples": self.unanswered}, headers=headers)
        except httpx.TransportError as error:
            self.interrupted += not isinstance(error, httpx.ConnectError)
            time.sleep(0.02)
            return False
        if answer.status_code != 200:
            self.failure = f"{answer.status_code} {answer.text}"
            return False
        outcomes = [outcome["result"] for outcome in answer.json()["outcomes"]]
        self.answered |= zip((str(s["taken_at"]) for s in self.unanswered), outcomes, strict=True)
        if again:
            self.after_a_loss.update(outcomes)
        return True


def test_what_was_answered_survives_kills_once_and_judged_once(service: Service) -> None:
    start = datetime.now(UTC).replace(microsecond=0) - timedelta(days=60)
    seed = random.SystemRandom().randrange(10**6)
    print(f"seed {seed}")  # noqa: T201 - shown by pytest when the test fails
    dice = random.Random(seed)
    half = timedelta(minutes=1)
    clients = [
        Client(service, "W-T1-M", "main", start, 2 * half, random.Random(seed + 1)),
        Client(service, "W-T1-M", "main", start + half, 2 * half, random.Random(seed + 2)),  # interleaved
        Client(service, "W-T2-M", "main", start, 2 * half, random.Random(seed + 3)),
    ]
    stop = threading.Event()
    threads = [threading.Thread(target=client.run, args=(stop,)) for client in clients]
    grown = [0]
    began = time.monotonic()
    try:
        while len(grown) <= FEWEST_ROUNDS or (
            len(grown) <= ROUNDS and time.monotonic() - began < KILLING_SECONDS
        ):
            with service.running(worker=True):
                if grown == [0]:
                    for thread in threads:
                        thread.start()
                wait_for_an_answer(clients, more_than=grown[-1])
                time.sleep(dice.uniform(0.0, 2.0))
            grown.append(answers(clients))
        with service.running(worker=True):  # the last time it may finish
            stop.set()
            for thread in threads:
                thread.join(PATIENCE_SECONDS)
                assert not thread.is_alive()
            with httpx.Client(base_url=service.url, timeout=PATIENCE_SECONDS, trust_env=False) as http:
                for client in clients:
                    assert not client.unanswered or client._post(http, again=True), client.failure
    finally:
        stop.set()
    print([(len(c.answered), c.interrupted, dict(c.after_a_loss)) for c in clients])  # noqa: T201
    check(service, clients)
    assert all(later > earlier for earlier, later in pairwise(grown)), "samples came in between the kills"
    kills = len(grown) - 1
    assert sum(client.interrupted for client in clients) >= kills // 2, "the kills hit posts"


def answers(clients: list[Client]) -> int:
    return sum(len(client.answered) for client in clients)


def wait_for_an_answer(clients: list[Client], more_than: int) -> None:
    """So that each round has something to lose, however slow the machine is."""
    until = time.monotonic() + PATIENCE_SECONDS
    while answers(clients) <= more_than:
        assert [client.failure for client in clients] == [""] * len(clients)
        assert time.monotonic() < until, "no post was answered"
        time.sleep(0.01)


def check(service: Service, clients: list[Client]) -> None:
    """Everything answered is in the database once, with one assessment that counts; nothing else is."""
    assert [client.failure for client in clients] == ["", "", ""]
    assert set().union(*(client.answered.values() for client in clients)) <= {"stored", "already_known"}
    assert set().union(*(client.after_a_loss for client in clients)) <= {"stored", "already_known"}
    answered = Counter(
        (client.instrument, datetime.fromisoformat(at).strftime("%Y-%m-%d %H:%M:%S"))
        for client in clients
        for at in client.answered
    )
    stored = service.rows(
        "select o.code, substr(s.taken_at, 1, 19) from samples s join sources o on o.id = s.source_id"
    )
    assert Counter(stored) == answered
    assert service.rows("select distinct revision, current from samples") == [(1, 1)]
    judged = service.rows(
        "select s.id, count(a.id) from samples s"
        " left join assessments a on a.sample_id = s.id and a.superseded_at is null group by s.id"
    )
    assert {count for _, count in judged} == {1}
    days = service.rows("select sum(count) from daily_summaries")
    assert days == [(len(stored),)], "the daily medians count each sample once"
    assert service.rows("pragma integrity_check") == [("ok",)]


def test_mail_that_was_queued_before_a_kill_is_delivered_after_it(service: Service) -> None:
    taken = datetime.now(UTC) - timedelta(hours=9)
    headers = {"Authorization": f"Bearer {service.keys['W-T2-M']}"}
    hot = QUIET | {"c2h4": 400.0, "ch4": 250.0, "h2": 120.0}
    batch = [{"taken_at": (taken + timedelta(hours=4 * i)).isoformat(), **hot} for i in range(2)]
    with service.running(worker=False):
        answer = httpx.post(
            f"{service.url}/api/v1/samples",
            json={"samples": batch},
            headers=headers,
            timeout=PATIENCE_SECONDS,
            trust_env=False,
        )
        assert [o["result"] for o in answer.json()["outcomes"]] == ["stored", "stored"]
    queued = service.rows("select message_id, state from messages order by message_id")
    assert len(queued) == 2
    assert {state for _, state in queued} == {"queued"}
    assert service.mails == []
    with service.running(worker=True):
        until = time.monotonic() + PATIENCE_SECONDS
        while time.monotonic() < until and {s for (s,) in service.rows("select state from messages")} != {
            "sent"
        }:
            time.sleep(0.1)
    written = sorted(message_from_bytes(path.read_bytes())["Message-ID"] for path in service.mails)
    assert written == [message_id for message_id, _ in queued]
    assert {s for (s,) in service.rows("select state from messages")} == {"sent"}
