"""Sending a spool to servers that fail in every way that was thought of."""

import gzip
import json
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pytest

from app.sender.errors import GivenUpError
from app.sender.pacing import Pacing
from app.sender.send import Chance, Sender
from app.sender.server import Server
from app.sender.spool import Spool

Step = httpx.Response | Exception
KEY = "ull_prefix_secret"


def sample(i: int, **more: object) -> bytes:
    return json.dumps({"taken_at": f"2026-03-01T00:{i // 60:02}:{i % 60:02}Z", "h2": i, **more}).encode()


@dataclass
class Scripted:
    """A server: first what the script says, then one that takes samples as the real one does.

    It rejects negative hydrogen, refuses a body with "poison" in it as a whole, and one above its limit.
    """

    script: list[Step] = field(default_factory=list)
    takes_gzip: bool = True
    most_bytes: int = 10**9
    requests: list[httpx.Request] = field(default_factory=list)
    batches: list[list[dict[str, Any]]] = field(default_factory=list)
    stored: list[int] = field(default_factory=list)
    loses: Callable[[int], bool] = lambda _: False
    """Whether the answer to a request of this number is lost after the samples were stored."""

    def __call__(self, request: httpx.Request) -> httpx.Response:
        self.requests.append(request)
        if self.script:
            step = self.script.pop(0)
            if isinstance(step, Exception):
                raise step
            return step
        body = request.content
        if request.headers.get("Content-Encoding") == "gzip":
            if not self.takes_gzip:
                return httpx.Response(415, headers={"Accept-Encoding": "identity"})
            body = gzip.decompress(body)
        if len(body) > self.most_bytes:
            return httpx.Response(413, json={"detail": "too large"})
        samples = json.loads(body)["samples"]
        self.batches.append(samples)
        if any("poison" in s for s in samples):
            return httpx.Response(400, json={"detail": "body: not valid JSON"})
        outcomes = [self._store(i, s) for i, s in enumerate(samples)]
        if self.loses(len(self.requests)):
            raise httpx.ReadError("connection reset")
        return httpx.Response(200, json={"outcomes": outcomes})

    def _store(self, i: int, given: dict[str, Any]) -> dict[str, str]:
        if given["h2"] < 0:
            return {"result": "rejected", "field": f"samples[{i}].h2", "reason": "cannot be negative"}
        if given["h2"] in self.stored:
            return {"result": "already_known"}
        self.stored.append(given["h2"])
        return {"result": "stored"}


class Stop(threading.Event):
    """An event whose waits take no time but are counted."""

    def __init__(self) -> None:
        super().__init__()
        self.waits: list[float] = []
        self.after: int | None = None
        """Set itself in the wait of this number."""

    def wait(self, timeout: float | None = None) -> bool:
        self.waits.append(timeout or 0.0)
        if self.after is not None and len(self.waits) >= self.after:
            self.set()
        return self.is_set()


@dataclass
class Bench:
    """A spool, a scripted server and a sender between them."""

    spool: Spool
    server: Scripted
    stop: Stop
    said: list[str]
    keys: list[str | Exception]
    pacing: Pacing = field(default_factory=Pacing)
    most: int = 1000

    def send(self, *payloads: bytes) -> Sender:
        """Append and drain; the dice always show the highest."""

        def key() -> str:
            found = self.keys[0] if len(self.keys) == 1 else self.keys.pop(0)
            if isinstance(found, Exception):
                raise found
            return found

        if payloads:
            self.spool.append(payloads)
        chance = Chance(clock=lambda: sum(self.stop.waits), uniform=lambda _low, high: high)
        with Server("http://server.test/", key, transport=httpx.MockTransport(self.server)) as server:
            sender = Sender(self.spool, server, self.pacing, self.said.append, self.most, chance)
            sender.drain(self.stop)
            return sender

    @property
    def rejected(self) -> list[dict[str, Any]]:
        path = self.spool.folder / "rejected.jsonl"
        return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with Spool(tmp_path / "spool") as spool:
        yield Bench(spool, Scripted(), Stop(), [], [KEY])


def test_batches_go_in_order_with_the_key_and_the_spool_is_empty_then(bench: Bench) -> None:
    bench.most = 10
    sender = bench.send(*(sample(i) for i in range(25)))
    assert [len(batch) for batch in bench.server.batches] == [10, 10, 5]
    assert bench.server.stored == list(range(25))
    assert sender.results == {"stored": 25}
    assert sender.summary() == "25 samples answered: 25 stored"
    assert bench.spool.waiting == 0
    request = bench.server.requests[0]
    assert str(request.url) == "http://server.test/api/v1/samples"
    assert request.headers["Authorization"] == f"Bearer {KEY}"
    assert request.headers["Content-Type"] == "application/json"


TROUBLES: list[Step] = [
    httpx.ConnectError("refused"),
    httpx.ConnectTimeout("slow"),
    httpx.ReadTimeout("slow"),
    httpx.WriteError("reset"),
    httpx.RemoteProtocolError("cut off"),
    httpx.DecodingError("bad gzip"),
    httpx.Response(500),
    httpx.Response(502, text="<html>proxy</html>"),
    httpx.Response(408),
    httpx.Response(200, json={"outcomes": []}),
    httpx.Response(404),
    httpx.Response(302, headers={"Location": "https://elsewhere.test/"}),
]


def test_all_troubles_are_waited_out_with_the_same_batch_and_nothing_newer(bench: Bench) -> None:
    bench.most = 2
    bench.server.script = list(TROUBLES)
    bench.send(*(sample(i) for i in range(4)))
    bodies = [json.loads(request.content)["samples"] for request in bench.server.requests]
    assert bodies[: len(TROUBLES) + 1] == [bodies[0]] * (len(TROUBLES) + 1)
    assert bench.server.stored == [0, 1, 2, 3]
    assert len(bench.stop.waits) == len(TROUBLES)
    assert bench.stop.waits[:9] == [1, 2, 4, 8, 16, 32, 60, 60, 60]
    assert any(
        "cannot reach http://server.test: refused; 4 samples wait, next attempt in 1.0 s" in s
        for s in bench.said
    )
    assert any("answers again, at attempt 13" in line for line in bench.said)


def test_the_wait_that_the_server_asks_for_is_kept(bench: Bench) -> None:
    busy = [
        httpx.Response(429, headers={"Retry-After": "17"}),
        httpx.Response(503, headers={"Retry-After": "5"}),
    ]
    bench.server.script = list(busy)
    bench.send(sample(1))
    assert bench.stop.waits == [18.0, 6.0]  # and at most a second on top


def test_an_answer_that_is_lost_makes_no_sample_twice(bench: Bench) -> None:
    bench.most = 5
    bench.server.loses = lambda number: number % 2 == 1
    sender = bench.send(*(sample(i) for i in range(15)))
    assert bench.server.stored == list(range(15))
    assert sender.results == {"already_known": 15}


def test_a_rejected_sample_is_put_aside_with_its_reason_and_the_rest_goes_on(bench: Bench) -> None:
    sender = bench.send(sample(1), sample(-2), sample(3))
    assert bench.server.stored == [1, 3]
    assert sender.results == {"stored": 2, "rejected": 1}
    (entry,) = bench.rejected
    assert (entry["number"], entry["field"], entry["reason"]) == (2, "h2", "cannot be negative")
    assert entry["sample"].encode() == sample(-2)
    assert any("1 of 3 samples rejected; the first: h2: cannot be negative" in line for line in bench.said)


@pytest.mark.parametrize("bad", [[0], [7], [15], [3, 4], [0, 15], list(range(16))])
def test_a_body_refused_as_a_whole_is_halved_until_the_bad_ones_stand_alone(
    bench: Bench, bad: list[int]
) -> None:
    bench.send(*(sample(i, **({"poison": 1} if i in bad else {})) for i in range(16)))
    assert bench.server.stored == [i for i in range(16) if i not in bad], "in order all the same"
    assert [entry["number"] for entry in bench.rejected] == [i + 1 for i in bad]
    assert all("body: not valid JSON" in entry["reason"] for entry in bench.rejected)
    assert bench.spool.waiting == 0


def test_bodies_that_are_too_large_are_halved_and_stay_small(bench: Bench) -> None:
    bench.server.most_bytes = 40_000
    bench.send(*(sample(i, remark="x" * 400) for i in range(600)))
    assert bench.server.stored == list(range(600))
    refused = len(bench.server.requests) - len(bench.server.batches)
    assert 0 < refused < len(bench.server.batches)
    assert bench.rejected == []


def test_one_sample_that_is_too_large_is_rejected_alone(bench: Bench) -> None:
    bench.server.most_bytes = 20_000
    bench.send(sample(1), sample(2, remark="x" * 30_000), sample(3))
    assert bench.server.stored == [1, 3]
    assert [entry["number"] for entry in bench.rejected] == [2]


def test_large_bodies_are_compressed_and_small_ones_are_not(bench: Bench) -> None:
    bench.send(sample(1))
    bench.send(*(sample(i) for i in range(2, 200)))
    assert [r.headers.get("Content-Encoding") for r in bench.server.requests] == [None, "gzip"]
    assert len(bench.server.requests[1].content) < 4000
    assert bench.server.stored == list(range(1, 200))


def test_a_server_that_takes_no_gzip_gets_the_body_as_it_is_from_then_on(bench: Bench) -> None:
    bench.server.takes_gzip = False
    bench.most = 100
    bench.send(*(sample(i) for i in range(300)))
    assert [r.headers.get("Content-Encoding") for r in bench.server.requests] == ["gzip", None, None, None]
    assert bench.server.stored == list(range(300))
    assert bench.stop.waits == []


def test_a_key_that_is_replaced_while_it_is_refused_counts_at_the_next_attempt(bench: Bench) -> None:
    bench.keys = ["old", OSError("no such file"), "", "söme", "two words", "new"]
    bench.server.script = [httpx.Response(401, json={"detail": "The key has expired."})]
    bench.send(sample(1))
    keys = [request.headers["Authorization"] for request in bench.server.requests]
    assert keys == ["Bearer old", "Bearer new"]
    assert bench.stop.waits == [60.0] * 5, "slowly: a person must do something"
    assert any("401: The key has expired." in line for line in bench.said)
    assert not any("söme" in line or "two words" in line for line in bench.said)


def test_giving_up_keeps_everything(bench: Bench) -> None:
    bench.pacing = Pacing(give_up_after=20.0)
    bench.server.script = [httpx.ConnectError("refused")] * 99
    with pytest.raises(GivenUpError, match=r"gave up: cannot reach .*: refused; 2 samples stay in "):
        bench.send(sample(1), sample(2))
    assert bench.stop.waits == [1, 2, 4, 8]  # 16 more would be too long
    bench.server.script = []
    bench.send()
    assert bench.server.stored == [1, 2]


def test_giving_up_at_once_is_for_what_a_person_must_mend(bench: Bench) -> None:
    bench.pacing = Pacing(give_up_when_refused=True)
    bench.server.script = [
        httpx.ConnectError("refused"),
        httpx.Response(401, json={"detail": "No such key."}),
    ]
    with pytest.raises(GivenUpError, match=r"401: No such key\."):
        bench.send(sample(1))
    assert bench.stop.waits == [1]


def test_stopping_ends_the_wait_and_keeps_the_rest(bench: Bench) -> None:
    bench.server.script = [httpx.ConnectError("refused")] * 9
    bench.stop.after = 3
    bench.send(sample(1), sample(2))
    assert len(bench.server.requests) == 3
    assert bench.spool.waiting == 2


def test_stopping_during_a_post_settles_its_answer_first(bench: Bench) -> None:
    class Stopping(Scripted):
        def __call__(self, request: httpx.Request) -> httpx.Response:
            bench.stop.set()
            return super().__call__(request)

    bench.most = 2
    bench.server = Stopping()
    bench.send(*(sample(i) for i in range(5)))
    assert bench.server.stored == [0, 1]
    assert bench.spool.waiting == 3
    assert bench.said == []


def test_halves_that_were_answered_are_not_sent_again_after_a_stop(bench: Bench) -> None:
    """A stop in the midst of looking for the bad one."""
    bench.server.script = [
        httpx.Response(400),
        httpx.Response(200, json={"outcomes": [{"result": "stored"}] * 2}),
    ]
    bench.server.script += [httpx.ConnectError("refused")] * 9
    bench.stop.after = 1
    bench.send(*(sample(i) for i in range(4)))
    assert [record.number for record in bench.spool.peek(9, 10**6)] == [3, 4]
