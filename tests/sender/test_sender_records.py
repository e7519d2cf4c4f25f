"""Records in the spool's files: what was written is read, and nothing else."""

import gzip

from hypothesis import given, settings
from hypothesis import strategies as st

from app.sender.records import frame, sift, unframe

PAYLOADS = st.lists(st.binary(max_size=40).map(lambda b: b.replace(b"\n", b"")), min_size=1, max_size=12)


def file_of(payloads: list[bytes], first: int = 1) -> tuple[list[tuple[int, bytes]], bytes]:
    lines = [(first + i, frame(first + i, payload)) for i, payload in enumerate(payloads)]
    return lines, b"".join(line for _, line in lines)


@settings(deadline=None)
@given(st.integers(0, 10**18), st.binary().filter(lambda b: b"\n" not in b))
def test_a_record_is_read_as_it_was_written(number: int, payload: bytes) -> None:
    line = frame(number, payload)
    assert line.endswith(b"\n")
    assert unframe(line[:-1]) == (number, payload)


def test_the_check_sum_is_that_of_gzip() -> None:
    """RFC 1952, 2.3.1: a gzip file ends in the CRC-32 of its content and its length, little endian."""
    line = frame(7, b'{"h2":1}')
    assert line == b'b624bdf6 7 {"h2":1}\n'
    assert gzip.compress(b'7 {"h2":1}')[-8:-4] == bytes.fromhex("b624bdf6")[::-1]


@settings(deadline=None)
@given(PAYLOADS, st.data())
def test_a_file_cut_anywhere_gives_its_whole_lines(payloads: list[bytes], data: st.DataObject) -> None:
    lines, content = file_of(payloads)
    cut = data.draw(st.integers(0, len(content)))
    found = sift(content[:cut], 0, 0)
    whole = [line for line in lines if sum(len(text) for number, text in lines if number <= line[0]) <= cut]
    assert list(found.good) == whole
    assert found.damaged == b""
    assert b"".join(text for _, text in found.good) + found.tail == content[:cut]


@settings(deadline=None)
@given(PAYLOADS, st.data())
def test_spoiled_bytes_cost_only_the_lines_they_hit(payloads: list[bytes], data: st.DataObject) -> None:
    lines, content = file_of(payloads)
    start = data.draw(st.integers(0, len(content) - 1))
    noise = data.draw(st.binary(min_size=1, max_size=len(content) - start))
    spoiled = content[:start] + noise + content[start + len(noise) :]
    found = sift(spoiled, 0, 0)
    offsets = [sum(len(text) for _, text in lines[:i]) for i in range(len(lines))]
    untouched = [
        line
        for line, offset in zip(lines, offsets, strict=True)
        if offset + len(line[1]) <= start or offset > start + len(noise)
    ]
    assert set(untouched) <= set(found.good)
    assert set(found.good) <= set(lines), "nothing is invented"
    assert list(found.good) == sorted(found.good)


def test_missing_numbers_count_only_when_they_were_not_answered() -> None:
    _, content = file_of([b"a", b"b", b"c", b"d", b"e"])
    lines = content.splitlines(keepends=True)
    spoiled = lines[0] + b"garbage\n" + lines[2] + b"more garbage\n" + lines[4]
    assert sift(spoiled, 0, 0).missing == 2
    assert sift(spoiled, 0, 2).missing == 1
    assert sift(spoiled, 0, 4).missing == 0
    assert sift(spoiled, 0, 0).damaged == b"garbage\nmore garbage\n"


def test_an_old_line_in_a_new_place_is_no_record() -> None:
    """A disk may give back an old block: its lines are whole, but their numbers are behind."""
    lines, content = file_of([b"a", b"b", b"c"])
    found = sift(content + lines[1][1], 0, 0)
    assert list(found.good) == lines
    assert found.tail == lines[1][1]
