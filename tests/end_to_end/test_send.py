"""``ullage send`` as a process, against the real server as a process: both are killed while they work."""

import json
import os
import random
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from fleet_cast import DATA

from app.sender.spool import Spool
from app.services.registering.load_fleet import load_fleet
from app.services.registering.register import issue_instrument_key
from app.store.database import Database
from app.store.keeping import migrate

PROGRAM = [sys.executable, "-c", "from app.cli.main import main; main()"]
ROUNDS = 10
LINES_A_ROUND = 400
"""At most; so that a slow machine does not pile them up."""
PATIENCE_SECONDS = 60.0
"""For whatever must come to pass; a machine that is idle needs a fraction of a second."""


def environment(**own: str) -> dict[str, str]:
    """Without this machine's settings and proxies."""
    inherited = {
        k: v for k, v in os.environ.items() if not k.startswith("ULLAGE_") and "proxy" not in k.lower()
    }
    return {**inherited, "NO_COLOR": "1", **own}


@dataclass
class Site:
    """A server with one instrument, and the gateway's folder beside it."""

    folder: Path
    port: int
    settings: dict[str, str] = field(default_factory=dict)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def spool(self) -> Path:
        return self.folder / "spool"

    def start_server(self) -> "subprocess.Popen[bytes]":
        settings = {
            "ULLAGE_DATABASE_URL": f"sqlite:///{self.folder / 'ullage.db'}",
            "ULLAGE_PORT": str(self.port),
            "ULLAGE_MAIL_FOLDER": str(self.folder / "mail"),
            "ULLAGE_EMBEDDED_WORKER": "false",
            **self.settings,
        }
        with (self.folder / "server.log").open("ab") as log:
            return subprocess.Popen([*PROGRAM, "serve"], env=environment(**settings), stdout=log, stderr=log)

    @contextmanager
    def serving(self) -> Iterator[None]:
        server = self.start_server()
        try:
            self.wait_until_healthy(server)
            yield
        finally:
            server.kill()
            server.wait()

    def wait_until_healthy(self, server: "subprocess.Popen[bytes]") -> None:
        def answers() -> bool:
            assert server.poll() is None, (self.folder / "server.log").read_text(errors="replace")[-3000:]
            try:
                httpx.get(f"{self.url}/health", timeout=PATIENCE_SECONDS, trust_env=False)
            except httpx.TransportError:
                return False
            return True

        until(answers)

    def send(self, *words: str, **more: Any) -> "subprocess.Popen[str]":
        """The sender; it waits a second at most between attempts."""
        where = ["--url", self.url, "--key-file", str(self.folder / "key"), "--spool", str(self.spool)]
        return subprocess.Popen(
            [*PROGRAM, "send", *words, *where, "--longest-wait", "1"],
            env=environment(),
            stdin=more.get("stdin", subprocess.DEVNULL),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def waiting(self) -> int:
        with Spool(self.spool) as spool:
            return spool.waiting

    def answered(self) -> int:
        """Number of the newest record that the running sender knows to be answered."""
        try:
            return int((self.spool / "acknowledged").read_bytes().split()[1])
        except FileNotFoundError:
            return 0

    def stored(
        self, query: str = "select taken_at, h2, revision, current from samples order by id"
    ) -> list[Any]:
        with closing(sqlite3.connect(self.folder / "ullage.db")) as connection:
            return connection.execute(query).fetchall()


@pytest.fixture
def site(tmp_path: Path) -> Site:
    database = Database(f"sqlite:///{tmp_path / 'ullage.db'}")
    migrate.upgrade(database)
    load_fleet(database, (DATA / "fleet.yaml").read_text(encoding="utf-8"), "fleet.yaml")
    (tmp_path / "key").write_text(issue_instrument_key(database, "W-T2-M", datetime.now(UTC)) + "\n")
    database.dispose()
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return Site(tmp_path, int(probe.getsockname()[1]))


def until(seen: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_SECONDS
    while not seen():
        assert time.monotonic() < deadline, "it did not come to pass"
        time.sleep(0.01)


START = datetime.now(UTC).replace(microsecond=0) - timedelta(days=60)


def sample(i: int, **more: object) -> dict[str, object]:
    taken = (START + timedelta(minutes=i)).isoformat()
    return {"taken_at": taken, "h2": 10 + i % 97, "ch4": 5.0, "c2h2": "<0.5", **more}


@dataclass
class Monitor:
    """What is upstream of the sender: writes lines, and goes on after a crash from the last one that was accepted."""

    site: Site
    accepted: int = 0
    written: int = 0
    sent_again: int = 0

    def feed(self, sender: "subprocess.Popen[str]", stop: threading.Event) -> None:
        assert sender.stdin is not None
        i = first = self.accepted
        self.sent_again += max(0, self.written - first)
        try:
            while not stop.is_set() and i - first < LINES_A_ROUND:
                sender.stdin.write(json.dumps(sample(i)) + "\n")
                sender.stdin.flush()
                i += 1
                self.written = max(self.written, i)
                if i % 25 == 0:
                    time.sleep(0.04)
            stop.wait()
        except BrokenPipeError:
            pass  # the sender was killed

    def listen(self, sender: "subprocess.Popen[str]") -> None:
        assert sender.stdout is not None
        before = self.accepted
        for text in sender.stdout:
            if text.endswith("\n"):
                self.accepted = before + int(text)


def a_round(site: Site, monitor: Monitor, act: Callable[[], None]) -> None:
    """Feed a sender and kill it when ``act`` has returned."""
    sender = site.send("--stdin", "--tell-accepted", "--batch", "40", stdin=subprocess.PIPE)
    stop = threading.Event()
    threads = [
        threading.Thread(target=monitor.feed, args=(sender, stop)),
        threading.Thread(target=monitor.listen, args=(sender,)),
    ]
    before = monitor.accepted
    for thread in threads:
        thread.start()
    try:
        until(lambda: monitor.accepted > before)
        act()
    finally:
        sender.kill()
        sender.wait()
        stop.set()
        for thread in threads:
            thread.join()
    for stream in (sender.stdin, sender.stdout, sender.stderr):
        assert stream is not None
        with suppress(BrokenPipeError):
            stream.close()


def test_kills_of_sender_and_server_lose_nothing_double_nothing_and_keep_the_order(site: Site) -> None:
    seed = random.SystemRandom().randrange(10**6)
    dice = random.Random(seed)
    monitor = Monitor(site)
    server = site.start_server()
    waited: list[int] = []
    try:
        site.wait_until_healthy(server)
        for number in range(ROUNDS):
            answered = site.answered()

            def act(number: int = number, answered: int = answered) -> None:
                nonlocal server
                if number % 3 != 2:  # in the third round the server may not be there yet
                    until(lambda: site.answered() > answered)
                time.sleep(dice.uniform(0.0, 0.6))
                if number % 3 == 1:
                    server.kill()
                    server.wait()
                    time.sleep(dice.uniform(0.0, 0.3))
                    server = site.start_server()

            a_round(site, monitor, act)
            waited.append(site.waiting())
            if number % 3 == 2:
                site.wait_until_healthy(server)
        site.wait_until_healthy(server)
        last = site.send("--stdin", stdin=subprocess.DEVNULL)
        _, said = last.communicate(timeout=PATIENCE_SECONDS)
        assert last.returncode == 0, said
    finally:
        server.kill()
        server.wait()
    stored = site.stored()
    print(  # noqa: T201 - shown by pytest when the test fails
        f"seed {seed}: {monitor.written} lines written, {monitor.sent_again} of them again,"
        f" {monitor.accepted} accepted, {len(stored)} stored; waiting at the kills: {waited}; {said}"
    )
    times = [taken for taken, *_ in stored]
    assert times == sorted(set(times)), "in order, none twice"
    assert {(revision, current) for *_, revision, current in stored} == {(1, 1)}
    given = [(START + timedelta(minutes=i), float(sample(i)["h2"])) for i in range(monitor.written)]  # type: ignore[arg-type]
    found = [(datetime.fromisoformat(taken).replace(tzinfo=UTC), h2) for taken, h2, *_ in stored]
    assert found[: monitor.accepted] == given[: monitor.accepted], "all that was accepted"
    assert found == given[: len(found)], "and nothing that was not written"
    assert site.waiting() == 0
    assert any(waited), "some kills came while samples waited"


def test_each_rejected_sample_is_put_aside_with_its_reason_and_the_others_are_stored(site: Site) -> None:
    lines = [
        json.dumps(sample(0)),
        json.dumps(sample(1, h2=-5)),
        json.dumps(sample(2, hydrogen=5)),
        "h2 = 12",
        json.dumps(sample(3, taken_at="yesterday")),
        json.dumps({"samples": [sample(4), sample(5, compartment="no such")]}),
        # a lone surrogate is JSON to some and not to others; the server refuses the body as a whole
        '{"taken_at": "2026-03-01T00:00:00Z", "compartment": "\\ud800", "h2": 1}',
        json.dumps(sample(6)),
    ]
    (site.folder / "samples.jsonl").write_text("\n".join(lines))
    with site.serving():
        sender = site.send(str(site.folder / "samples.jsonl"))
        _, said = sender.communicate(timeout=PATIENCE_SECONDS)
    assert sender.returncode == 1, said
    minutes = [datetime.fromisoformat(taken).replace(tzinfo=UTC) - START for taken, *_ in site.stored()]
    assert minutes == [timedelta(minutes=i) for i in (0, 4, 6)]
    entries = [json.loads(text) for text in (site.spool / "rejected.jsonl").read_text().splitlines()]
    reasons = {entry["sample"]: f"{entry['field']}: {entry['reason']}" for entry in entries}
    assert len(entries) == 6
    assert "cannot be negative" in reasons[lines[1]]
    assert "hydrogen" in reasons[lines[2]]
    assert "is not JSON" in reasons[lines[3]]
    assert "'yesterday' is not an ISO 8601 date and time" in reasons[lines[4]]
    assert any("no such" in reason for reason in reasons.values())
    assert "400" in reasons[lines[6]]
    assert site.waiting() == 0


def test_a_server_with_a_small_bound_and_a_limit_of_posts_gets_all_in_the_end(site: Site) -> None:
    site.settings = {"ULLAGE_MAX_BODY_BYTES": "40000"}
    (site.folder / "samples.jsonl").write_text("\n".join(json.dumps(sample(i)) for i in range(1500)))
    with site.serving():
        sender = site.send(str(site.folder / "samples.jsonl"))
        _, said = sender.communicate(timeout=PATIENCE_SECONDS)
    assert sender.returncode == 0, said
    assert len(site.stored()) == 1500
    assert not (site.spool / "rejected.jsonl").exists()


def test_stopped_while_the_server_is_away_it_keeps_all_and_a_new_key_and_server_get_it(site: Site) -> None:
    key = (site.folder / "key").read_text()
    (site.folder / "key").write_text("ull_old_key")
    (site.folder / "samples.jsonl").write_text("\n".join(json.dumps(sample(i)) for i in range(50)))
    sender = site.send(str(site.folder / "samples.jsonl"))
    said = read_until(sender, "cannot reach")
    sender.send_signal(signal.SIGTERM)
    rest = sender.communicate(timeout=PATIENCE_SECONDS)[1]
    assert sender.returncode == 3, said + rest
    assert rest.endswith(f"50 lines read, 50 samples wait in {site.spool}\n")
    assert "Traceback" not in rest
    with site.serving():
        again = site.send("--stdin")
        read_until(again, "the server answers 401")
        assert site.stored() == []
        (site.folder / "key").write_text(key)
        _, said = again.communicate(timeout=PATIENCE_SECONDS)
    assert again.returncode == 0, said
    assert len(site.stored()) == 50


def read_until(sender: "subprocess.Popen[str]", wanted: str) -> str:
    """What the sender says up to a line with ``wanted`` in it."""
    assert sender.stderr is not None
    timer = threading.Timer(PATIENCE_SECONDS, sender.kill)
    timer.start()
    said = ""
    for text in sender.stderr:
        said += text
        if wanted in text:
            break
    timer.cancel()
    assert wanted in said
    return said
