"""The rule of the course: every laboratory series walked through sample by sample."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from app.domain.judging.course.record import Ground, Told
from app.domain.judging.course.signs import Given, signs_of
from app.domain.judging.course.states import STATES, STEPS, State, Step
from app.domain.judging.course.unit import Unit
from app.domain.judging.frame import Bools, Floats, SampleFrame
from app.domain.judging.rules.change import Changes
from app.domain.judging.rules.increments import Increments
from app.domain.judging.rules.levels import Levels
from app.domain.judging.rules.patterns import Patterns
from app.domain.judging.rules.quality import Quality
from app.domain.judging.rules.rule import Rule
from app.domain.judging.rules.trend_calls import TrendCalls

Small = NDArray[np.int8]
Bits = NDArray[np.int64]
GROUNDS: Final = tuple(Ground)
NONE: Final = -1


@dataclass(frozen=True)
class Courses:
    """Columns (n,) made by :func:`walk_courses`; times in days since 1970-01-01 UTC.

    Attributes:
        state: index into :data:`.states.STATES`; -1 where none is told: on-line rows, and before a sample of the
            baseline could be judged.
        since: from when it holds.
        gravity: 0 quiet, 1 look again, 2 act in weeks, 3 act in days, 4 act at once.
        shown: the gravity that the sample shows by itself; below ``gravity`` where that is held.
        stretch: when the stretch began that the pace belongs to. last_sign: of the newest sign of gassing, or NaN.
        steps, grounds: a bit each of :data:`.states.STEPS` and :data:`GROUNDS`.
    """

    state: Small
    since: Floats
    gravity: Small
    shown: Small
    stretch: Floats
    last_sign: Floats
    steps: Bits
    grounds: Bits

    def state_of(self, row: int) -> State | None:
        return None if self.state[row] == NONE else STATES[self.state[row]]

    def steps_of(self, row: int) -> tuple[Step, ...]:
        bits = self.steps.item(row)
        return tuple(step for n, step in enumerate(STEPS) if bits >> n & 1) if bits else ()

    def grounds_of(self, row: int) -> tuple[Ground, ...]:
        bits = self.grounds.item(row)
        return tuple(ground for n, ground in enumerate(GROUNDS) if bits >> n & 1) if bits else ()


def walk_courses(given: Given) -> Courses:
    """The course at every sample, from it and the samples before it in its baseline."""
    frame = given.frame
    n = len(frame)
    out = Courses(
        state=np.full(n, NONE, dtype=np.int8),
        since=np.full(n, np.nan),
        gravity=np.zeros(n, dtype=np.int8),
        shown=np.zeros(n, dtype=np.int8),
        stretch=np.full(n, np.nan),
        last_sign=np.full(n, np.nan),
        steps=np.zeros(n, dtype=np.int64),
        grounds=np.zeros(n, dtype=np.int64),
    )
    starts = frame.starts()
    if not starts.size or frame.online.all():
        return out
    signs = signs_of(given)
    for start, end in zip(starts, np.r_[starts[1:], n], strict=True):
        if frame.online[start]:
            continue
        unit = Unit(signs)
        for row in range(start, end):
            told = unit.see(row)
            if told is not None:
                _put(out, row, told)
    return out


def _put(out: Courses, row: int, told: Told) -> None:
    out.state[row], out.since[row] = STATES.index(told.state), told.since
    out.gravity[row], out.shown[row] = told.gravity, told.shown
    out.stretch[row], out.last_sign[row] = told.stretch, told.last_sign
    out.steps[row] = sum(1 << STEPS.index(step) for step in told.steps)
    out.grounds[row] = sum(1 << GROUNDS.index(ground) for ground in told.grounds)


def judge_courses(
    frame: SampleFrame,
    levels: Levels,
    changes: Changes,
    extremes: Bools,
    quality: Quality,
    patterns: Patterns,
    increments: Increments,
    trend_calls: TrendCalls,
) -> Courses:
    """The rule, by the columns it needs: :func:`walk_courses`."""
    given = Given(frame, levels, changes, extremes, quality, patterns, increments, trend_calls)
    return walk_courses(given)


COURSES: Final = Rule(
    judge_courses,
    ("frame", "levels", "changes", "extremes", "quality", "patterns", "increments", "trend_calls"),
)
