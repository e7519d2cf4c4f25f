"""`ullage simulate`: a simulated instrument posts over HTTP, faster than real time until it reaches the present.

It plays the last :data:`~app.demo.stories.LIVE_DAYS` days before its start and then goes on at the instrument's
own pace. No sample is ever posted before its time has come.
"""

import math
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from app.demo.climate import LOOKAHEAD_DAYS, STEP_HOURS
from app.demo.fleet import read_fleet
from app.demo.history import DEFAULT_SEED, Demo
from app.demo.poster import Poster, StoppedError
from app.demo.stories import LIVE_DAYS
from app.domain.model import Sample

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
SAY_EVERY: Final = 60
"""Progress is said after about so many samples (ten simulated days)."""

Say = Callable[[str], None]


class PlaybackError(ValueError):
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
    """

    url: str
    key: str
    story: str
    until: datetime
    speed: float = DEFAULT_SPEED
    seed: int = DEFAULT_SEED

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


def play(playback: Playback, stop: threading.Event, say: Say) -> int:
    """Play until stopped, or for a month past the present. Returns the number of samples posted.

    Raises:
        PostError: the server refused a batch or was out of reach for too long.
    """
    name = playback.instrument
    fast, slow = _samples(playback)
    poster = Poster(playback.url, playback.key, stop)
    posted = 0
    try:
        say(f"{name}: {len(fast)} samples of the last {LIVE_DAYS} days at {playback.speed:g} times real time")
        posted += _play_fast(playback, poster, fast, stop, say)
        if slow and not stop.is_set():
            say(f"{name}: has reached the present; goes on in real time, next sample at {_clock(slow[0])}")
        for sample in slow:
            while (wait := (sample.taken_at - datetime.now(UTC)).total_seconds()) > 0.0:
                if stop.wait(min(wait, 60.0)):
                    return posted
            poster.post([sample])
            posted += 1
            say(f"{name}: {_describe(sample)}")
    except StoppedError:
        pass
    finally:
        poster.close()
    return posted


def _samples(playback: Playback) -> tuple[list[Sample], list[Sample]]:
    """Samples to play fast and samples of the time to come."""
    fleet = read_fleet()
    demo = Demo(fleet.assets, fleet.service_events, playback.until, playback.seed)
    instrument = fleet.instrument(playback.instrument)
    samples = demo.online(instrument, -LIVE_DAYS, LOOKAHEAD_DAYS)
    present = datetime.now(UTC)
    fast = [s for s in samples if s.taken_at <= present]
    return fast, samples[len(fast) :]


def _play_fast(
    playback: Playback, poster: Poster, samples: Sequence[Sample], stop: threading.Event, say: Say
) -> int:
    name = playback.instrument
    size = max(1, round(playback.speed * SECONDS_BETWEEN_POSTS / (STEP_HOURS * 3600.0)))
    pause = size * STEP_HOURS * 3600.0 / playback.speed
    posted = 0
    begun = time.monotonic()
    for start in range(0, len(samples), size):
        batch = samples[start : start + size]
        result = poster.post(batch)
        if posted // SAY_EVERY != (posted + len(batch)) // SAY_EVERY or result.attempts > 1:
            again = f" after {result.attempts} attempts" if result.attempts > 1 else ""
            counts = ", ".join(f"{n} {r.replace('_', ' ')}" for r, n in result.results.items())
            say(f"{name}: {_describe(batch[-1])} ({counts}{again})")
        if result.refusal:
            say(f"{name}: {result.refusal}")
        posted += len(batch)
        due = begun + (start // size + 1) * pause
        if stop.wait(max(0.0, due - time.monotonic())):
            break
    return posted


def _describe(sample: Sample) -> str:
    shown = [
        f"{q.upper()} {sample.readings[q]}" for q in ("h2", "ch4", "c2h4", "c2h2") if q in sample.readings
    ]
    return f"{_clock(sample)}  {', '.join(shown)} µL/L"


def _clock(sample: Sample) -> str:
    return f"{sample.taken_at:%Y-%m-%d %H:%M} UTC"
