"""Reading the input and sending it, side by side: what is accepted, what waits, and how it ends."""

import errno
import json
import threading
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pytest

from app.sender.input import Chunk, Mark
from app.sender.lines import Line
from app.sender.pacing import Pacing
from app.sender.run import Exit, Feeder, run
from app.sender.send import Sender
from app.sender.server import Server
from app.sender.spool import Spool


def line(i: int) -> Line:
    return Line(i + 1, b'{"taken_at":"2026-03-01T00:00:00Z","h2":%d}' % i)


def chunks(count: int, size: int = 10) -> list[Chunk]:
    return [
        Chunk([line(i) for i in range(start, min(start + size, count))]) for start in range(0, count, size)
    ]


@dataclass
class Rig:
    """A spool and a server that answers what ``answer`` says, by default that all is stored."""

    folder: Path
    stored: list[int] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    told: list[int] = field(default_factory=list)
    look: Callable[[int], None] = lambda _: None
    """Asked each time when lines were told as accepted."""
    stop: threading.Event = field(default_factory=threading.Event)
    pacing: Pacing = field(default_factory=lambda: Pacing(first=0.01, longest=0.01))
    open: threading.Event = field(default_factory=threading.Event)
    """Posts are answered with 503 until it is set."""
    refused: Callable[[], object] = lambda: None
    """Asked each time when a post was."""

    def tell(self, accepted: int) -> None:
        self.told.append(accepted)
        self.look(accepted)

    def answer(self, request: httpx.Request) -> httpx.Response:
        if not self.open.is_set():
            self.refused()
            return httpx.Response(503)
        samples: list[dict[str, Any]] = json.loads(request.content)["samples"]
        self.stored += [sample["h2"] for sample in samples]
        return httpx.Response(200, json={"outcomes": [{"result": "stored"}] * len(samples)})

    def run(
        self, given: Iterable[Chunk], *, most_bytes: int = 10**6, wait: bool = True, whole: bool = True
    ) -> Exit:
        transport = httpx.MockTransport(self.answer)
        with (
            Spool(self.folder, most_bytes) as spool,
            Server("http://server.test", lambda: "key", transport=transport) as server,
        ):
            feeder = Feeder(given, spool, self.said.append, wait, self.tell)
            sender = Sender(spool, server, self.pacing, self.said.append, most=20)
            return run(feeder, sender, self.stop, whole_input=whole)

    def waiting(self) -> int:
        with Spool(self.folder) as spool:
            return spool.waiting


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    made = Rig(tmp_path / "spool")
    yield made
    made.stop.set()


def test_all_of_the_input_is_accepted_and_delivered_in_order(rig: Rig) -> None:
    rig.open.set()
    assert rig.run(chunks(95)) is Exit.DELIVERED
    assert rig.stored == list(range(95))
    assert rig.told == [*range(10, 91, 10), 95]
    assert rig.said[-1] == f"95 samples answered: 95 stored; 95 lines read, 0 samples wait in {rig.folder}"


def test_input_is_accepted_while_the_server_is_away_and_delivered_when_it_is_back(rig: Rig) -> None:
    given = iter(chunks(30))

    def slowly() -> Iterator[Chunk]:
        yield from given
        assert rig.stored == []
        rig.open.set()

    assert rig.run(slowly()) is Exit.DELIVERED
    assert rig.stored == list(range(30))


def test_a_line_is_told_as_accepted_only_when_it_is_on_disk(rig: Rig) -> None:
    seen: list[tuple[int, int]] = []

    def look(accepted: int) -> None:
        on_disk = sum(path.read_bytes().count(b"\n") for path in rig.folder.glob("*.samples"))
        seen.append((accepted, on_disk))

    rig.look = look
    rig.pacing = Pacing(first=0.01, longest=0.01, give_up_after=0.0)
    rig.run(chunks(30))
    assert seen
    assert all(accepted == on_disk for accepted, on_disk in seen)


def test_a_full_spool_lets_the_input_wait_and_drops_nothing(rig: Rig) -> None:
    threading.Timer(0.4, rig.open.set).start()
    assert rig.run(chunks(2000), most_bytes=20_000) is Exit.DELIVERED
    assert rig.stored == list(range(2000))
    assert any("is full" in text and "the input waits" in text for text in rig.said)


def test_a_full_spool_can_be_an_error_instead(rig: Rig) -> None:
    rig.refused = lambda: (
        rig.stop.set() if not any(t.name == "input" for t in threading.enumerate()) else None
    )
    assert rig.run(chunks(2000), most_bytes=20_000, wait=False) is Exit.FAILED
    accepted = rig.told[-1]
    assert any(
        f"{accepted} lines of the input are accepted, nothing of what follows" in text for text in rig.said
    )
    assert rig.waiting() == accepted


def test_lines_that_are_no_samples_are_put_aside_and_the_rest_goes_on(rig: Rig) -> None:
    rig.open.set()
    bad = [Chunk([line(0), Line(2, b"no json"), Line(3, b""), line(3)])]
    assert rig.run(bad) is Exit.FAILED
    assert rig.stored == [0, 3]
    assert rig.told == [4]
    (entry,) = (json.loads(text) for text in (rig.folder / "rejected.jsonl").read_text().splitlines())
    assert (entry["line"], entry["number"], entry["sample"]) == (2, None, "no json")
    assert entry["reason"].startswith("the line is not JSON")
    assert any(text.startswith("line 2 is not JSON") for text in rig.said)


def test_an_input_that_fails_is_told_and_what_came_before_is_delivered(rig: Rig) -> None:
    rig.open.set()

    def failing() -> Iterator[Chunk]:
        yield from chunks(10)
        raise OSError(errno.EIO, "Input/output error")

    assert rig.run(failing()) is Exit.FAILED
    assert rig.stored == list(range(10))
    assert any("the input cannot be read: [Errno 5]" in text for text in rig.said)


def test_giving_up_ends_the_reading_too_and_keeps_what_was_accepted(rig: Rig) -> None:
    rig.pacing = Pacing(first=0.01, longest=0.01, give_up_after=0.1)

    def endless() -> Iterator[Chunk]:
        yield from chunks(50)
        while not rig.stop.wait(0.01):
            yield Chunk([])

    assert rig.run(endless(), whole=False) is Exit.FAILED
    assert any(text.startswith("gave up: the server answers 503") for text in rig.said)
    assert rig.waiting() == 50


@pytest.mark.parametrize(
    ("answering", "whole", "code"),
    [(True, True, Exit.STOPPED), (True, False, Exit.DELIVERED), (False, False, Exit.STOPPED)],
)
def test_stopping_is_no_failure_but_says_what_is_left(
    rig: Rig, answering: bool, whole: bool, code: Exit
) -> None:
    def stopping() -> Iterator[Chunk]:
        yield from chunks(20)
        while answering and len(rig.stored) < 20:
            rig.stop.wait(0.01)
        rig.stop.set()
        yield from chunks(20)

    if answering:
        rig.open.set()
    assert rig.run(stopping(), whole=whole) is code
    assert rig.waiting() == (0 if answering else 20)
    assert rig.stored == (list(range(20)) if answering else [])


def test_how_far_a_growing_file_was_read_is_kept_after_its_lines(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig.open.set()
    mark = Mark(7, 44, 1)
    rig.run([Chunk([line(0)], mark)])
    assert json.loads((rig.folder / "input.mark").read_text()) == {"inode": 7, "offset": 44, "before": 1}

    def no_space(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    rig.stop = threading.Event()
    monkeypatch.setattr("app.sender.run.write_mark", no_space)
    assert rig.run([Chunk([line(1)], Mark(7, 88, 1))]) is Exit.DELIVERED, (
        "read again after a restart, no harm"
    )


def test_damage_to_the_spool_fails_the_run_though_the_rest_is_delivered(rig: Rig) -> None:
    with Spool(rig.folder) as spool:
        spool.append([line(0).text, line(1).text, line(2).text])
    (path,) = rig.folder.glob("*.samples")
    path.write_bytes(path.read_bytes().replace(b'"h2":1}', b'"h2":7}'))
    rig.open.set()
    assert rig.run([]) is Exit.FAILED
    assert rig.stored == [0, 2]
    assert b'"h2":7}' in (rig.folder / "damaged.bin").read_bytes()
