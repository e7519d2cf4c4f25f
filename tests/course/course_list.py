"""All courses, in the order in which they are shown."""

from pathlib import Path
from typing import Final

import courses_events
import courses_oils
import courses_online
import courses_published
import courses_trend
from course_model import Course, Seen
from course_stage import play_on_copy

COURSES: Final[tuple[Course, ...]] = (
    *courses_trend.COURSES,
    *courses_events.COURSES,
    *courses_oils.COURSES,
    *courses_online.COURSES,
    *courses_published.COURSES,
)


def play_named(empty: Path, name: str) -> list[Seen]:
    """A course by its name, on a copy of a migrated SQLite file."""
    return play_on_copy(next(c for c in COURSES if c.name == name), empty)
