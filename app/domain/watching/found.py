"""All that a look at an instrument's days found of the unit, and its stored form."""

from dataclasses import asdict, dataclass, replace
from datetime import datetime
from typing import Any, Self

from app.domain.findings import Course, Pace
from app.domain.judging.course.states import state_words
from app.domain.judging.frame import to_time
from app.domain.model import EventKind, ServiceEvent
from app.domain.watching.change import OnlineWatch, changed_words, look, online_watch, watching_words
from app.domain.watching.energy import GassingEvent, gassing_events
from app.domain.watching.online_course import Limits, online_course
from app.domain.watching.record import DayRecord


@dataclass(frozen=True, slots=True)
class FoundOnline:
    """The course of one on-line series, what its watch says, and its gassing events."""

    course: Course
    watch: OnlineWatch
    events: tuple[GassingEvent, ...] = ()

    @property
    def watching(self) -> str:
        """What the watch can see, in a sentence."""
        return watching_words(self.watch)

    @property
    def changed(self) -> str:
        """What stands out against its own record; empty for nothing."""
        return changed_words(self.watch)

    @property
    def state_words(self) -> str:
        """``rising since 2026-11-03``."""
        return state_words(self.course)

    def to_json(self) -> dict[str, Any]:
        """Plain JSON types."""
        return asdict(self)

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Self:
        """The inverse of :meth:`to_json`."""
        course = data["course"]
        pace = {gas: Pace(**one) for gas, one in course["pace"].items()}
        return cls(
            Course(**{**course, "pace": pace, "why": tuple(course["why"]), "steps": tuple(course["steps"])}),
            OnlineWatch.from_json(data["watch"]),
            tuple(GassingEvent(**one) for one in data["events"]),
        )


def find_online(record: DayRecord, limits: Limits, acts: list[ServiceEvent]) -> FoundOnline:
    """Look at a record.

    Args:
        acts: service events of the compartment up to now. One that restarts the baseline, and a review, ends a change
            at once, though the first whole day after it is yet to come.
    """
    looked = look(record)
    said = online_watch(looked)
    course = online_course(looked, said, limits)
    if said.severity and any(_ends(act, record) for act in acts):
        said = replace(said, severity=0, gases=(), jointly=False, began=None)
    return FoundOnline(course, said, gassing_events(looked))


def _ends(act: ServiceEvent, record: DayRecord) -> bool:
    last: datetime = to_time(float(record.first + len(record) - 1))
    return act.at >= last and (act.kind.restarts_baseline or act.kind is EventKind.REVIEW)
