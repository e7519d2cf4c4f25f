"""When the course believes a change: one that stands apart from the record, not from one noisy sample of it.

The guide compares with one sample, and asks of a rate only that it is above Table 4: within ten years of samples chance
alone passes both at a unit above Table 1. Figures: docs/decisions/course.md.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from app.domain.judging.frame import Bools, Floats, Integers, SampleFrame
from app.domain.judging.rules.calling.evidence import DECADE, FAULT, counted_values
from app.domain.judging.rules.calling.looks import belief
from app.domain.judging.rules.change import Changes
from app.domain.judging.rules.levels import GASES, Levels
from app.science.measuring.normal import quantile
from app.science.trends.course_signs import course_sign
from app.science.trends.rates import slope_probability

REACH: Final = 16
"""Rows looked back over for the samples that count."""
HIGH: Final = 2
"""Level class above Table 2."""


@dataclass(frozen=True)
class Stands:
    """How some samples stand against those before them: (k, 7).

    Attributes:
        apart: the mean of the new samples lies above that of the samples before by more than noise; True where there
            are none before.
        mean, count: of the newest three samples [µL/L], and how many there are; NaN where the gas was not measured.
    """

    apart: Bools
    mean: Floats
    count: Floats


class Against:
    """The samples of a frame against their own record: same series, same baseline, same laboratory."""

    def __init__(self, frame: SampleFrame, changes: Changes) -> None:
        self._frame, self.believed = frame, belief(frame, changes)

    def stands(self, rows: Integers, new: Integers) -> Stands:
        """``new``: (k,) how many of the newest samples are the new ones, the row itself among them."""
        frame, known = self._frame, self.believed
        place = rows[:, None] - np.arange(REACH)
        at = np.maximum(place, 0)
        use = (place >= known.origin[rows][:, None]) & known.takes_part[at]
        use &= (frame.series[at] == frame.series[rows][:, None]) & (
            frame.laboratory[at] == frame.laboratory[rows][:, None]
        )
        use &= ~((known.hidden_from[at] <= rows[:, None]) & (rows[:, None] < known.hidden_to[at]))
        use[:, 0] = True
        value = counted_values(frame.values[at, :GASES], frame.below[at, :GASES])
        value = np.where(use[:, :, None], value, np.nan)
        number = use.cumsum(axis=1)
        most = int(course_sign("believed", "samples"))
        recent, count = _mean(value, number <= new[:, None])
        before, others = _mean(value, (number > new[:, None]) & (number <= new[:, None] + most))
        newest, few = _mean(value, number <= int(course_sign("believed", "newest")))
        with np.errstate(invalid="ignore", divide="ignore"):
            # of one sample before there is but one look at the beginning of a record
            least = np.minimum(
                course_sign("believed", "errors") * np.sqrt(1.0 / count + 1.0 / others),
                course_sign("believed", "errors_alone") * np.sqrt(1.0 / count + 1.0),
            )
            apart = (np.log(recent / before) > course_sign("believed", "noise") * least) | (others == 0)
        return Stands(apart, newest, few)


def _mean(value: Floats, which: Bools) -> tuple[Floats, Floats]:
    """(k, 7) means and counts of some of (k, r, 7)."""
    known = which[:, :, None] & ~np.isnan(value)
    count = known.sum(axis=1).astype(np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(known, value, 0.0).sum(axis=1) / count, count


def believed_deltas(
    against: Against, frame: SampleFrame, changes: Changes, over: Bools
) -> tuple[Bools, Floats]:
    """Of changes above Table 3, ``over`` (n, 7), those that stand apart from the record, and when they began [days].

    A change that the walk confirms and that does not stand apart yet is looked at again at the next three samples: the
    mean of all since the suspect one against the record before it.
    """
    n = len(frame)
    found, began = np.zeros((n, GASES), dtype=np.bool_), np.full(n, np.nan)
    known = against.believed
    first = np.flatnonzero(over.any(axis=1) & known.takes_part)
    waits = over.copy()
    for lag in range(int(course_sign("believed", "again")) + 1):
        rows, start = first + lag, first
        inside = rows < n
        rows, start = rows[inside], start[inside]
        same = (frame.series[rows] == frame.series[start]) & (known.origin[rows] == known.origin[start])
        same &= known.takes_part[rows]
        rows, start = rows[same], start[same]
        if not rows.size:
            continue
        new = 1 + changes.confirmed[start].astype(np.int64)
        for step in range(1, lag + 1):
            new += known.takes_part[start + step]
        fresh = against.stands(rows, new).apart & waits[start]
        told = fresh.any(axis=1)
        waits[start[told]] = False
        found[rows] |= fresh
        since = np.where(np.isnan(changes.settled_at[start]), frame.at[start], changes.settled_at[start])
        began[rows[told]] = np.fmin(began[rows[told]], since[told])
    return found, began


def believed_rates(changes: Changes, over: Bools) -> Bools:
    """Of rates above Table 4, ``over`` (n, 7), those that chance hardly gives, of the gas or of the fault gases."""
    found = over.copy()
    rows = np.flatnonzero(over.any(axis=1))
    if not rows.size:
        return found
    p = slope_probability(changes.rate[rows], changes.rate_low[rows], changes.rate_points[rows])
    score = -quantile(np.clip(p[:, FAULT], 1e-15, 1.0 - 1e-15))
    known = ~np.isnan(score)
    count = known.sum(axis=1)
    # the gases of one sample share its errors
    alike = course_sign("believed", "alike")
    joint = np.where(known, score, 0.0).sum(axis=1) / np.sqrt(
        np.maximum(count * (1.0 + (count - 1) * alike), 1.0)
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        looks = DECADE * (changes.rate_points[rows] - 1) / changes.rate_span[rows]
        least = course_sign("believed", "chance") / looks
        found[rows] &= (p <= least) | (joint[:, None] >= -quantile(least))
    return found


@dataclass(frozen=True)
class Standing:
    """What the levels of a frame's samples are worth: (n, 7) each.

    Attributes:
        level: class of each gas; above Table 2 is what the newest three samples are in the mean, by more than their
            accuracy, or what stands apart.
        apart: stands apart from the record.
        mean: of the newest three samples, the value itself where it stands apart [µL/L].
    """

    level: Integers
    apart: Bools
    mean: Floats


def standing(against: Against, frame: SampleFrame, levels: Levels, changes: Changes) -> Standing:
    """Worked out where gas is above Table 1 or a sample is suspect; elsewhere a value is what it is."""
    level, mean = levels.level.astype(np.int64), frame.values[:, :GASES].copy()
    apart = np.zeros(mean.shape, dtype=np.bool_)
    rows = np.flatnonzero(((level > 0).any(axis=1) | changes.suspect) & ~frame.online)
    if rows.size:
        stands = against.stands(rows, np.ones(len(rows), dtype=np.int64))
        apart[rows] = stands.apart
        alone = (stands.apart & (stands.count > 1)) | np.isnan(stands.mean)
        mean[rows] = np.where(alone, mean[rows], stands.mean)
        with np.errstate(invalid="ignore", divide="ignore"):
            margin = 1.0 + course_sign("believed", "accuracy") / np.sqrt(stands.count)
            noise = (level[rows] == HIGH) & ~alone & ~(stands.mean > levels.high[rows] * margin)
        level[rows] = np.where(noise, HIGH - 1, level[rows])
    return Standing(level, apart, mean)
