"""Where the lines come from: standard input, a file, or a file that grows."""

import json
import os
import select
import stat
import threading
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Final
from zlib import crc32

from app.sender import durable
from app.sender.lines import MOST_LINE_BYTES, BadLineError, Line, Splitter, samples_of

BLOCK: Final = 64 * 1024
LOOK_EVERY_SECONDS: Final = 0.25
MARK: Final = "input.mark"
_FINGERPRINT_BYTES: Final = 256


@dataclass(frozen=True, slots=True)
class Mark:
    """How far a file that grows was read: its inode, the offset, and a check sum of what stands just before it."""

    inode: int
    offset: int
    before: int


@dataclass(frozen=True, slots=True)
class Chunk:
    """Lines that were read together, and how far that is in a file that grows."""

    lines: list[Line]
    mark: Mark | None = None


def from_pipe(descriptor: int, stop: threading.Event) -> Iterator[Chunk]:
    """Standard input, until it ends or ``stop`` is set."""
    splitter = Splitter()
    while not stop.is_set():
        if not select.select([descriptor], [], [], LOOK_EVERY_SECONDS)[0]:
            continue
        block = os.read(descriptor, BLOCK)
        if not block:
            yield Chunk(splitter.finish())
            return
        yield Chunk(splitter.feed(block))


def from_file(path: Path) -> Iterator[Chunk]:
    """A file as it is: lines, or one JSON body over several lines.

    Raises:
        OSError: it cannot be read.
    """
    with path.open("rb") as file:
        if (body := _whole_body(file.read(MOST_LINE_BYTES + 1))) is not None:
            yield Chunk([body])
            return
        file.seek(0)
        splitter = Splitter()
        while block := file.read(BLOCK):
            yield Chunk(splitter.feed(block))
        yield Chunk(splitter.finish())


def _whole_body(content: bytes) -> Line | None:
    """The content as one line, when its first line alone is no JSON and all of it together is."""
    first = Line(1, content.strip().partition(b"\n")[0])
    whole = Line(1, content)
    if len(content) > MOST_LINE_BYTES or _is_json(first) or not _is_json(whole):
        return None
    return whole


def _is_json(line: Line) -> bool:
    try:
        return bool(samples_of(line))
    except BadLineError:
        return False


def from_growing_file(path: Path, folder: Path, stop: threading.Event) -> Iterator[Chunk]:
    """A file that others append to, from where the last run had read it, until ``stop`` is set.

    A file that was renamed and begun anew (rotated) is read to its end first, also when that happened while nobody
    looked, as long as it still lies in the same folder.

    Args:
        path: the file; it may come later.
        folder: the spool's, where the mark is kept.

    Raises:
        OSError: it cannot be read.
    """
    mark = read_mark(folder)
    earlier = None if mark is None else _find(path, mark)
    descriptor = _open(earlier or path, stop)
    offset = mark.offset if mark is not None and earlier is not None else 0
    while descriptor is not None:
        try:
            yield from _grow(descriptor, offset, path, stop)
        finally:
            os.close(descriptor)
        offset = 0
        descriptor = _open(path, stop)


def _grow(descriptor: int, start: int, path: Path, stop: threading.Event) -> Iterator[Chunk]:
    """One file, until another stands in its place or it was emptied."""
    os.lseek(descriptor, start, os.SEEK_SET)
    splitter, gone = Splitter(), False
    while not stop.is_set():
        block = os.read(descriptor, BLOCK)
        if block:
            lines = splitter.feed(block)
            if lines:
                yield Chunk(lines, _mark(descriptor, start + splitter.consumed))
        elif gone:
            yield Chunk(splitter.finish())
            return
        else:
            gone = _is_replaced(descriptor, path)
            stop.wait(LOOK_EVERY_SECONDS)  # also when gone: who renamed it may be writing a last line


def _is_replaced(descriptor: int, path: Path) -> bool:
    try:
        there = path.stat()
    except FileNotFoundError:
        return False
    here = os.fstat(descriptor)
    return there.st_ino != here.st_ino or here.st_size < os.lseek(descriptor, 0, os.SEEK_CUR)


def _open(path: Path, stop: threading.Event) -> int | None:
    """A descriptor of the file, as soon as there is one."""
    while not stop.is_set():
        try:
            return os.open(path, os.O_RDONLY)
        except FileNotFoundError:
            stop.wait(LOOK_EVERY_SECONDS)
    return None


def read_mark(folder: Path) -> Mark | None:
    try:
        return Mark(**json.loads((folder / MARK).read_bytes()))
    except (FileNotFoundError, ValueError, TypeError):
        return None  # from the beginning: sending again does no harm


def write_mark(folder: Path, mark: Mark) -> None:
    durable.replace(folder / MARK, json.dumps(asdict(mark)).encode("ascii"))


def _mark(descriptor: int, offset: int) -> Mark:
    length = min(offset, _FINGERPRINT_BYTES)
    before = crc32(os.pread(descriptor, length, offset - length))
    return Mark(os.fstat(descriptor).st_ino, offset, before)


def _find(path: Path, mark: Mark) -> Path | None:
    """The file that was read last, under its own name or the one it was given since."""
    for candidate in (path, *sorted(path.parent.iterdir())):
        try:
            found = candidate.stat()
            if not stat.S_ISREG(found.st_mode) or found.st_ino != mark.inode or found.st_size < mark.offset:
                continue
            descriptor = os.open(candidate, os.O_RDONLY)
        except OSError:
            continue
        try:
            if _mark(descriptor, mark.offset) == mark:
                return candidate
        finally:
            os.close(descriptor)
    return None
