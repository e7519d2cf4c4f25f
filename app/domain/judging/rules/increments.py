"""Increments: what the new gas alone looks like, since old gas hides a new fault.

The zone methods are applied to the difference against the reference sample and against the first sample of the
baseline; negative differences count as zero (IEEE C57.104-2019, Annex D.6-D.7).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from app.domain.judging.frame import Bools, DailyMedians, Floats, SampleFrame
from app.domain.judging.methods import ZONE_METHODS
from app.domain.judging.methods.asking import NEAR_DETECTION
from app.domain.judging.methods.bars import Bar
from app.domain.judging.methods.method import Answers, ZoneMethod
from app.domain.judging.rules.change import Changes
from app.domain.judging.rules.levels import GASES
from app.domain.judging.rules.online import online_baseline
from app.domain.judging.rules.rule import Rule
from app.science.measuring.uncertainty import LABORATORY_RELATIVE_SD, detection_limit
from app.science.quantities import FAULT_GASES, NORM_GASES

FEWEST_GASES: Final = 2
"""One gas that grew alone makes no pattern (common practice, no source)."""


@dataclass(frozen=True)
class Increment:
    """Zone methods on one kind of increment.

    Attributes:
        gained: (n, 7) [µL/L], zero or more, NaN where unknown.
        answers: by the name of the method, what it says of what was gained.
    """

    gained: Floats
    answers: dict[str, Answers]


@dataclass(frozen=True)
class Increments:
    """Columns made by :func:`judge_increments`: since the reference sample, and since the baseline began."""

    since_reference: Increment
    since_baseline: Increment


def judge_increments(frame: SampleFrame, changes: Changes, daily: DailyMedians) -> Increments:
    """The zone methods that judge increments on what was gained.

    The baseline of a laboratory series is its first sample, or the one that a presumed baseline begins with; that of
    an on-line one is the month nine months ago.
    """
    value = frame.values[:, :GASES]
    starts = frame.starts()
    lengths = np.diff(np.r_[starts, len(frame)])
    # a presumed baseline begins with a sample like a series does
    first = np.maximum.accumulate(
        np.where(changes.restart, np.arange(len(frame)), np.repeat(starts, lengths))
    )
    baseline = value[first].copy()
    # the first sample has gained nothing since itself
    baseline[first == np.arange(len(frame))] = np.nan
    if frame.online.any():
        baseline = np.where(frame.online[:, None], online_baseline(frame, daily), baseline)
    return Increments(_increment(frame, changes.reference), _increment(frame, baseline))


def _increment(frame: SampleFrame, reference: Floats) -> Increment:
    value = frame.values[:, :GASES]
    gained = np.maximum(value - reference, 0.0)
    # three standard deviations of a difference: noise of two like samples must not look like gas
    sure = gained > 3.0 * np.sqrt(2.0) * LABORATORY_RELATIVE_SD * value
    gases = np.zeros(len(frame), dtype=np.int64)
    for gas in FAULT_GASES:
        g = NORM_GASES.index(gas)
        gases += sure[:, g] & (gained[:, g] >= NEAR_DETECTION * detection_limit(gas))
    telling = gases >= FEWEST_GASES
    return Increment(gained, {m.name: _answers(m, gained, telling) for m in ZONE_METHODS if m.on_increment})


def _answers(method: ZoneMethod, gained: Floats, telling: Bools) -> Answers:
    columns = [gained[:, NORM_GASES.index(gas)] for gas in method.reads]
    bar = np.where(telling, np.int8(Bar.NONE), np.int8(Bar.NO_INCREASE))
    for column in columns:
        bar[np.isnan(column)] = Bar.NO_REFERENCE
    rows = np.flatnonzero(bar == Bar.NONE)
    held = np.zeros((len(gained), len(method.codes)), dtype=np.bool_)
    held[rows] = method.held(*(column[rows] for column in columns))
    bar[(bar == Bar.NONE) & ~held.any(axis=1)] = Bar.NO_INCREASE
    return Answers(method.codes, held, bar)


INCREMENTS: Final = Rule(judge_increments, ("frame", "changes", "daily"))
