"""``ullage send``: one thread reads the input into the spool, another sends the spool to the server."""

import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import IntEnum
from functools import partial
from typing import Final

from app.sender import durable
from app.sender.errors import GivenUpError, SenderError, SpoolError, SpoolFullError
from app.sender.input import Chunk, write_mark
from app.sender.lines import BadLineError, Line, samples_of, shown
from app.sender.rejected import Rejected
from app.sender.segments import Say
from app.sender.send import Sender
from app.sender.spool import Spool

PART_BYTES: Final = 64 * 1024
"""So much goes into the spool at a time."""
LOOK_EVERY_SECONDS: Final = 0.25


class Exit(IntEnum):
    """Exit codes of ``ullage send`` (2 is for words that are wrong)."""

    DELIVERED = 0
    FAILED = 1
    """Something was rejected, given up, or could not be read or written."""
    STOPPED = 3
    """It was told to stop; the spool keeps what is not delivered."""


@dataclass
class Feeder:
    """Reads lines into the spool.

    Attributes:
        chunks: the input.
        wait_when_full: let the input wait for room in the spool; otherwise no room is an error.
        tell_accepted: told how many lines are accepted, each time after they are on disk.
        accepted, unreadable: numbers of lines.
        ended: whether the input was read to its end.
        done: whether nothing more will come.
        error: why reading ended early.
    """

    chunks: Iterable[Chunk]
    spool: Spool
    say: Say
    wait_when_full: bool = True
    tell_accepted: Callable[[int], None] = lambda _: None
    accepted: int = 0
    unreadable: int = 0
    ended: bool = False
    done: bool = False
    error: str = ""

    def run(self, stop: threading.Event) -> None:
        """Read until the input ends or ``stop`` is set."""
        told = "lines of the input are accepted, nothing of what follows them"
        try:
            self.ended = all(self._accept(chunk, stop) for chunk in self.chunks) and not stop.is_set()
        except SenderError as error:
            self.error = f"{error}; {self.accepted} {told}"
        except OSError as error:
            self.error = f"the input cannot be read: {error}; {self.accepted} {told}"
        finally:
            self.done = True

    def _accept(self, chunk: Chunk, stop: threading.Event) -> bool:
        """Put a chunk on disk: samples into the spool, what is none beside it. False when stopped before."""
        samples: list[bytes] = []
        for line in chunk.lines:
            try:
                samples += samples_of(line)
            except BadLineError as error:
                if not self._store(partial(self.spool.put_aside_input, _refused(line, error)), stop):
                    return False
                self.unreadable += 1
                self.say(f"line {line.number} {error}; it is kept in {self.spool.folder / 'rejected.jsonl'}")
        for part in _parts(samples):
            if not self._store(partial(self.spool.append, part), stop):
                return False
        self.accepted += len(chunk.lines)
        if chunk.mark is not None:
            try:
                write_mark(self.spool.folder, chunk.mark)
            except OSError as error:  # these lines would be read and sent again, which does no harm
                if error.errno not in durable.DISK_FULL:
                    raise
        self.tell_accepted(self.accepted)
        return True

    def _store(self, store: Callable[[], None], stop: threading.Event) -> bool:
        """Store now, or when there is room. False when stopped before."""
        said = False
        while not stop.is_set():
            try:
                store()
            except SpoolFullError as error:
                if not self.wait_when_full:
                    raise
                if not said:
                    self.say(f"{error}; the input waits until the server has taken some")
                    said = True
                self.spool.wait_for_change(LOOK_EVERY_SECONDS)
            else:
                return True
        return False


def run(feeder: Feeder, sender: Sender, stop: threading.Event, *, whole_input: bool) -> Exit:
    """Send until the input has ended and all of it is answered, or ``stop`` is set.

    Args:
        feeder: reads the input, in a thread of its own.
        sender: sends, in this thread.
        stop: set it to end: a post under way is finished, the spool keeps the rest.
        whole_input: whether stopping before the end of the input leaves something undone (a file, not a pipe).
    """
    say, spool = feeder.say, feeder.spool
    thread = threading.Thread(target=feeder.run, args=(stop,), name="input")
    thread.start()
    failed = spool.damaged
    try:
        while not stop.is_set():
            nothing_follows = (
                feeder.done
            )  # asked before the spool is looked at, or its last lines might be missed
            sender.drain(stop)
            if nothing_follows:
                break
            if not spool.waiting:
                spool.wait_for_change(LOOK_EVERY_SECONDS)
    except (GivenUpError, SpoolError) as error:
        say(str(error))
        failed = True
    finally:
        stop.set()
        thread.join()
    if feeder.error:
        say(feeder.error)
    say(f"{sender.summary()}; {feeder.accepted} lines read, {spool.waiting} samples wait in {spool.folder}")
    if failed or feeder.error or feeder.unreadable or sender.results["rejected"]:
        return Exit.FAILED
    if spool.waiting or (whole_input and not feeder.ended):
        return Exit.STOPPED
    return Exit.DELIVERED


def _parts(samples: Sequence[bytes]) -> Iterator[list[bytes]]:
    """The samples in pieces of about :data:`PART_BYTES`."""
    part: list[bytes] = []
    size = 0
    for sample in samples:
        if part and size + len(sample) > PART_BYTES:
            yield part
            part, size = [], 0
        part.append(sample)
        size += len(sample)
    if part:
        yield part


def _refused(line: Line, why: BadLineError) -> Rejected:
    at = datetime.now(UTC).isoformat(timespec="seconds")
    return Rejected(at, None, line.number, "", f"the line {why}", shown(line))
