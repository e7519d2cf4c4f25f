"""The simulated instrument against a small HTTP server of the tests."""

import gzip
import json
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from app.demo import simulate
from app.demo.simulate import Playback, PlaybackError, as_json, play
from app.domain.model import Reading, Sample
from app.sender.errors import GivenUpError
from app.sender.pacing import Pacing

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
            content = self.rfile.read(int(self.headers["Content-Length"]))
            if self.headers["Content-Encoding"] == "gzip":
                content = gzip.decompress(content)
            body = json.loads(content)
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


def test_json_carries_values_limits_and_utc() -> None:
    assert as_json(a_sample()) == {
        "taken_at": "2026-11-25T09:00:00Z",
        "h2": 12.0,
        "c2h2": "<0.5",
    }


def until_the_present(playback: Playback) -> tuple[int, list[str]]:
    """Play fast and stop at the present; the number of samples answered and what was said."""
    stop, said = threading.Event(), list[str]()

    def say(line: str) -> None:
        said.append(line)
        if "reached the present" in line:
            stop.set()

    return play(playback, stop, say), said


def test_a_busy_server_is_asked_again_and_told(stub: Stub, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(simulate, "PACING", Pacing(first=0.01))
    stub.script = [(503, {}), (429, {"Retry-After": "0"}), (500, {})]
    count, said = until_the_present(Playback(stub.url, "the-key", "normal", datetime.now(UTC), speed=6e6))
    assert count == 360
    assert all(body == stub.bodies[0] for body in stub.bodies[:4])
    assert set(stub.keys) == {"Bearer the-key"}
    assert any("QUE-T2-M: the server answers 503: " in line for line in said)
    assert any("answers again, at attempt 4" in line for line in said)


def test_a_wrong_key_is_told_at_once_with_the_servers_reason(stub: Stub) -> None:
    stub.script = [(401, {})]
    with pytest.raises(GivenUpError, match="gave up: the server answers 401: no such compartment"):
        play(Playback(stub.url, "key", "normal", NOW), threading.Event(), lambda _: None)
    assert len(stub.bodies) == 1


def test_what_was_not_delivered_stays_in_a_given_spool_and_goes_first_the_next_time(
    stub: Stub, tmp_path: Path
) -> None:
    playback = Playback(stub.url, "key", "normal", datetime.now(UTC), speed=6e6, spool=tmp_path / "spool")
    stub.script = [(401, {})]
    with pytest.raises(GivenUpError):
        play(playback, threading.Event(), lambda _: None)
    first = stub.bodies[0]["samples"]
    stub.bodies.clear()
    count, _ = until_the_present(playback)
    assert count == 360 + len(first)
    assert [s for body in stub.bodies for s in body["samples"]][: len(first)] == first


def test_plays_sixty_days_up_to_the_present_and_never_past_it(stub: Stub) -> None:
    until = datetime.now(UTC)
    count, said = until_the_present(Playback(stub.url, "key", "developing-thermal", until, speed=6e6))
    assert count == 360
    times = [datetime.fromisoformat(s["taken_at"]) for body in stub.bodies for s in body["samples"]]
    assert len(times) == 360
    assert times == sorted(times)
    assert times[-1] <= until < times[-1] + timedelta(hours=4)
    assert times[0] > until - timedelta(days=60, minutes=1)
    assert any("already" not in line and "C2H4" in line for line in said)


def test_a_present_that_is_still_to_come_is_not_played(stub: Stub) -> None:
    """A wrong ``until`` must not make samples of the future."""
    until = datetime.now(UTC) + timedelta(days=2)
    until_the_present(Playback(stub.url, "key", "normal", until, speed=6e6))
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
