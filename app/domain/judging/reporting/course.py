"""The course of one row, as an assessment carries it."""

from collections.abc import Mapping
from zoneinfo import ZoneInfo

import numpy as np

from app.domain.findings import Course, Pace, Trend
from app.domain.judging.course.sentences import gravity_sentence, held_sentence, state_sentence
from app.domain.judging.course.states import State
from app.domain.judging.engine import Judgement
from app.domain.judging.frame import to_time
from app.domain.judging.reporting.numbers import number


def course_of(judgement: Judgement, row: int, zone: ZoneInfo, trends: Mapping[str, Trend]) -> Course | None:
    """The course at a laboratory sample; None of an on-line reading, and where no level could be judged.

    A sample that has no status since a detection limit hides a gas has a course all the same: by the others.
    """
    courses = judgement.courses
    state = courses.state_of(row)
    known = judgement.levels.level[row].max() >= 0 or judgement.levels.blind[row].any()
    if state is None or not known:
        return None
    since = _day(courses.since[row], zone)
    last_sign = None if np.isnan(courses.last_sign[row]) else _day(courses.last_sign[row], zone)
    gravity, shown = int(courses.gravity[row]), int(courses.shown[row])
    unsettled = bool(judgement.changes.suspect[row])
    why = (
        state_sentence(state, since, last_sign, unsettled=unsettled),
        held_sentence(gravity, shown)
        if gravity > shown
        else gravity_sentence(gravity, courses.grounds_of(row)),
    )
    return Course(
        state=state.value,
        since=since,
        gravity=gravity,
        pace=_pace(trends),
        joint_p=number(judgement.trend_calls.joint_p[row], 5),
        why=why if gravity or state is not State.QUIET else why[:1],
        steps=tuple(step.value for step in courses.steps_of(row)),
    )


def _day(days: float, zone: ZoneInfo) -> str:
    return to_time(float(days)).astimezone(zone).date().isoformat()


def _pace(trends: Mapping[str, Trend]) -> dict[str, Pace]:
    """Gas by gas, the slope over the stretch that its trend belongs to."""
    return {gas: Pace(one.per_year, one.low, one.high, one.since) for gas, one in trends.items()}
