"""Posts what is in the spool, oldest first, until each sample is answered. Nothing newer goes before it is."""

import random
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from app.sender.answers import Later, Outcome, Taken, Unfit
from app.sender.errors import GivenUpError
from app.sender.pacing import Pacing, Uniform
from app.sender.rejected import Rejected
from app.sender.segments import Say
from app.sender.server import Server
from app.sender.spool import Record, Spool

MOST_SAMPLES: Final = 1000
MOST_BODY_BYTES: Final = 1024 * 1024
LEAST_BODY_BYTES: Final = 16 * 1024
SAY_EVERY_SECONDS: Final = 5.0


@dataclass(frozen=True, slots=True)
class Chance:
    """The clock and the dice, so that tests can hold them."""

    clock: Callable[[], float] = time.monotonic
    uniform: Uniform = random.uniform


class Sender:
    """Sends a spool to a server.

    Args:
        spool: what is sent.
        server: where to.
        pacing: how long to wait between attempts, and when to give up.
        say: told of troubles, of what is rejected, and now and then of progress.
        most: samples in one post.
    """

    def __init__(
        self,
        spool: Spool,
        server: Server,
        pacing: Pacing,
        say: Say,
        most: int = MOST_SAMPLES,
        chance: Chance = Chance(),
    ) -> None:
        self._spool = spool
        self._server = server
        self._pacing = pacing
        self._say = say
        self._most = most
        self._most_bytes = MOST_BODY_BYTES
        self._chance = chance
        self._said_at = chance.clock()
        self.results: Counter[str] = Counter()
        """How many samples got which answer."""

    def drain(self, stop: threading.Event) -> None:
        """Send until the spool is empty, or ``stop`` is set: then a post under way is finished and the rest stays.

        Raises:
            GivenUpError: see :class:`~app.sender.pacing.Pacing`; the spool keeps what was not answered.
            SpoolError: the disk fails or is full.
        """
        while not stop.is_set() and (records := self._spool.peek(self._most, self._most_bytes)):
            self._deliver(records, stop)
            self._say_progress()

    def _deliver(self, records: list[Record], stop: threading.Event) -> None:
        """Send one batch; refused as a whole it is halved until the samples to blame stand alone."""
        parts = [records]
        while parts and not stop.is_set():
            part = parts.pop()
            answer = self._answered(part, stop)
            if answer is None:
                return
            if isinstance(answer, Unfit):
                if len(part) > 1:
                    self._note_size(part, answer)
                    middle = len(part) // 2
                    parts += [part[middle:], part[:middle]]
                    continue
                answer = Taken((Outcome("rejected", "", answer.reason),))
            self._settle(part, answer)

    def _answered(self, part: Sequence[Record], stop: threading.Event) -> Taken | Unfit | None:
        """The server's answer, however long it takes; None when stopped while waiting."""
        begun, failures = self._chance.clock(), 0
        while True:
            answer = self._server.post([record.payload for record in part])
            if not isinstance(answer, Later):
                if failures:
                    self._say(f"the server answers again, at attempt {failures + 1}")
                return answer
            if stop.is_set():
                return None
            failures += 1
            seconds = self._pacing.wait(answer, failures, self._chance.uniform)
            self._give_up_if_due(answer, self._chance.clock() + seconds - begun)
            waiting = f"{self._spool.waiting} samples wait"
            self._say(f"{answer.reason}; {waiting}, next attempt in {seconds:.1f} s")
            if stop.wait(seconds):
                return None

    def _give_up_if_due(self, why: Later, seconds: float) -> None:
        pacing = self._pacing
        late = pacing.give_up_after is not None and seconds > pacing.give_up_after
        if late or (why.refused and pacing.give_up_when_refused):
            raise GivenUpError(
                f"gave up: {why.reason}; {self._spool.waiting} samples stay in {self._spool.folder}"
            )

    def _note_size(self, part: Sequence[Record], answer: Unfit) -> None:
        if answer.too_large:
            size = sum(len(record.payload) for record in part)
            self._most_bytes = max(LEAST_BODY_BYTES, min(self._most_bytes, size // 2))

    def _settle(self, part: Sequence[Record], answer: Taken) -> None:
        at = datetime.now(UTC).isoformat(timespec="seconds")
        rejected = [
            Rejected(
                at,
                record.number,
                None,
                outcome.field,
                outcome.reason,
                record.payload.decode("utf-8", "replace"),
            )
            for record, outcome in zip(part, answer.outcomes, strict=True)
            if outcome.result == "rejected"
        ]
        self._spool.answered(part, rejected)
        self.results.update(outcome.result for outcome in answer.outcomes)
        if rejected:
            first = rejected[0]
            where = f"{first.field}: " if first.field else ""
            self._say(f"{len(rejected)} of {len(part)} samples rejected; the first: {where}{first.reason}")

    def _say_progress(self) -> None:
        now = self._chance.clock()
        if now - self._said_at >= SAY_EVERY_SECONDS:
            self._said_at = now
            self._say(f"{self.summary()}; {self._spool.waiting} wait")

    def summary(self) -> str:
        """``1200 samples answered: 1198 stored, 2 already known``."""
        parts = ", ".join(
            f"{count} {result.replace('_', ' ')}" for result, count in self.results.most_common()
        )
        return f"{self.results.total()} samples answered{': ' if parts else ''}{parts}"
