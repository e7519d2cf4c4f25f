"""The simulated instrument against a small HTTP server of the tests."""

import json
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import httpx
import pytest

from app.demo import poster as poster_module
from app.demo.poster import Poster, PostError, StoppedError, as_json, retry_after
from app.demo.simulate import Playback, PlaybackError, play
from app.domain.model import Reading, Sample

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


def a_sample(hours: float = 0.0) -> Sample:
    readings = {"h2": Reading("h2", value=12.0), "c2h2": Reading("c2h2", below=0.5)}
    return Sample("QUE-T1", "main", "QUE-T1-M", NOW + timedelta(hours=hours), readings)


@dataclass
class Stub:
    """Answers with the given (status, headers) in turn, then 200; keeps what it was sent."""

    script: list[tuple[int, dict[str, str]]] = field(default_factory=list)
    bodies: list[dict[str, Any]] = field(default_factory=list)
    keys: list[str | None] = field(default_factory=list)
    url: str = ""
    lock: threading.Lock = field(default_factory=threading.Lock)

    def answer(self, body: dict[str, Any], key: str | None) -> tuple[int, dict[str, str], dict[str, Any]]:
        with self.lock:
            self.bodies.append(body)
            self.keys.append(key)
            status, headers = self.script.pop(0) if self.script else (200, {})
        outcomes = [
            {"result": "rejected", "field": "samples[0].h2", "reason": "cannot be negative"}
            if sample["h2"] < 0
            else {"result": "stored"}
            for sample in body["samples"]
        ]
        return status, headers, {"outcomes": outcomes} if status == 200 else {"detail": "no such compartment"}


@pytest.fixture
def stub() -> Iterator[Stub]:
    state = Stub()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            status, headers, answer = state.answer(body, self.headers["Authorization"])
            content = json.dumps(answer).encode()
            self.send_response(status)
            headers = {"Content-Type": "application/problem+json", **headers}
            for name, value in {**headers, "Content-Length": str(len(content))}.items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(content)

        def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - the base class names it so
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    state.url = f"http://127.0.0.1:{server.server_address[1]}"
    yield state
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture
def make_poster() -> Iterator[Callable[[str], Poster]]:
    made: list[Poster] = []

    def make(url: str) -> Poster:
        made.append(Poster(url, "ull_test_secret", threading.Event()))
        return made[-1]

    yield make
    for poster in made:
        poster.close()


def test_json_carries_values_limits_and_utc() -> None:
    assert as_json(a_sample()) == {
        "taken_at": "2026-11-25T09:00:00Z",
        "h2": 12.0,
        "c2h2": "<0.5",
    }


def test_posts_with_the_key_and_counts_results(stub: Stub, make_poster: Callable[[str], Poster]) -> None:
    posted = make_poster(stub.url).post([a_sample(), a_sample(4)])
    assert posted.results == {"stored": 2}
    assert stub.keys == ["Bearer ull_test_secret"]


def test_a_rejected_sample_beside_good_ones_is_told(stub: Stub, make_poster: Callable[[str], Poster]) -> None:
    bad = Sample("QUE-T1", "main", "QUE-T1-M", NOW, {"h2": Reading("h2", value=-1.0)})
    posted = make_poster(stub.url).post([a_sample(), bad])
    assert posted.results == {"stored": 1, "rejected": 1}
    assert posted.refusal == "samples[0].h2: cannot be negative"


def test_a_busy_server_is_asked_again_with_the_same_batch(
    stub: Stub, make_poster: Callable[[str], Poster], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(poster_module, "FIRST_WAIT_SECONDS", 0.01)
    stub.script = [(503, {}), (429, {"Retry-After": "0"}), (500, {})]
    posted = make_poster(stub.url).post([a_sample()])
    assert posted.attempts == 4
    assert len(stub.bodies) == 4
    assert all(body == stub.bodies[0] for body in stub.bodies)


def test_retry_after_is_honoured(stub: Stub, make_poster: Callable[[str], Poster]) -> None:
    stub.script = [(429, {"Retry-After": "1"})]
    begun = datetime.now(UTC)
    make_poster(stub.url).post([a_sample()])
    assert datetime.now(UTC) - begun >= timedelta(seconds=1)


@pytest.mark.parametrize(
    ("header", "seconds"),
    [
        ("3", 3.0),
        ("Wed, 25 Nov 2026 09:00:20 GMT", 20.0),
        ("Wed, 25 Nov 2026 08:00:00 GMT", 0.0),
        ("soon", None),
        ("", None),
        ("-4", None),
    ],
)
def test_retry_after_is_seconds_or_a_date(header: str, seconds: float | None) -> None:
    """RFC 9110, 10.2.3."""
    assert retry_after(httpx.Response(429, headers={"Retry-After": header}), NOW) == seconds


def test_a_refusal_is_told_with_the_servers_reason(stub: Stub, make_poster: Callable[[str], Poster]) -> None:
    stub.script = [(422, {})]
    with pytest.raises(PostError, match=r"\(422\): no such compartment$"):
        make_poster(stub.url).post([a_sample()])
    assert len(stub.bodies) == 1


def test_a_server_out_of_reach_is_given_up_in_the_end(
    make_poster: Callable[[str], Poster], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(poster_module, "FIRST_WAIT_SECONDS", 0.01)
    monkeypatch.setattr(poster_module, "PATIENCE_SECONDS", 0.1)
    with pytest.raises(PostError, match=r"gave up after \d+ attempts: cannot reach http://127.0.0.1:9"):
        make_poster("http://127.0.0.1:9").post([a_sample()])


def test_stopping_ends_the_wait() -> None:
    stop = threading.Event()
    stop.set()
    poster = Poster("http://127.0.0.1:9", "key", stop)
    with pytest.raises(StoppedError):
        poster.post([a_sample()])
    poster.close()


def test_plays_sixty_days_up_to_the_present_and_never_past_it(stub: Stub) -> None:
    until = datetime.now(UTC)
    playback = Playback(stub.url, "key", "developing-thermal", until, speed=6e6)
    stop, said = threading.Event(), list[str]()

    def say(line: str) -> None:
        said.append(line)
        if "reached the present" in line:
            stop.set()

    assert play(playback, stop, say) == 360
    times = [datetime.fromisoformat(s["taken_at"]) for body in stub.bodies for s in body["samples"]]
    assert len(times) == 360
    assert times == sorted(times)
    assert times[-1] <= until < times[-1] + timedelta(hours=4)
    assert times[0] > until - timedelta(days=60, minutes=1)
    assert any("already" not in line and "C2H4" in line for line in said)


def test_a_present_that_is_still_to_come_is_not_played(stub: Stub) -> None:
    """A wrong ``until`` must not make samples of the future."""
    until = datetime.now(UTC) + timedelta(days=2)
    stop = threading.Event()

    def say(line: str) -> None:
        if "reached the present" in line:
            stop.set()

    play(Playback(stub.url, "key", "normal", until, speed=6e6), stop, say)
    times = [datetime.fromisoformat(s["taken_at"]) for body in stub.bodies for s in body["samples"]]
    assert len(times) in {347, 348, 349}
    assert max(times) <= datetime.now(UTC)


def test_an_unknown_story_lists_the_known_ones() -> None:
    with pytest.raises(PlaybackError, match="developing-thermal, normal"):
        Playback("http://127.0.0.1:9", "key", "tragedy", NOW)


@pytest.mark.parametrize("speed", [0.0, -1.0, float("nan"), float("inf")])
def test_speed_must_be_positive(speed: float) -> None:
    with pytest.raises(PlaybackError, match="speed must be a number above 0"):
        Playback("http://127.0.0.1:9", "key", "normal", NOW, speed)
