"""One series while it is walked through: the rules of state of docs/decisions/course.md."""

import copy
from bisect import bisect_left, bisect_right
from dataclasses import dataclass, replace

import numpy as np

from app.domain.judging.course.believing import HIGH
from app.domain.judging.course.gravity import shown
from app.domain.judging.course.record import Record, Told
from app.domain.judging.course.signs import FAULT
from app.domain.judging.course.states import ACTIVE, State, Step
from app.domain.judging.course.stretch import (
    Quiet,
    Rate,
    pace_of,
    quiet_time,
    rate_now,
    returning,
    slowed,
    still,
    time_to_limit,
)
from app.domain.judging.rules.levels import GASES
from app.science.trends.course_signs import course_sign


@dataclass
class Unit(Record):
    """The course of one series, sample by sample."""

    def see(self, row: int) -> Told | None:
        """One more sample; None until one could be judged."""
        signs, then = self.signs, self.gravity
        self.review_due |= bool(signs.reviewed[row])
        if signs.level[row] < 0 and not signs.restart[row] and not signs.blind[row]:
            if self.last is not None:
                self.last = replace(self.last, steps=frozenset())  # nothing changed with it
            return self.last
        self.steps = set()
        first = self.last is None
        if first:
            self.since = self.stretch = float(signs.at[row])
            self.level = max(int(signs.level[row]), 0)
        quiet, eased = self._settle(row), False
        if self.review_due:
            self._review(row)
            eased = True
        eased |= quiet is not None or bool(signs.restart[row])
        by_itself, grounds = shown(self, row, quiet)
        self.gravity = by_itself if eased else max(by_itself, self.gravity)
        if self.gravity < then:
            self.steps.add(Step.EASED)
        self.last = Told(
            self.state,
            self.since,
            self.gravity,
            by_itself,
            self.stretch,
            self.last_sign,
            frozenset(self.steps),
            grounds,
        )
        return self.last

    # --- state ---------------------------------------------------------------------------------------------

    def _settle(self, row: int) -> Quiet | None:
        """Take the sample in; returns the quiet time that it ends."""
        signs = self.signs
        if signs.restart[row]:
            self._fall(row)
        elif signs.refuted[row] and self.before is not None:
            self._take_back()
        elif self.pending >= 0 and self._settled_for(row):
            self.rows.append(self.pending)
            self.pending, self.before = -1, None
        if signs.suspect[row] and not signs.restart[row]:
            if self.before is None:
                self.before, self.pending = copy.copy(self), row
                self.before.rows = list(self.rows)
            self._stand_high(row)
            return None
        if signs.doubtful[row] and not signs.restart[row]:
            self._stand_high(row)
            return None
        self.rows.append(row)
        self._move(row)
        quiet = quiet_time(signs, self.rows, self.clock)
        if quiet is not None and self._flat(row):
            self._rest(row, quiet)
            return quiet
        self._stand_high(row)
        return None

    def _stand_high(self, row: int) -> None:
        """Quiet no more by what counts of the sample, believed or not; taken back with it where it is refuted."""
        signs, extreme = self.signs, bool(self.signs.extreme[row].any())
        far = extreme or signs.told_level[row] == HIGH or not signs.doubtful[row]
        if self.state is State.QUIET and (extreme or (signs.level if far else signs.sound_level)[row] > 0):
            self.to(State.HIGH, row)

    def _move(self, row: int) -> None:
        """Into an active state, or further."""
        signs, sign = self.signs, self._sign(row)
        if sign:
            self.clock, self.last_sign = len(self.rows) - 1, float(signs.at[row])
            self.settled = False
        if sign and not (self.was_confirmed and self.state in ACTIVE):
            began = signs.settled_at[row]
            self.to(State.CONFIRMED, row, float(began if np.isfinite(began) else signs.at[row]))
            self.steps.add(Step.CONFIRMED)
            self.was_confirmed = True
            self._anchor(row)
        elif self.state in ACTIVE:
            self._hasten(row)
        elif self._rises(row):
            self.settled = False
            self.pace = np.full(GASES + 1, np.nan)
            self.to(State.RISING, row, float(signs.trend_since[row]))
            self.steps.add(Step.RISING_BEGAN)
            self._anchor(row)
        if self.state in ACTIVE and self._rises(row):
            began = signs.trend_since[row]
            since = self.rows[bisect_left(self.rows, began, key=self._time) :]
            self.pace = np.fmax(self.pace, pace_of(signs, since))
        if self.settled and self._crosses_plainly(row):
            self.settled = False
            self.clock = len(self.rows) - 1

    def _time(self, row: int) -> float:
        return float(self.signs.at[row])

    def _rises(self, row: int) -> bool:
        """The trend calls a rise that goes on; once one has ended, gas must have grown since."""
        signs = self.signs
        if not signs.called[row] or not np.isnan(signs.flat_since[row]):
            return False
        if not self.ended:
            return True
        with np.errstate(invalid="ignore"):
            grown = np.log(signs.value[row] / self.known)[FAULT & (self.known > 0) & (signs.value[row] > 0)]
        return bool(np.nan_to_num(grown).mean() > course_sign("quiet", "gain")) if grown.size else False

    def _sign(self, row: int) -> bool:
        """A believed change above its norm, or a rate above it that goes on since the level was known."""
        signs = self.signs
        if signs.has_delta[row]:
            return True
        if not signs.has_rate[row]:
            return False
        rate = signs.rate_sign[row]
        young = signs.at[row] - signs.at[self.rows[0]] <= course_sign("returning", "days")
        if young and (signs.worked[row] or self.state is State.FALLEN):
            rate = rate & ~returning(signs, self.rows)
        rising = rate & ~(signs.value[row] <= self.known * (1.0 + course_sign("change", "noise")))
        if not rising.any():
            return False
        year = self.rows[
            bisect_right(self.rows, signs.at[row] - course_sign("quiet", "days"), key=self._time) :
        ]
        if len(year) < 2:
            return True
        lowest = signs.value[year].min(axis=0)
        return bool((rising & (signs.value[row] > lowest * (1.0 + course_sign("quiet", "gain")))).any())

    def _hasten(self, row: int) -> None:
        """A rate that has doubled since it was last told, and a time to the next limit under a quarter."""
        found = rate_now(self.signs, self.rows)
        if found is None:
            self.days = np.nan
            return
        if np.isnan(self.rate).all():
            self._anchor(row)
        new = len(self.rows) - bisect_right(self.rows, self.rate_row) >= 2
        twice = found.per_year >= course_sign("rate", "doubled") * self.rate
        if new and bool((twice & (found.low > self.rate) & (self.rate > 0)).any()):
            self.steps.add(Step.RATE_DOUBLED)
            if self.state is not State.ACCELERATING:
                self.to(State.ACCELERATING, row)
                self.steps.add(Step.ACCELERATING)
            self._anchor(row)
        self._near(row, found)

    def _near(self, row: int, found: Rate) -> None:
        days = self.days = time_to_limit(self.signs, row, found)
        if not np.isfinite(self.time):
            self.time = days
        soon = days < course_sign("time", "soon") <= self.time
        if np.isfinite(days) and (soon or days < course_sign("time", "part") * self.time):
            self.steps.add(Step.TIME_QUARTERED)
            self.time = days

    def _anchor(self, row: int) -> None:
        found = rate_now(self.signs, self.rows)
        self.rate = (
            np.full(GASES, np.nan) if found is None else np.where(found.low > 0, found.per_year, np.nan)
        )
        self.rate_row = row
        if found is not None:
            self.days = time_to_limit(self.signs, row, found)
            self.time = self.days if np.isnan(self.time) else self.time

    def _rest(self, row: int, quiet: Quiet) -> None:
        """A quiet year is on record."""
        if not self.settled:
            self.settled, self.known = True, quiet.median
            self.reviewed = False
        self.level = quiet.level
        if self.state in ACTIVE:
            self.to(State.ENDED, row, self._end(row))
            self.pace = np.full(GASES + 1, np.nan)
            self.steps.add(Step.ENDED)
            self.was_confirmed, self.ended = False, True
            self.time = self.days = np.nan
        elif self.state is not State.ENDED or quiet.fell:
            whole = self.state is State.HIGH and not quiet.fell
            since = float(self.signs.at[self.rows[self.clock]]) if whole else quiet.since
            high = State.FALLING if quiet.fell else State.STABLE_HIGH
            self.to(high if quiet.level > 0 else State.QUIET, row, since)

    def _end(self, row: int) -> float:
        """When gas was last made, as far as is known [days]."""
        flat = float(self.signs.flat_since[row])
        if np.isfinite(flat):
            return flat
        since = None if self.was_confirmed else still(self.signs, self.rows, self.pace)
        return float(self.signs.at[self.rows[self.clock]]) if since is None else since

    def _flat(self, row: int) -> bool:
        """What was called rising has not risen for a year; of a confirmed rise, by what followed its last sign too."""
        signs = self.signs
        if self.state not in ACTIVE or np.isnan(self.pace).all():
            return True
        if self.was_confirmed and slowed(signs, self.rows, self.clock):
            return True
        if self._rises(row):
            return False
        return still(signs, self.rows, self.pace, float(signs.flat_since[row])) is not None

    # --- recorded acts, falls, confirmation samples ----------------------------------------------------------

    def _review(self, row: int) -> None:
        self.review_due = False
        self.settled = self.reviewed = True
        self.known = self.signs.value[row]
        self.level = int(self.signs.level[row])
        if self.rows and self.rows[-1] == row and not self._active_by(row):
            self.clock = len(self.rows) - 1
            self.was_confirmed = False
            self.time = self.days = np.nan
            self.to(State.STABLE_HIGH if self.level > 0 else State.QUIET, row)

    def _active_by(self, row: int) -> bool:
        """This very sample shows that gas is being made."""
        signs = self.signs
        return bool(signs.has_delta[row]) or self._rises(row)

    def _fall(self, row: int) -> None:
        fresh = Unit(self.signs)
        fresh.gravity = 2 if self.gravity >= 3 else 1
        fresh.rows = [self.pending] if self.pending >= 0 else []
        fresh.last, fresh.steps, fresh.review_due = self.last, self.steps, self.review_due
        self.__dict__.update(fresh.__dict__)
        began = float(self.signs.settled_at[row])
        self.stretch = began if np.isfinite(began) else float(self.signs.at[row])
        self.level = max(int(self.signs.level[row]), 0)
        self.to(State.FALLEN, row, self.stretch)
        self.steps.add(Step.FALLEN)

    def _settled_for(self, row: int) -> bool:
        """The suspect sample is confirmed, or believed since nothing speaks for dropping it."""
        signs = self.signs
        return bool(signs.confirmed[row] or not (signs.suspect[row] or signs.waiting[row]))

    def _take_back(self) -> None:
        """The suspect sample is refuted: what rested on it alone does not stand any more."""
        before, last, steps, due = self.before, self.last, self.steps, self.review_due
        if before is not None:
            self.__dict__.update(before.__dict__)
        self.last, self.steps, self.review_due = last, steps, due
        self.pending, self.before = -1, None

    def _crosses_plainly(self, row: int) -> bool:
        """A gas passes a limit that all gases kept in the quiet year, by more than any measurement explains."""
        signs = self.signs
        if signs.passed[row] <= self.level:
            return False
        value = signs.stands[row]
        for level, limits in enumerate((signs.typical[row], signs.high[row]), start=1):
            crossed = (value > limits) & (self.known <= limits) & (level > self.level)
            if bool((crossed & (value > self.known * (1.0 + course_sign("change", "plain")))).any()):
                return True
        return False
