"""Increments: what the new gas alone looks like, since old gas hides a new fault.

The zone methods are applied to the difference against the reference sample and against the first sample of the
baseline; negative differences count as zero (IEEE C57.104-2019, Annex D.6-D.7).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from app.domain.judging.frame import DailyMedians, Floats, SampleFrame
from app.domain.judging.rules.change import Changes
from app.domain.judging.rules.levels import GASES
from app.domain.judging.rules.online import online_baseline
from app.domain.judging.rules.patterns import NEAR_DETECTION, PENTAGON_GASES, Bar, ZoneCalls, ZoneMethod
from app.domain.judging.rules.rule import Rule
from app.science.diagnosis.pentagons import (
    PENTAGON_1_ZONES,
    PENTAGON_2_ZONES,
    duval_pentagon_1,
    duval_pentagon_2,
)
from app.science.diagnosis.triangles import TRIANGLE_1_ZONES, duval_triangle_1
from app.science.measuring.uncertainty import LABORATORY_RELATIVE_SD, detection_limit
from app.science.quantities import FAULT_GASES, NORM_GASES

FEWEST_GASES = 2
"""One gas that grew alone makes no pattern (common practice, no source)."""
TRIANGLE_GASES = ("ch4", "c2h4", "c2h2")


@dataclass(frozen=True)
class Increment:
    """Zone methods on one kind of increment; ``gained`` is (n, 7) [µL/L], zero or more, NaN where unknown."""

    gained: Floats
    triangle_1: ZoneCalls
    pentagon_1: ZoneCalls
    pentagon_2: ZoneCalls


@dataclass(frozen=True)
class Increments:
    """Columns made by :func:`judge_increments`: since the reference sample, and since the baseline began."""

    since_reference: Increment
    since_baseline: Increment


def judge_increments(frame: SampleFrame, changes: Changes, daily: DailyMedians) -> Increments:
    """Triangle 1 and the pentagons on what was gained.

    The baseline of a laboratory series is its first sample; that of an on-line one is the month nine months ago.
    """
    value = frame.values[:, :GASES]
    starts = frame.starts()
    lengths = np.diff(np.r_[starts, len(frame)])
    first = np.repeat(starts, lengths)
    baseline = value[first].copy()
    baseline[starts] = np.nan  # the first sample has gained nothing since itself
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
    return Increment(
        gained,
        _calls(gained, telling, TRIANGLE_GASES, duval_triangle_1, TRIANGLE_1_ZONES),
        _calls(gained, telling, PENTAGON_GASES, duval_pentagon_1, PENTAGON_1_ZONES),
        _calls(gained, telling, PENTAGON_GASES, duval_pentagon_2, PENTAGON_2_ZONES),
    )


def _calls(
    gained: Floats,
    telling: NDArray[np.bool_],
    gases: tuple[str, ...],
    method: ZoneMethod,
    zones: tuple[str, ...],
) -> ZoneCalls:
    columns = [gained[:, NORM_GASES.index(g)] for g in gases]
    bar = np.where(telling, np.int8(Bar.NONE), np.int8(Bar.NO_INCREASE))
    for column in columns:
        bar[np.isnan(column)] = Bar.NO_REFERENCE
    rows = np.flatnonzero(bar == Bar.NONE)
    found = method(*(c[rows] for c in columns))
    bar[rows[found < 0]] = Bar.NO_INCREASE
    zone = np.full(len(gained), -1, dtype=np.int8)
    zone[rows] = found
    return ZoneCalls(zones, gases, zone, bar)


INCREMENTS: Final = Rule(judge_increments, ("frame", "changes", "daily"))
