"""Instruments that go on through every fault, and a mail server that remembers what it took."""

import asyncio
import random
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import httpx
from aiosmtpd.controller import Controller
from served import PATIENCE_SECONDS, free_port
from soak_fleet import PLATEAU, RAMP, Unit

STEP = timedelta(minutes=15)
QUIET = 16
"""Healthy readings between two faults: more than an instrument needs to be believed that all is well."""
REVISED = 0.1


@dataclass
class Poster:
    """An instrument's own loop: what was not answered with 200 is posted again, as it was, until it is.

    A monitor that develops a fault, is well again, and develops another, without end.
    """

    url: str
    unit: Unit
    dice: random.Random
    contents: dict[datetime, list[float]] = field(default_factory=dict)
    """Hydrogen as it was sent, by the time of the sample; several when it was revised."""
    answered: dict[datetime, int] = field(default_factory=dict)
    """How many revisions were answered for."""
    outcomes: Counter[str] = field(default_factory=Counter)
    after_a_loss: Counter[str] = field(default_factory=Counter)
    """Outcomes of what had been posted before without an answer."""
    refusals: Counter[str] = field(default_factory=Counter)
    """What the answers 503 said."""
    interrupted: int = 0
    """Posts that were under way when the connection broke."""
    spells: int = 0
    failure: str = ""
    _pending: list[dict[str, Any]] = field(default_factory=list)
    _wanted: str = "stored"
    _last: dict[str, Any] | None = None

    @property
    def unavailable(self) -> int:
        """How many posts were answered 503."""
        return self.refusals.total()

    def run(self, stop: threading.Event) -> None:
        """Until ``stop`` is set; what is pending then is left to :meth:`finish`."""
        with self._client() as http:
            while not stop.is_set() and not self.failure:
                again = bool(self._pending)
                if not again:
                    self._pending = self._next()
                self._post(http, again=again)

    def finish(self) -> None:
        """Once more what is pending; the service is well now, so it is answered."""
        with self._client() as http:
            if self._pending and not self.failure:
                self._post(http, again=True)
        if self._pending and not self.failure:
            self.failure = "no answer from a service that is well"

    def _client(self) -> httpx.Client:
        return httpx.Client(base_url=self.url, timeout=PATIENCE_SECONDS, trust_env=False)

    def _next(self) -> list[dict[str, Any]]:
        if self._last and self.dice.random() < REVISED:
            self._wanted = "revised"
            batch = [self._last | {"h2": round(self._last["h2"] * 1.01 + 0.01, 3)}]
        else:
            self._wanted = "stored"
            batch = [self._measure() for _ in range(self.dice.choice((1, 1, 1, 4, 8)))]
        for sample in batch:
            self.contents.setdefault(_time(sample), []).append(sample["h2"])
        return batch

    def _measure(self) -> dict[str, Any]:
        unit = self.unit
        if unit.fault_after is None or unit.readings >= unit.fault_after + RAMP + PLATEAU:
            unit.fault_after = unit.readings + QUIET
        if unit.readings == unit.fault_after:
            self.spells += 1
        return unit.measure(STEP)

    def _post(self, http: httpx.Client, *, again: bool) -> None:
        headers = {"Authorization": f"Bearer {self.unit.key}"}
        try:
            answer = http.post("/api/v1/samples", json={"samples": self._pending}, headers=headers)
        except httpx.TransportError as error:
            self.interrupted += not isinstance(error, httpx.ConnectError)
            time.sleep(0.02)
            return
        if answer.status_code == 503 and "retry-after" in answer.headers:
            self.refusals[answer.json()["detail"]] += 1
            time.sleep(0.05)  # sooner than asked: the more it is tried, the more can go wrong
        elif answer.status_code != 200:
            self.failure = f"{answer.status_code} {answer.text[:500]}"
        else:
            self._take([outcome["result"] for outcome in answer.json()["outcomes"]], again=again)

    def _take(self, results: list[str], *, again: bool) -> None:
        allowed = {self._wanted, "already_known"} if again else {self._wanted}
        if len(set(results)) != 1 or not set(results) <= allowed:  # a post is stored as a whole or not at all
            self.failure = f"{self._wanted} was wanted, {'again, ' if again else ''}answered was {results}"
        self.outcomes.update(results)
        if again:
            self.after_a_loss.update(results)
        for sample in self._pending:
            self.answered[_time(sample)] = len(self.contents[_time(sample)])
        self._last = self._pending[-1]
        self._pending = []


def _time(sample: dict[str, Any]) -> datetime:
    return datetime.fromisoformat(sample["taken_at"])


class Sink:
    """A mail server that takes everything after a moment and remembers it by Message-ID."""

    def __init__(self, seed: int) -> None:
        self.port = free_port()
        self.taken: Counter[str] = Counter()
        self._dice = random.Random(seed)

    async def handle_DATA(self, _server: Any, _session: Any, envelope: Any) -> str:  # noqa: N802
        """aiosmtpd calls it with each message. What is remembered is told to the sender a moment later."""
        head = envelope.content.decode("utf-8", "replace").replace("\r\n ", " ")
        line = next(line for line in head.splitlines() if line.lower().startswith("message-id:"))
        await asyncio.sleep(self._dice.uniform(0.0, 0.03))
        self.taken[line.partition(":")[2].strip()] += 1
        await asyncio.sleep(self._dice.uniform(0.0, 0.03))
        return "250 taken"

    @property
    def settings(self) -> dict[str, str]:
        """Timeouts short enough for the shortest lease there is."""
        where = {"SMTP_HOST": "127.0.0.1", "SMTP_PORT": str(self.port), "SMTP_TIMEOUT_SECONDS": "5"}
        return {"MAIL_TRANSPORT": "smtp"} | where

    @contextmanager
    def listening(self) -> Iterator[None]:
        controller = Controller(self, hostname="127.0.0.1", port=self.port)
        controller.start()
        try:
            yield
        finally:
            controller.stop()
