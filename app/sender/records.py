"""How one sample stands in the spool: a line of text with its number and a check sum.

``crc number sample``: eight hexadecimal digits of the CRC-32 of the rest, the record's number, and the sample as one
line of JSON. Text, so that a person can read what a gateway still holds.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final
from zlib import crc32

_FRAME: Final = re.compile(rb"([0-9a-f]{8}) ([1-9][0-9]{0,18}|0) (.*)", re.DOTALL)


def frame(number: int, payload: bytes) -> bytes:
    """The line of a record, with its end. ``payload`` holds no line feed."""
    body = b"%d %s" % (number, payload)
    return b"%08x %s\n" % (crc32(body), body)


def unframe(line: bytes) -> tuple[int, bytes] | None:
    """Number and payload of a line without its end; None when it is not what was written."""
    found = _FRAME.fullmatch(line)
    if found is None or int(found[1], 16) != crc32(line[9:]):
        return None
    return int(found[2]), found[3]


@dataclass(frozen=True, slots=True)
class Sifted:
    """What is good in a file of records, and what is not.

    Attributes:
        good: numbers and lines, the numbers rising.
        damaged: lines that cannot be read and have a good one behind them.
        missing: how many numbers are missing before the last good one and were not answered yet.
        tail: what follows the last good line.
    """

    good: tuple[tuple[int, bytes], ...]
    damaged: bytes
    missing: int
    tail: bytes


def sift(content: bytes, after: int, answered: int) -> Sifted:
    """Take every good line of a file of records.

    A power cut leaves any part of what was not yet on disk; a failing disk may spoil any line. Each line speaks for
    itself, so one bad line costs that line.

    Args:
        content: bytes of the file.
        after: number of the last record before this file.
        answered: records up to this number are not missed.
    """
    good: list[tuple[int, bytes]] = []
    damaged, pending, missing, last = b"", b"", 0, after
    for line in _lines(content):
        found = unframe(line[:-1]) if line.endswith(b"\n") else None
        if found is None or found[0] <= last:
            pending += line
            continue
        damaged, pending = damaged + pending, b""
        missing += max(0, found[0] - 1 - max(last, answered))
        last = found[0]
        good.append((last, line))
    return Sifted(tuple(good), damaged, missing, pending)


def _lines(content: bytes) -> Iterator[bytes]:
    start = 0
    while start < len(content):
        end = content.find(b"\n", start) + 1 or len(content)
        yield content[start:end]
        start = end
