"""The load of the soak test: instruments that post and people that look, at times that nobody's answer delays."""

import asyncio
import gzip
import json
import random
import time
from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import httpx
from soak_fleet import STEP, Fleet, Unit
from soak_watch import Tally

TIMEOUT_SECONDS = 60.0
AT_ONCE = 64
REVISED, REPEATED = 0.01, 0.03
"""Shares of posts that correct an earlier sample, and that are sent once more as they were."""
SIZES = (1, 5, 25)
SIZE_WEIGHTS = (94, 5, 1)
PAGES = (
    "/",
    "/assets/{asset}",
    "/assets/{asset}/figures/trend?compartment=main",
    "/assets/{asset}/figures/diagrams?compartment=main",
    "/alerts",
    "/samples/{sample}",
    "/mail",
    "/instruments",
    "/health",
    "/api/v1/assets/{asset}/samples?limit=200",
    "/api/v1/assets/{asset}/assessment",
    "/api/v1/samples/{sample}",
)


@dataclass(frozen=True)
class Pace:
    """How much, how fast and for how long."""

    seconds: float
    samples_per_second: float
    pages_per_second: float
    gzip_share: float


@dataclass
class Ledger:
    """What the server has answered for, by instrument and time of the sample."""

    revisions: dict[tuple[str, datetime], int] = field(default_factory=dict)
    """How many revisions must be there."""
    unanswered: set[tuple[str, datetime]] = field(default_factory=set)
    """Posts that got no answer: their samples may be there or not."""

    def note(self, instrument: str, sample: dict[str, Any], result: str) -> None:
        key = (instrument, datetime.fromisoformat(sample["taken_at"]))
        if result == "stored":
            self.revisions[key] = self.revisions.get(key, 0) + 1
        elif result == "revised":
            self.revisions[key] += 1


KEEP_SECONDS = 20.0
"""For which this client keeps an idle connection."""


class Load:
    """Runs the load once; its tallies can be read meanwhile."""

    def __init__(self, url: str, fleet: Fleet, pace: Pace, seed: int) -> None:
        self.posts, self.pages = Tally(), Tally()
        self.by_page: defaultdict[str, Tally] = defaultdict(Tally)
        self.ledger = Ledger()
        self.kinds: Counter[str] = Counter()
        self.latest_start = 0.0
        """The most that this client itself was late to send something that was due: it should be small."""
        self._url, self._fleet, self._pace = url, fleet, pace
        self._dice = random.Random(seed + 2)
        self._last: dict[str, list[dict[str, Any]]] = {}
        self._busy: dict[str, asyncio.Lock] = defaultdict(asyncio.Lock)
        self._sample_ids = [1]
        self._running: set[asyncio.Task[None]] = set()

    async def run(self, every_second: Callable[[], None]) -> None:
        # given up long before the server does, which is told in its settings
        limits = httpx.Limits(
            max_connections=AT_ONCE, max_keepalive_connections=AT_ONCE, keepalive_expiry=KEEP_SECONDS
        )
        async with httpx.AsyncClient(
            base_url=self._url, timeout=TIMEOUT_SECONDS, limits=limits, trust_env=False
        ) as http:
            self._http = http
            self._begin = time.monotonic()
            await asyncio.gather(self._post_all(), self._look_all(), self._tick(every_second))
            while self._running:
                await asyncio.gather(*self._running)

    async def _tick(self, every_second: Callable[[], None]) -> None:
        while time.monotonic() - self._begin < self._pace.seconds:
            await asyncio.sleep(1)
            await asyncio.to_thread(every_second)

    async def _post_all(self) -> None:
        """Posts come at random, as from instruments that do not know of one another."""
        due, dice = 0.0, self._dice
        while True:
            size = dice.choices(SIZES, SIZE_WEIGHTS)[0]
            due += dice.expovariate(self._pace.samples_per_second / size)
            if due >= self._pace.seconds:
                return
            await self._sleep_until(due)
            self._spawn(self._post(due, dice.choice(self._fleet.units), size))

    async def _look_all(self) -> None:
        due, dice = 0.0, random.Random(self._dice.random())
        while self._pace.pages_per_second > 0:
            due += dice.expovariate(self._pace.pages_per_second)
            if due >= self._pace.seconds:
                return
            await self._sleep_until(due)
            self._spawn(self._look(due, dice.choice(PAGES), dice))

    async def _sleep_until(self, due: float) -> None:
        wait = self._begin + due - time.monotonic()
        if wait > 0:
            await asyncio.sleep(wait)
        self.latest_start = max(self.latest_start, time.monotonic() - self._begin - due)

    def _spawn(self, work: Any) -> None:
        task = asyncio.get_running_loop().create_task(work)
        self._running.add(task)
        task.add_done_callback(self._running.discard)

    def _what(self, unit: Unit, size: int) -> tuple[str, list[dict[str, Any]]]:
        """The kind of post and its samples. Only what was answered before is repeated or revised."""
        last, chance = self._last.get(unit.code), self._dice.random()
        if last and chance < REPEATED:
            return "repeat", last
        if last and chance < REPEATED + REVISED:
            return "revision", [last[0] | {"h2": round(last[0]["h2"] * 1.02 + 0.01, 3)}]
        return ("single" if size == 1 else "batch"), [unit.measure(STEP) for _ in range(size)]

    async def _post(self, due: float, unit: Unit, size: int) -> None:
        async with self._busy[unit.code]:  # an instrument sends one thing after another
            kind, samples = self._what(unit, size)
            self.kinds[kind] += 1
            self.posts.sent += 1
            headers = {"Authorization": f"Bearer {unit.key}", "Content-Type": "application/json"}
            body = json.dumps({"samples": samples}).encode()
            if self._dice.random() < self._pace.gzip_share:
                self.kinds["gzip"] += 1
                headers["Content-Encoding"] = "gzip"
                body = gzip.compress(body, 1)
            answer = await self._ask(self.posts, due, "POST", "/api/v1/samples", headers, body)
            if answer is None or answer.status_code != 200:
                self.ledger.unanswered |= {
                    (unit.instrument, datetime.fromisoformat(s["taken_at"])) for s in samples
                }
                return
            self._take(unit, kind, samples, answer)

    def _take(self, unit: Unit, kind: str, samples: list[dict[str, Any]], answer: httpx.Response) -> None:
        outcomes = answer.json()["outcomes"]
        wanted = {"repeat": "already_known", "revision": "revised"}.get(kind, "stored")
        for sample, outcome in zip(samples, outcomes, strict=True):
            result = outcome["result"]
            self.posts.outcomes[result] += 1
            if result != wanted:
                self.posts.error(f"{kind} answered {result}", answer.text)
            self.ledger.note(unit.instrument, sample, result)
        self._last[unit.code] = samples
        self._sample_ids = [*self._sample_ids[-50:], outcomes[-1].get("sample_id") or 1]

    async def _look(self, due: float, page: str, dice: random.Random) -> None:
        address = page.format(asset=dice.choice(self._fleet.units).code, sample=dice.choice(self._sample_ids))
        headers = {"Accept": "text/html"}
        if page.startswith("/api/"):
            headers = {"Authorization": f"Bearer {self._fleet.registrar_key}"}
        for tally in (self.pages, self.by_page[page]):
            tally.sent += 1
        answer = await self._ask(self.pages, due, "GET", address, headers)
        self.by_page[page].seconds.append(self.pages.seconds[-1])
        if answer is not None:
            self.pages.outcomes[str(answer.status_code)] += 1

    async def _ask(
        self, tally: Tally, due: float, method: str, address: str, headers: dict[str, str], body: bytes = b""
    ) -> httpx.Response | None:
        """The answer; None when none came. Whatever is not 200 is an error."""
        sent = time.monotonic()
        try:
            answer = await self._http.request(method, address, headers=headers, content=body)
        except httpx.TransportError as error:
            answer = None
            tally.error(type(error).__name__, f"{method} {address}: {error}")
        now = time.monotonic()
        tally.seconds.append(now - self._begin - due)
        tally.service_seconds.append(now - sent)
        if answer is not None and answer.status_code != 200:
            tally.error(str(answer.status_code), f"{method} {address}: {answer.text}")
        return answer
