"""The states of a course, its gravities and its steps, each with the words for it."""

from collections.abc import Iterable
from enum import StrEnum
from typing import Final

from app.domain.findings import Course


class State(StrEnum):
    """Where a record has come to. ``HIGH`` is ours: gas above its norms of which no quiet year is on record yet."""

    QUIET = "quiet"
    HIGH = "high"
    RISING = "rising"
    CONFIRMED = "confirmed"
    ACCELERATING = "accelerating"
    STABLE_HIGH = "stable_high"
    FALLING = "falling"
    ENDED = "ended"
    FALLEN = "fallen"


class Step(StrEnum):
    """What changed with one sample."""

    EXTREME = "extreme"
    CONFIRMED = "confirmed"
    ACCELERATING = "accelerating"
    RATE_DOUBLED = "rate_doubled"
    OTHER_FAULT = "other_fault"
    TABLE_CROSSED = "table_crossed"
    TIME_QUARTERED = "time_quartered"
    RISING_BEGAN = "rising_began"
    FALLEN = "fallen"
    ENDED = "ended"
    EASED = "eased"


STATES: Final = tuple(State)
"""In the order of the numbers that the columns of the walk hold."""
STEPS: Final = tuple(Step)
"""In the order of the bits that the columns of the walk hold, and in which they are told."""
STEPS_DOWN: Final = frozenset({Step.FALLEN, Step.ENDED, Step.EASED})
STEPS_UP: Final = frozenset(STEPS) - STEPS_DOWN
ACTIVE: Final = frozenset({State.RISING, State.CONFIRMED, State.ACCELERATING})
"""In which gas is being made as far as is known."""

STATE_WORDS: Final = {
    State.QUIET: "quiet",
    State.HIGH: "high, whether it rises is not known yet",
    State.RISING: "rising",
    State.CONFIRMED: "confirmed active gassing",
    State.ACCELERATING: "gassing faster and faster",
    State.STABLE_HIGH: "stable at a high level",
    State.FALLING: "falling",
    State.ENDED: "gassing ended",
    State.FALLEN: "fallen, presumably degassed",
}
STATE_MEANING: Final = {
    State.QUIET: "no gas above its norms and no rise that is more than chance",
    State.HIGH: "gas above its norms; the record is too short or too restless to say whether it rises",
    State.RISING: "a trend over the whole baseline that is more than chance, in two samples in a row",
    State.CONFIRMED: "a change or rate above its norm that a further sample has shown again",
    State.ACCELERATING: "active gassing whose rate has at least doubled since it was confirmed",
    State.STABLE_HIGH: "gas above its norms that has not risen for a year or more",
    State.FALLING: "gas that has not risen for a year or more and grows less",
    State.ENDED: "gas was being made; none has been for a year or more",
    State.FALLEN: "the gas went down by more than measurement explains and nobody recorded why",
}
GRAVITY_WORDS: Final = {
    0: "quiet",
    1: "look again",
    2: "act in weeks",
    3: "act in days",
    4: "act at once",
}
STEP_WORDS: Final = {
    Step.EXTREME: "extreme result",
    Step.CONFIRMED: "gassing confirmed",
    Step.ACCELERATING: "gassing faster and faster",
    Step.RATE_DOUBLED: "rate doubled",
    Step.OTHER_FAULT: "other fault",
    Step.TABLE_CROSSED: "next limit crossed",
    Step.TIME_QUARTERED: "much less time to the next limit",
    Step.RISING_BEGAN: "rise found",
    Step.FALLEN: "gas fell, presumably degassed",
    Step.ENDED: "gassing ended",
    Step.EASED: "eased",
}
"""As in a subject line."""


def state_words(course: Course) -> str:
    """A state as a list shows it: ``stable at a high level since 2024-05-01``; of an on-line series with its day."""
    words = STATE_WORDS[State(course.state)]
    if course.since is not None and course.state != State.QUIET:
        state, comma, rest = words.partition(",")
        words = f"{state} since {course.since}{comma}{rest}"
    return words if course.as_of is None else f"{words} (on-line, up to {course.as_of})"


def graver(courses: Iterable[Course | None]) -> Course | None:
    """Of the courses of one unit, of its laboratories and of its instruments, the gravest; the first of equals."""
    return max((one for one in courses if one is not None), key=lambda one: one.gravity, default=None)
