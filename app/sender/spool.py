"""Samples on disk until the server has answered them: a queue that a kill or a power cut at any moment leaves whole.

A folder with append-only files of records (:mod:`~app.sender.records`), and a small file with the number up to which
all are answered. A file of which all is answered is removed. One process has the folder at a time.
"""

import fcntl
import os
import shutil
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Self

from app.sender import durable, segments
from app.sender.errors import SpoolBusyError, SpoolError, SpoolFullError
from app.sender.records import frame, unframe
from app.sender.rejected import REJECTED, Rejected, RejectedFile
from app.sender.segments import Say, Segment

MOST_BYTES: Final = 256 * 1024 * 1024
LARGEST_SEGMENT: Final = 1024 * 1024
LARGEST_KEPT: Final = 64 * 1024
"""A file of which all is answered is kept to be written to up to this size."""


@dataclass(frozen=True, slots=True)
class Record:
    """One sample that waits: its number, its JSON text, and where the next one begins."""

    number: int
    payload: bytes
    segment: Segment
    end: int


class Spool:
    """A queue on disk with one writer and one reader, which may be threads.

    The last room of a disk, as much as two of its files, is left free: what is rejected is put aside before its file
    can go, and a file that a failing disk has spoiled is written anew beside the old one.

    Args:
        folder: made when it is missing. It serves one instrument at one server.
        most_bytes: what may lie on disk, ``rejected.jsonl`` and ``damaged.bin`` included.
        say: told what was cut off or could not be read.

    Raises:
        SpoolBusyError: another process has the folder.
        SpoolError: it cannot be read or written.
    """

    def __init__(self, folder: Path, most_bytes: int = MOST_BYTES, say: Say = lambda _: None) -> None:
        self.folder = folder
        self._most_bytes = most_bytes
        self._changed = threading.Condition()
        self._writer: int | None = None
        with _own_errors(f"cannot open the spool {folder}"):
            folder.mkdir(parents=True, exist_ok=True)
            durable.sync_folder(folder.parent)
            self._segment_bytes = min(LARGEST_SEGMENT, most_bytes // 4, shutil.disk_usage(folder).total // 16)
            self._lock_file = _locked(folder)
            try:
                found = segments.recover(folder, say)
                self._rejected = RejectedFile(folder)
            except BaseException:
                os.close(self._lock_file)
                raise
        self.damaged = found.damaged
        """Whether records that may have been accepted could not be read."""
        self._segments = found.segments
        self._answered = found.answered
        self._next = max(found.last, self._rejected.last_number) + 1
        self._waiting = found.waiting
        self._offset = found.offset  # in the first segment: where the first record that waits begins

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Give the folder free. What waits stays."""
        with self._changed:
            self._close_writer()
            os.close(self._lock_file)

    @property
    def waiting(self) -> int:
        """How many records are not answered yet."""
        return self._waiting

    @property
    def used_bytes(self) -> int:
        """Bytes on disk, ``rejected.jsonl`` and ``damaged.bin`` included."""
        with self._changed:
            return sum(segment.size for segment in self._segments) + self._aside_bytes()

    def append(self, payloads: Sequence[bytes]) -> None:
        """Add samples, each one line of JSON. All of them are on disk when this returns, or none.

        Raises:
            SpoolFullError: no room, by ``most_bytes`` or on the disk.
            SpoolError: the disk fails.
        """
        with self._changed, _own_errors(f"cannot write to the spool {self.folder}"):
            content = b"".join(frame(self._next + i, payload) for i, payload in enumerate(payloads))
            self._refuse_full(len(content))
            segment, writer = self._segment_to_write()
            try:
                segment.size = durable.append(writer, content)
            except OSError:
                if os.fstat(writer).st_size != segment.size:  # parts of what failed are left there, for good
                    self._close_writer()
                    self._next += len(payloads)
                raise
            self._next += len(payloads)
            segment.last = self._next - 1
            self._waiting += len(payloads)
            self._changed.notify_all()

    def peek(self, most: int, most_bytes: int) -> list[Record]:
        """The oldest records that wait: at most so many and of so many bytes, at least one if there is one.

        Raises:
            SpoolError: the disk fails.
        """
        records: list[Record] = []
        size = 0
        with self._changed, _own_errors(f"cannot read the spool {self.folder}"):
            for record in self._read():
                size += len(record.payload)
                if records and (len(records) == most or size > most_bytes):
                    break
                records.append(record)
        return records

    def answered(self, records: Sequence[Record], rejected: Sequence[Rejected] = ()) -> None:
        """The server has answered the oldest records; those that it rejected are put aside first.

        Raises:
            SpoolError: what is rejected cannot be put aside; nothing counts as answered then.
        """
        text = f"cannot write to the spool {self.folder}"
        with self._changed, _own_errors(text):
            self._put_aside(rejected)
            newest = records[-1]
            self._answered = newest.number
            self._waiting -= len(records)
            self._offset = newest.end
            with suppress(SpoolFullError), _own_errors(text):
                segments.write_answered(self.folder, self._answered)
            self._remove_answered(newest.segment)  # makes room, and counts as an answer too
            self._changed.notify_all()

    def put_aside_input(self, rejected: Rejected) -> None:
        """Write a line of the input that is no sample into ``rejected.jsonl``.

        Raises:
            SpoolFullError: no room, by ``most_bytes`` or on the disk.
            SpoolError: the disk fails.
        """
        with self._changed:
            self._refuse_full(len(rejected.sample))
            self._put_aside([rejected])

    def _put_aside(self, rejected: Sequence[Rejected]) -> None:
        with _own_errors(f"cannot write to {self._rejected.path}"):
            self._rejected.add(rejected)

    def wait_for_change(self, seconds: float) -> None:
        """Until something was appended or answered, at most so long."""
        with self._changed:
            self._changed.wait(seconds)

    def _read(self) -> Iterator[Record]:
        offset = self._offset
        for segment in self._segments:
            with segment.path.open("rb") as file:
                file.seek(offset)
                while offset < segment.size:
                    line = file.readline()
                    offset += len(line)
                    found = unframe(line.removesuffix(b"\n"))
                    if found is None:
                        raise SpoolError(
                            f"{segment.path} was changed or the disk fails: start again to mend it"
                        )
                    yield Record(*found, segment, offset)
            offset = 0

    def _segment_to_write(self) -> tuple[Segment, int]:
        """The newest file, or a new one where that is large enough, and a descriptor to append to it."""
        newest = self._segments[-1] if self._segments else None
        if newest is not None and self._writer is not None and newest.size < self._segment_bytes:
            return newest, self._writer
        self._close_writer()
        path = self.folder / segments.name(self._next)
        writer = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
        try:
            durable.sync_folder(self.folder)
        except BaseException:
            os.close(writer)
            path.unlink()
            raise
        self._writer, segment = writer, Segment(path, 0, self._next - 1)
        self._segments.append(segment)
        return segment, writer

    def _remove_answered(self, reached: Segment) -> None:
        """Remove the files of which all is answered, up to the one that was reached.

        That one goes too when it is done; a small one that is still written to may stay, not to make a new file for
        each sample. A large one may not: on a disk that is full it takes the room that its successor needs.
        """
        kept_bytes = min(LARGEST_KEPT, self._segment_bytes)
        done = self._segments[: self._segments.index(reached)]
        if self._offset == reached.size and (reached is not self._segments[-1] or reached.size >= kept_bytes):
            if reached is self._segments[-1]:
                self._close_writer()
            done.append(reached)
            self._offset = 0
        for segment in done:
            segment.path.unlink(missing_ok=True)
        if done:
            del self._segments[: len(done)]
            durable.sync_folder(self.folder)

    def _close_writer(self) -> None:
        if self._writer is not None:
            os.close(self._writer)
            self._writer = None

    def _refuse_full(self, more: int) -> None:
        text = f"the spool {self.folder} is full: {self._waiting} samples wait"
        if self.used_bytes + more > self._most_bytes:
            text += f", {self._most_bytes} bytes are allowed"
            if (aside := self._aside_bytes()) > self._most_bytes // 2:
                text += f"; {aside} of them are {REJECTED} and {segments.DAMAGED}: look at them and move them away"
            raise SpoolFullError(text)
        free = shutil.disk_usage(self.folder).free
        if free < more + 2 * self._segment_bytes:
            raise SpoolFullError(f"{text}, {free} bytes are free on the disk")

    def _aside_bytes(self) -> int:
        return durable.size(self.folder / REJECTED) + durable.size(self.folder / segments.DAMAGED)


@contextmanager
def _own_errors(text: str) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        kind = SpoolFullError if error.errno in durable.DISK_FULL else SpoolError
        raise kind(f"{text}: {error.strerror}") from None


def _locked(folder: Path) -> int:
    """A descriptor that holds the folder for this process; the system lets go of it when the process ends."""
    descriptor = os.open(folder / "lock", os.O_RDWR | os.O_CREAT, 0o644)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(descriptor)
        raise SpoolBusyError(
            f"another process uses the spool {folder}; each needs a folder of its own"
        ) from None
    return descriptor
