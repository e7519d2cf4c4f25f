"""`ullage simulate`: a simulated instrument posts over HTTP, faster than real time until it reaches the present.

It plays the last :data:`~app.demo.stories.LIVE_DAYS` days before its start and then goes on at the instrument's
own pace. No sample is ever posted before its time has come. Samples go through a spool, like those of a gateway.
"""

import json
import math
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from app.demo.climate import LOOKAHEAD_DAYS, STEP_HOURS
from app.demo.fleet import read_fleet
from app.demo.history import DEFAULT_SEED, Demo
from app.demo.stories import LIVE_DAYS
from app.domain.model import Sample
from app.errors import GivenError
from app.sender.pacing import Pacing
from app.sender.send import Sender
from app.sender.server import Server
from app.sender.spool import Spool

STORIES: Final = {
    "developing-thermal": "QUE-T1-M",
    "normal": "QUE-T2-M",
    "normal-five-gas": "ZEP-T2-M",
    "normal-hydrogen": "OST-T1-M",
}
"""The instrument of the demo fleet whose numbers each story plays."""

DEFAULT_SPEED: Final = 57_600.0
"""Simulated seconds per second: sixty days in a minute and a half."""
SECONDS_BETWEEN_POSTS: Final = 1.0
PACING: Final = Pacing(first=0.5, longest=30.0, give_up_after=600.0, give_up_when_refused=True)
"""Somebody is looking: a wrong key is told at once, and a server that is gone is not waited for all night."""
SAY_EVERY: Final = 60
"""Progress is said after about so many samples (ten simulated days)."""

Say = Callable[[str], None]


class PlaybackError(GivenError, ValueError):
    """What is to be played cannot be; the text says why and what can."""


@dataclass(frozen=True)
class Playback:
    """What to play and to whom.

    Attributes:
        url: address of the server.
        key: the instrument's key.
        story: a key of :data:`STORIES`, or the code of the instrument itself.
        until: end of the record, normally now; the sixty days before it are played, and what follows it.
        speed: simulated seconds per second while the samples lie in the past.
        seed: the demo's seed.
        spool: folder of what is not delivered yet; a temporary one when None.
    """

    url: str
    key: str
    story: str
    until: datetime
    speed: float = DEFAULT_SPEED
    seed: int = DEFAULT_SEED
    spool: Path | None = None

    def __post_init__(self) -> None:
        if self.story not in STORIES and self.story not in STORIES.values():
            known = ", ".join((*STORIES, *STORIES.values()))
            raise PlaybackError(f"story {self.story!r} is unknown; there are {known}")
        if not 0.0 < self.speed < math.inf:
            raise PlaybackError(
                f"speed must be a number above 0, e.g. {DEFAULT_SPEED:g}; it is {self.speed:g}"
            )

    @property
    def instrument(self) -> str:
        """Code of the instrument of the demo fleet that is played."""
        return STORIES.get(self.story, self.story)


@dataclass
class _Instrument:
    """The simulated instrument: a spool, and what sends it."""

    spool: Spool
    sender: Sender
    stop: threading.Event

    @property
    def answered(self) -> int:
        return self.sender.results.total()

    def post(self, samples: Sequence[Sample]) -> str:
        """Send samples and wait for the answer, or for ``stop``. Returns what became of them."""
        before = self.sender.results.copy()
        self.spool.append([json.dumps(as_json(sample)).encode("ascii") for sample in samples])
        self.sender.drain(self.stop)
        return ", ".join(f"{n} {r.replace('_', ' ')}" for r, n in (self.sender.results - before).items())


def play(playback: Playback, stop: threading.Event, say: Say) -> int:
    """Play until stopped, or for a month past the present. Returns the number of samples that were answered.

    Raises:
        SenderError: the server refused the key or was out of reach for too long, or the spool cannot be used.
    """
    with (
        tempfile.TemporaryDirectory(prefix="ullage-spool-") as temporary,
        Spool(playback.spool or Path(temporary), say=say) as spool,
        Server(playback.url, lambda: playback.key) as server,
    ):
        name = playback.instrument
        instrument = _Instrument(
            spool, Sender(spool, server, PACING, lambda line: say(f"{name}: {line}")), stop
        )
        _play(playback, instrument, say)
        return instrument.answered


def _play(playback: Playback, instrument: _Instrument, say: Say) -> None:
    name, stop = playback.instrument, instrument.stop
    fast, slow = _samples(playback)
    say(f"{name}: {len(fast)} samples of the last {LIVE_DAYS} days at {playback.speed:g} times real time")
    _play_fast(playback, instrument, fast, say)
    if slow and not stop.is_set():
        say(f"{name}: has reached the present; goes on in real time, next sample at {_clock(slow[0])}")
    for sample in slow:
        while (wait := (sample.taken_at - datetime.now(UTC)).total_seconds()) > 0.0:
            if stop.wait(min(wait, 60.0)):
                return
        if stop.is_set():
            return
        say(f"{name}: {_describe(sample)} ({instrument.post([sample])})")


def _samples(playback: Playback) -> tuple[list[Sample], list[Sample]]:
    """Samples to play fast and samples of the time to come."""
    fleet = read_fleet()
    demo = Demo(fleet.assets, fleet.service_events, playback.until, playback.seed)
    instrument = fleet.instrument(playback.instrument)
    samples = demo.online(instrument, -LIVE_DAYS, LOOKAHEAD_DAYS)
    present = datetime.now(UTC)
    fast = [s for s in samples if s.taken_at <= present]
    return fast, samples[len(fast) :]


def _play_fast(playback: Playback, instrument: _Instrument, samples: Sequence[Sample], say: Say) -> None:
    size = max(1, round(playback.speed * SECONDS_BETWEEN_POSTS / (STEP_HOURS * 3600.0)))
    pause = size * STEP_HOURS * 3600.0 / playback.speed
    begun = time.monotonic()
    for start in range(0, len(samples), size):
        batch = samples[start : start + size]
        became = instrument.post(batch)
        if instrument.stop.is_set():
            break
        if start // SAY_EVERY != (start + len(batch)) // SAY_EVERY:
            say(f"{playback.instrument}: {_describe(batch[-1])} ({became})")
        due = begun + (start // size + 1) * pause
        if instrument.stop.wait(max(0.0, due - time.monotonic())):
            break


def as_json(sample: Sample) -> dict[str, str | float]:
    """One sample as the HTTP interface takes it: the server knows the compartment from the key."""
    readings = {
        name: reading.value if reading.value is not None else f"<{reading.number:g}"
        for name, reading in sample.readings.items()
    }
    return {"taken_at": sample.taken_at.astimezone(UTC).isoformat().replace("+00:00", "Z"), **readings}


def _describe(sample: Sample) -> str:
    shown = [
        f"{q.upper()} {sample.readings[q]}" for q in ("h2", "ch4", "c2h4", "c2h2") if q in sample.readings
    ]
    return f"{_clock(sample)}  {', '.join(shown)} µL/L"


def _clock(sample: Sample) -> str:
    return f"{sample.taken_at:%Y-%m-%d %H:%M} UTC"
