"""What is a line, what is a sample in it, and where lines come from."""

import json
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.sender import lines as limits
from app.sender.input import Chunk, from_file, from_growing_file, from_pipe, write_mark
from app.sender.lines import BadLineError, Line, Splitter, samples_of

ONE = b'{"taken_at": "2026-03-01T06:00:00Z", "h2": 41.20}'


@settings(deadline=None)
@given(st.lists(st.binary(max_size=20).map(lambda b: b.replace(b"\n", b"").replace(b"\r", b""))), st.data())
def test_blocks_are_cut_into_the_same_lines_wherever_they_begin(
    texts: list[bytes], data: st.DataObject
) -> None:
    content = b"\n".join(texts)
    splitter, found, rest = Splitter(), list[Line](), content
    while rest:
        size = data.draw(st.integers(1, len(rest)))
        found += splitter.feed(rest[:size])
        assert splitter.consumed == sum(len(line.text) + 1 for line in found)
        rest = rest[size:]
    found += splitter.finish()
    expected = texts[:-1] if texts and not texts[-1] else texts
    assert [line.text for line in found] == expected
    assert [line.number for line in found] == list(range(1, len(expected) + 1))
    assert splitter.consumed == len(content)


def test_a_line_without_an_end_takes_no_memory_and_the_next_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "MOST_LINE_BYTES", 100)
    splitter = Splitter()
    assert [splitter.feed(b"x" * 60) for _ in range(50)] == [[]] * 50
    assert len(splitter._rest) <= 102
    long, short = splitter.feed(b"\n" + ONE + b"\n")
    assert (long.too_long, short) == (True, Line(2, ONE))
    assert splitter.consumed == 3000 + 1 + len(ONE) + 1
    with pytest.raises(BadLineError, match="longer than 100 bytes"):
        samples_of(long)


def test_a_sample_stays_as_it_was_written() -> None:
    assert samples_of(Line(1, ONE + b"  ")) == [ONE]
    assert samples_of(Line(1, b"\xef\xbb\xbf" + ONE)) == [ONE]
    assert samples_of(Line(1, b"  ")) == []


def test_a_body_of_samples_is_taken_apart() -> None:
    body = json.dumps({"samples": [json.loads(ONE), {"h2": "<5", "remark": "ä\n"}]}, indent=2).encode()
    first, second = samples_of(Line(1, body))
    assert json.loads(first) == json.loads(ONE)
    assert json.loads(second) == {"h2": "<5", "remark": "ä\n"}
    assert b"\n" not in first + second
    assert samples_of(Line(1, b'{"samples": []}')) == []


def test_one_sample_over_several_lines_becomes_one_line() -> None:
    (found,) = samples_of(Line(1, json.dumps(json.loads(ONE), indent=1).encode()))
    assert b"\n" not in found
    assert json.loads(found) == json.loads(ONE)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (b"h2=41", "is not JSON: Expecting value"),
        (b'{"h2": 1', "is not JSON"),
        (b'{"h2": 1} {"h2": 2}', "is not JSON: Extra data"),
        (b'{"h2": NaN}', "NaN is no number in JSON"),
        (b'{"h2": -Infinity}', "-Infinity is no number"),
        (b'{"h2": 1, "h2": 2}', "the key 'h2' stands twice"),
        (b'{"samples": [{"h2": 1, "h2": 2}]}', "the key 'h2' stands twice"),
        (b'{"samples": [{"h2": 1e999}]}', "a number that is too large"),
        (b'{"samples": [1]}', "neither a sample nor a body"),
        (b'{"samples": {}}', "neither a sample nor a body"),
        (b'{"samples": [], "h2": 1}', "neither a sample nor a body"),
        (b"[1]", "is no object"),
        (b"7", "is no object"),
        (b'{"h2": "\xff"}', "is not UTF-8 text (byte 9)"),
        (b'{"a":' * 100_000, "is nested too deep"),
        (b'{"h2": ' + b"1" * 5000 + b"}", "is not JSON"),
        (b'{"remark": "' + b"x" * 70_000 + b'"}', "a sample of 70014 bytes"),
    ],
)
def test_a_line_that_is_no_sample_says_why(text: bytes, told: str) -> None:
    with pytest.raises(BadLineError) as caught:
        samples_of(Line(1, text))
    assert told in str(caught.value)


@settings(deadline=None)
@given(st.binary(max_size=60))
def test_any_bytes_are_a_sample_or_told(text: bytes) -> None:
    try:
        samples = samples_of(Line(1, text.replace(b"\n", b"")))
    except BadLineError:
        return
    assert all(isinstance(json.loads(s), dict) and b"\n" not in s for s in samples)


# --- files and pipes ---------------------------------------------------------------------------------------


def texts(chunks: Iterator[Chunk]) -> list[bytes]:
    return [line.text for chunk in chunks for line in chunk.lines]


def test_a_file_of_lines_is_read_with_its_last_line(tmp_path: Path) -> None:
    path = tmp_path / "samples.jsonl"
    path.write_bytes(b"\n".join([ONE] * 5000))
    assert texts(from_file(path)) == [ONE] * 5000


def test_a_file_that_is_one_body_is_one_line(tmp_path: Path) -> None:
    path = tmp_path / "body.json"
    path.write_text(json.dumps({"samples": [json.loads(ONE)] * 3}, indent=2))
    assert texts(from_file(path)) == [path.read_bytes()]
    path.write_bytes(b'{"h2": 1\n' + ONE)  # a bad first line spoils no other
    assert texts(from_file(path)) == [b'{"h2": 1', ONE]


def test_a_pipe_is_read_as_it_comes_and_to_its_end() -> None:
    reading, writing = os.pipe()
    chunks = from_pipe(reading, threading.Event())
    os.write(writing, ONE + b"\n" + ONE[:10])
    assert [line.text for line in next(chunks).lines] == [ONE]
    os.write(writing, ONE[10:])
    os.close(writing)
    assert texts(chunks) == [ONE]
    os.close(reading)


def test_stopping_ends_the_wait_for_a_pipe() -> None:
    reading, writing = os.pipe()
    stop = threading.Event()
    timer = threading.Timer(0.1, stop.set)
    timer.start()
    assert texts(from_pipe(reading, stop)) == []
    timer.join()
    os.close(reading)
    os.close(writing)


class Reader:
    """Reads a growing file in a thread, and keeps its mark as the feeder does."""

    def __init__(self, path: Path, folder: Path) -> None:
        self.lines: list[bytes] = []
        self._stop = threading.Event()
        self._path, self._folder = path, folder
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        for chunk in from_growing_file(self._path, self._folder, self._stop):
            self.lines += [line.text for line in chunk.lines]
            if chunk.mark is not None:
                write_mark(self._folder, chunk.mark)

    def until(self, *wanted: bytes) -> None:
        deadline = time.monotonic() + 30
        while self.lines != list(wanted) and time.monotonic() < deadline:
            time.sleep(0.01)
        assert self.lines == list(wanted)

    def end(self) -> None:
        self._stop.set()
        self._thread.join()


def test_a_growing_file_is_followed_through_its_rotation_and_a_restart(tmp_path: Path) -> None:
    path = tmp_path / "log" / "samples.jsonl"
    path.parent.mkdir()
    reader = Reader(path, tmp_path)
    path.write_bytes(b"a\nb\nhal")
    reader.until(b"a", b"b")
    with path.open("ab") as out:
        out.write(b"f\n")
    reader.until(b"a", b"b", b"half")
    path.rename(path.with_suffix(".1"))
    path.write_bytes(b"c\n")
    reader.until(b"a", b"b", b"half", b"c")
    reader.end()
    with path.open("ab") as out:
        out.write(b"d\n")
    path.rename(path.with_suffix(".2"))  # rotated while nobody looked
    path.write_bytes(b"e\n")
    reader = Reader(path, tmp_path)
    reader.until(b"d", b"e")
    reader.end()
    reader = Reader(path, tmp_path)
    with path.open("ab") as out:
        out.write(b"f\n")
    reader.until(b"f")
    reader.end()


def test_a_file_that_was_emptied_or_written_anew_is_read_from_its_beginning(tmp_path: Path) -> None:
    path = tmp_path / "samples.jsonl"
    path.write_bytes(b"a\nb\n")
    reader = Reader(path, tmp_path)
    reader.until(b"a", b"b")
    os.truncate(path, 0)
    with path.open("ab") as out:
        out.write(b"c\n")
    reader.until(b"a", b"b", b"c")
    reader.end()
    path.write_bytes(b"x\ny\nz\n")  # the same inode, other lines
    reader = Reader(path, tmp_path)
    reader.until(b"x", b"y", b"z")
    reader.end()


@pytest.mark.parametrize("mark", ["", "[]", "{}", '{"inode": 1}', '{"inode": 1, "offset": 2, "before": 3}'])
def test_a_mark_that_fits_nothing_means_the_beginning(tmp_path: Path, mark: str) -> None:
    path = tmp_path / "samples.jsonl"
    path.write_bytes(b"a\n")
    (tmp_path / "input.mark").write_text(mark)
    reader = Reader(path, tmp_path)
    reader.until(b"a")
    reader.end()
