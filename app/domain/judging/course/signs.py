"""What the walk reads of the earlier rules, as columns of one row a sample."""

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from app.domain.judging.course.believing import Against, believed_deltas, believed_rates, standing
from app.domain.judging.frame import Bools, Floats, Integers, SampleFrame
from app.domain.judging.methods import duval_triangle_1
from app.domain.judging.norms import norms_2019
from app.domain.judging.rules.change import ACETYLENE, ACETYLENE_FLOOR, Changes, whole_change
from app.domain.judging.rules.increments import Increments
from app.domain.judging.rules.levels import GASES, UNKNOWN, Levels
from app.domain.judging.rules.patterns import Patterns
from app.domain.judging.rules.quality import Quality
from app.domain.judging.rules.trend_calls import TrendCalls
from app.science.measuring.uncertainty import detection_limit
from app.science.quantities import FAULT_GASES, NORM_GASES
from app.science.trends.course_signs import course_sign

FAULT: Final = np.array([gas in FAULT_GASES for gas in NORM_GASES])
LONG_SPAN: Final = 1
"""Column of Table 4 for spans over ten months."""
FAMILIES: Final = {"PD": "PD", "D1": "D1", "D2": "D2", "T1": "T", "T2": "T", "T3": "T3", "DT": "DT"}
"""Zones of triangle 1 that are one fault as far as the course is concerned."""
URGENT: Final = frozenset({"T3", "D2", "DT"})
"""High temperature and high energy (IEEE C57.104-2019, 6.1.2)."""


@dataclass(frozen=True)
class Given:
    """The columns of the earlier rules, in the order in which :data:`.walk.COURSES` needs them."""

    frame: SampleFrame
    levels: Levels
    changes: Changes
    extremes: Bools
    quality: Quality
    patterns: Patterns
    increments: Increments
    calls: TrendCalls


@dataclass(frozen=True)
class Signs:
    """One row a sample, (n,) or (n, 7).

    Attributes:
        at: [days]. settled_at: of the suspect sample that this one settles, or with which a change began that is
            believed only now [days].
        value: [µL/L], NaN where not measured; a detection limit where censored. log: its logarithm, the detection
            limit added, so that gases near it do not shout.
        level: worst class of any gas, -1 where none could be judged, that noise does not explain; told_level: as the
            rules say; sound_level: of any that is not in doubt.
        stands: what the level stands at, a mean of three samples where that is the noise of one [µL/L].
        near: a fault gas near or above Table 1. passed: the highest limit that any gas stands above: 0 none, 1, 2.
        typical, high: the limits [µL/L]. rate_limit: of a year and more, by Table 4; for C2H2 what noise gives.
        extreme: gases that call for action at once; is_extreme: there is one.
        delta_sign, rate_sign: gases above Table 3 and above Table 4 by a rate that its own points bear out, both
            believed (:mod:`.believing`); has_delta, has_rate: there is one.
        plain: a change above Table 3 that no measurement explains and that stands apart from the record.
        suspect, doubtful, confirmed, refuted, waiting, restart, reviewed: as the rules say; suspect_rise: because a gas
            rose.
        blind: a detection limit above its norm leaves a gas unjudged. worked: the baseline began with recorded work.
        called: the trend calls a rise; trend_since: since when [days]; flat_since: it goes on no more since [days], NaN
            where it does. joint, gas: by the mean of the fault gases, and of each gas (n, 7).
        fault: family of the zone of triangle 1, of the new gas where that speaks; "" where none does.
        fault_is_new: it is that of the new gas.
    """

    at: Floats
    settled_at: Floats
    value: Floats
    log: Floats
    level: Integers
    told_level: Integers
    sound_level: Integers
    stands: Floats
    near: Bools
    passed: Integers
    typical: Floats
    high: Floats
    rate_limit: Floats
    extreme: Bools
    is_extreme: Bools
    delta_sign: Bools
    has_delta: Bools
    rate_sign: Bools
    has_rate: Bools
    plain: Bools
    suspect: Bools
    suspect_rise: Bools
    doubtful: Bools
    confirmed: Bools
    refuted: Bools
    waiting: Bools
    restart: Bools
    reviewed: Bools
    blind: Bools
    worked: Bools
    called: Bools
    joint: Bools
    gas: Bools
    trend_since: Floats
    flat_since: Floats
    fault: NDArray[np.str_]
    fault_is_new: Bools


def signs_of(given: Given) -> Signs:
    """Everything the walk reads, made once for all series."""
    frame, changes, levels = given.frame, given.changes, given.levels
    value = frame.values[:, :GASES]
    against = Against(frame, changes)
    stands = standing(against, frame, levels, changes)
    rate_sign = believed_rates(changes, changes.rate_exceeds & changes.borne_out)
    change = whole_change(changes)
    moved = changes.delta_exceeds & (
        change > course_sign("change", "plain") * np.nan_to_num(changes.reference)
    )
    limit = norms_2019().rate[levels.side][:, LONG_SPAN].copy()
    limit[:, ACETYLENE] = np.maximum(
        ACETYLENE_FLOOR, course_sign("change", "noise") * np.nan_to_num(value[:, ACETYLENE])
    )
    suspect = changes.suspect & ~changes.asked  # what only asks for another sample is believed
    over = changes.delta_exceeds & (
        change > course_sign("change", "noise") * np.nan_to_num(changes.reference)
    )
    over &= ~(suspect | given.quality.doubtful | frame.online)[:, None]
    delta_sign, began = believed_deltas(against, frame, changes, over)
    part = course_sign("near", "part")
    fault, is_new = _faults(given)
    return Signs(
        at=frame.at,
        settled_at=np.where(np.isnan(changes.settled_at), began, changes.settled_at),
        value=value,
        log=np.log(np.maximum(value, 0.0) + _floors()),
        level=stands.level.max(axis=1),
        told_level=levels.level.max(axis=1).astype(np.int64),
        sound_level=np.where(given.quality.doubted, UNKNOWN, stands.level).max(axis=1),
        stands=stands.mean,
        near=((value > part * levels.typical) & ~frame.below[:, :GASES] & FAULT).any(axis=1),
        passed=_passed(stands.mean, levels),
        typical=levels.typical,
        high=levels.high,
        rate_limit=limit,
        extreme=given.extremes,
        is_extreme=np.asarray(given.extremes.any(axis=1)),
        delta_sign=delta_sign,
        has_delta=np.asarray(delta_sign.any(axis=1)),
        rate_sign=rate_sign,
        has_rate=np.asarray(rate_sign.any(axis=1)),
        plain=np.asarray((moved & stands.apart).any(axis=1)),
        suspect=suspect,
        suspect_rise=suspect & (changes.delta_exceeds | changes.rate_exceeds).any(axis=1),
        doubtful=given.quality.doubtful,
        confirmed=changes.confirmed,
        refuted=changes.refuted,
        waiting=changes.waiting,
        restart=changes.restart,
        reviewed=frame.reviewed,
        blind=np.asarray(levels.blind.any(axis=1)),
        worked=frame.worked,
        joint=given.calls.called_joint,
        gas=given.calls.called,
        called=given.calls.any_called(),
        trend_since=given.calls.since,
        flat_since=given.calls.flat_since,
        fault=fault,
        fault_is_new=is_new,
    )


def _passed(value: Floats, levels: Levels) -> Integers:
    typical, high = (value > levels.typical).any(axis=1), (value > levels.high).any(axis=1)
    return np.asarray(np.where(high, 2, typical), dtype=np.int64)


@cache
def _floors() -> Floats:
    """Usual detection limits of the norm gases [µL/L]; of the oxides too, which the mean leaves out."""
    return np.array([detection_limit(g) for g in NORM_GASES])


def _faults(given: Given) -> tuple[NDArray[np.str_], Bools]:
    """The family that triangle 1 names, and where it is that of the new gas."""
    name = duval_triangle_1.METHOD.name
    new = given.increments.since_reference.answers[name]
    whole = given.patterns[name]
    words = np.array([FAMILIES[code] for code in whole.codes])
    is_new = np.asarray(new.held.any(axis=1))
    held = np.where(is_new[:, None], new.held, whole.held)
    found = np.where(held.any(axis=1), words[held.argmax(axis=1)], "")
    return found, is_new
