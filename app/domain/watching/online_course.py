"""The course of an on-line series: where the daily medians of its whole baseline have come to."""

import itertools
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

import numpy as np

from app.domain.findings import Course, Pace
from app.domain.judging.course.sentences import online_sentence
from app.domain.judging.course.states import State
from app.domain.judging.frame import Floats
from app.domain.watching.change import (
    CHANGED,
    FAST,
    Looked,
    OnlineWatch,
    blind_words,
    changed_words,
    medians,
    running_medians,
)
from app.domain.watching.record import DayRecord, day_of, number_of
from app.science.sequential.slope import slope_test
from app.science.trends.trend import theil_sen

MONTH: Final = 30
YEAR: Final = 365
JOINT_P: Final = 0.0021
GAS_P: Final = 0.00026
"""Levels at which a look every month calls a rise when two in a row reach them: 0.072 L^-0.74 and 0.023 L^-0.94 with
L = 117 looks in ten years (ours, simulated)."""
_FEWEST_MONTHS: Final = 8
_SEASONS: Final = 24
"""Months that are needed where neither temperature nor load are known: a yearly swing is taken out then."""
_UP_DAYS, _DOWN_DAYS = 7, 30
"""A limit is crossed by the median of so many days, and left again by the median of more: a status that flickers at a
limit is one course (ours)."""
_LONG_STRETCH: Final = 56
_FEWEST_PARTS: Final = 4


@dataclass(frozen=True)
class Limits:
    """(7,) the two limits of each norm gas [µL/L], NaN where none applies: Tables 1 and 2, or what stands for them."""

    typical: Floats
    high: Floats


@dataclass(frozen=True)
class _Look:
    """One look, at the end of a month of the record or at its last day."""

    day: int
    rising: bool
    rose: bool
    falling: bool
    level: int
    gravity: int
    joint_p: float | None


def online_course(looked: Looked, said: OnlineWatch, limits: Limits) -> Course:
    """What the record has come to on its last day.

    Notes:
        A rise is a change that the watch sees, or a slope of the monthly medians, jointly or of one gas, in two looks
        in a row. Gravity: 1 for a rise, 2 for a rise above the first limit or a fast change, 3 for a rise above the
        second limit, and for gas at rest 1 above a limit. The worst of a year, or since a review, holds.
    """
    record = looked.record
    if not len(record) or not record.gases:
        return _said(Course(str(State.QUIET), None, 0, as_of=said.day), said, None)
    levels = _levels(looked, limits)
    looks = []
    tests = month_tests(looked)
    for end, test, (called, falls) in zip(_ends(looked), tests, months_called(tests), strict=True):
        rising = called or bool(looked.alarm[end])
        alarm = int(looked.alarm[max(end - MONTH + 1, _review_before(record, end)) : end + 1].max())
        gravity = _gravity(rising or alarm > 0, alarm, int(levels[end].max()))
        looks.append(
            _Look(
                end,
                rising,
                rising or alarm > 0,
                falls and not rising,
                int(levels[end].max()),
                gravity,
                test.joint_p,
            )
        )
    return _told(looked, said, looks)


def months_called(tests: list["Tested"]) -> list[tuple[bool, bool]]:
    """Of each look, the oldest first: whether the monthly medians are called rising, and falling."""
    pairs = itertools.pairwise(tests)
    return [(False, False)] + [(a.rises and b.rises, a.falls and b.falls) for a, b in pairs]


def _ends(looked: Looked) -> list[int]:
    """The days of the looks: the last, and each a month before the next."""
    n = len(looked.record)
    return [*range(n - 1, min(MONTH, n) - 2, -MONTH)][::-1]


def _gravity(rising: bool, alarm: int, level: int) -> int:
    if not rising:
        return min(level, 1)
    return max(1 + level, 2 if alarm >= FAST else CHANGED)


def _told(looked: Looked, said: OnlineWatch, looks: list[_Look]) -> Course:
    record, now = looked.record, looks[-1]
    since_review = _review_before(record, len(record) - 1)
    kept = [one for one in looks if one.day >= since_review and one.day > now.day - YEAR] or [now]
    gravity = max(one.gravity for one in kept)
    held = [one for one in looks if one.day >= since_review and one.day <= now.day - YEAR]
    if any(one.rose for one in kept):
        state = State.RISING
    elif now.falling:
        state = State.FALLING
    elif any(one.rose and one.day > now.day - 2 * YEAR for one in held):
        state = State.ENDED
    elif now.level:
        high = next((k for k, one in enumerate(reversed(looks)) if not one.level), len(looks))
        state = State.STABLE_HIGH if high * MONTH >= YEAR else State.HIGH
    else:
        state = State.QUIET
    since = _since(looked, said, looks, state)
    pace = _pace(looked, since if state in {State.RISING, State.FALLING} else 0)
    began = None if state is State.QUIET else day_of(record.first + since).isoformat()
    return _said(Course(str(state), began, gravity, pace, now.joint_p, as_of=said.day), said, now)


def _review_before(record: DayRecord, end: int) -> int:
    """Place of the first day after the newest review up to a day; 0 without one."""
    reviews = np.flatnonzero(record.reviewed[: end + 1])
    return int(reviews[-1]) if len(reviews) else 0


def _since(looked: Looked, said: OnlineWatch, looks: list[_Look], state: State) -> int:
    """Place of the day from which a state holds."""
    if state is State.RISING and said.began is not None:
        return number_of(date.fromisoformat(said.began)) - looked.record.first
    back = list(reversed(looks))
    if state in {State.RISING, State.ENDED}:  # the newest run of looks that saw a rise
        last = next(k for k, one in enumerate(back) if one.rose)
        if state is State.ENDED:
            return back[last].day
        first = next((k for k, one in enumerate(back) if k > last and not one.rose), len(back))
        return max(back[first - 1].day - MONTH, 0)
    falling = state is State.FALLING
    holds = [one.falling if falling else one.level > 0 for one in back]
    first = holds.index(False) if False in holds else len(back)
    return max(back[max(first - 1, 0)].day - (MONTH if falling else 0), 0)


def _said(course: Course, said: OnlineWatch, now: _Look | None) -> Course:
    """The course with its sentences; ``now``: its last look, None where nothing was measured."""
    why = [online_sentence(course, goes_on=now is not None and now.rising)]
    if now is not None:
        why += _why(said, now, State(course.state), course.gravity)
    if said.blind:
        why.append(blind_words(said))
    return replace(course, why=tuple(why))


def _why(said: OnlineWatch, now: _Look, state: State, gravity: int) -> list[str]:
    why = []
    if said.severity:
        why.append(f"Against its own record: {changed_words(said)}.")
    if state is State.RISING and now.rising and not said.severity:
        why.append(
            "The monthly medians of the whole baseline rise by more than chance, in two looks in a row."
        )
    if state is State.FALLING:
        why.append(
            "The monthly medians of the whole baseline fall by more than chance, in two looks in a row."
        )
    if gravity > now.gravity:
        why.append("The gravity is that of the worst within a year: nobody has recorded a review since.")
    if now.level:
        why.append("A gas stands above its norms." if now.level == 1 else "A gas stands far above its norms.")
    return why


# --- the numbers ------------------------------------------------------------------------------------------


def _levels(looked: Looked, limits: Limits) -> Floats:
    """(n, 7) 0, 1 or 2 limits crossed, each day, with its hysteresis."""
    record = looked.record
    quick, slow = running_medians(record.values, _UP_DAYS), running_medians(record.values, _DOWN_DAYS)

    def above(values: Floats) -> Floats:
        found: Floats = (values > limits.typical).astype(np.float64) + (values > limits.high)
        return found

    up, down = above(quick), above(np.fmax(quick, slow))
    level = np.zeros(record.values.shape)
    state = np.zeros(record.values.shape[1])
    for t in range(len(level)):
        state = np.where(up[t] > state, up[t], np.minimum(state, down[t]))
        level[t] = state
    return level


@dataclass(frozen=True)
class Tested:
    """One look at the monthly medians: does their slope reach the levels?"""

    rises: bool
    falls: bool
    joint_p: float | None


def month_tests(looked: Looked) -> list[Tested]:
    """The slope of the monthly medians, counted back from the last day, at each look."""
    monthly, ends = _parts(looked.level_free, MONTH), _ends(looked)
    found = []
    for k, end in enumerate(ends):
        begin = _review_before(looked.record, end)
        months = min((end + 1 - begin) // MONTH, k + 1)
        explained = bool(looked.watched.explained[end])
        if months < (_FEWEST_MONTHS if explained else _SEASONS):
            found.append(Tested(False, False, None))
            continue
        test = slope_test(monthly[k + 1 - months : k + 1], seasons=None if explained else YEAR / MONTH)
        rises = test.joint_p <= JOINT_P or bool((test.p <= GAS_P).any())
        found.append(Tested(rises, 1.0 - test.joint_p <= JOINT_P, float(test.joint_p)))
    return found


def _parts(days: Floats, length: int) -> Floats:
    """(parts, g) medians of the parts of so many days that end with the last."""
    parts = len(days) // length
    whole = days[len(days) - parts * length :].reshape(parts, length, days.shape[1])
    return medians(np.moveaxis(whole, 1, 2))


def _pace(looked: Looked, begin: int) -> dict[str, Pace]:
    """By gas, the slope of medians of a week from a day on, temperature and load taken out where they are known.

    Of three days where the stretch is shorter than eight weeks; none where it is shorter than twelve days.
    """
    record = looked.record
    length = 7 if len(record) - begin >= _LONG_STRETCH else 3
    values = np.exp(_parts(looked.level_free[begin:], length)) - record.detection
    if len(values) < _FEWEST_PARTS:
        return {}
    at = float(length) * np.arange(len(values))
    found = theil_sen(at, values.T, np.isfinite(values.T))
    since = day_of(record.first + begin).isoformat()

    def known(value: float) -> float | None:
        return float(value) if np.isfinite(value) else None

    return {
        gas: Pace(float(found.per_year[i]), known(found.low[i]), known(found.high[i]), since)
        for i, gas in enumerate(record.gases)
        if np.isfinite(found.per_year[i])
    }
