"""When the worker's duties are due. A clock that was set back makes them due at once, and not in hours."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta


@dataclass(frozen=True, slots=True)
class Duty:
    """One thing to do again and again. ``work`` gets the time and says how much it did; None: not worth a word."""

    name: str
    every: timedelta
    work: Callable[[datetime], int | None]


class Schedule:
    """Hands out one duty at a time, that which has been due the longest first."""

    def __init__(self, duties: Sequence[Duty]) -> None:
        self._duties = tuple(duties)
        self._begun: dict[str, datetime] = {}

    def take(self, now: datetime) -> Duty | None:
        """A duty that is due, noted as begun at ``now``; None when none is. It counts as done however it ends."""
        due = [(self._lateness(duty, now), -i, duty) for i, duty in enumerate(self._duties)]
        lateness, _, duty = max(due, key=lambda one: one[:2])
        if lateness < timedelta(0):
            return None
        self._begun[duty.name] = now
        return duty

    def put_back(self, duty: Duty) -> None:
        """It could not be done: it is due at once."""
        self._begun.pop(duty.name, None)

    def _lateness(self, duty: Duty, now: datetime) -> timedelta:
        begun = self._begun.get(duty.name)
        if begun is None or now < begun:
            return timedelta.max
        return now - begun - duty.every
