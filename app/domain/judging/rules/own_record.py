"""Own record: compartments that no published norm is for, judged against what they showed before.

Gas of an ester, of tap-changer oil or of silicone gets no status. A gas that stands far above its own record, or far
above anything ordinary, says something all the same; so does an owner's limit. What stood out takes no part in the
record until it has held level for a year or somebody reviewed the unit: gas does not become usual by staying a while.
"""

from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from app.domain.judging.frame import Bools, DailyMedians, Floats, SampleFrame
from app.domain.judging.norms import TAP_CHANGER_OIL
from app.domain.judging.rules.levels import GASES, Levels
from app.domain.judging.rules.rule import Rule
from app.science.measuring.uncertainty import detection_limit
from app.science.norms.own_record import middle, own_limit, own_limits, robust_score
from app.science.quantities import NORM_GASES

FEWEST: Final = 3
"""Samples that a record needs to be one; against fewer a rise must be twice as clear (common practice, no source)."""
FEWEST_DAYS: Final = 30
"""Daily medians that the record of an instrument needs (likewise)."""
QUIET_DAYS: Final = 180.0
"""Span after which a tap changer without acetylene counts as one that breaks no current in its oil (ours)."""
LEVEL_DAYS: Final = 365.0
"""What has held level so long has become the record (ours)."""
GAP_DAYS: Final = 7.0
"""The record of an instrument ends so many days before a reading: a rise must not hide itself (ours)."""
REVIEWED_RISE: Final = 1.3
"""A level that somebody reviewed speaks again from so many times what was reviewed on (ours)."""

FALLEN_BACK: Final = 1.5
"""Times what is usual, plus the detection limit, below which a gas has fallen back (ours)."""

C2H4, C2H2 = NORM_GASES.index("c2h4"), NORM_GASES.index("c2h2")
TAP_CHANGER, OTHER_LIQUID = "tap_changer", "other_liquid"


@dataclass(frozen=True)
class OwnRecord:
    """Columns made by :func:`judge_own_record`; nothing stands out where a published norm applies.

    Attributes:
        count: (n,) samples, or days, of the record.
        usual: (n, 7) median of the record [µL/L]; NaN without one.
        usual_ratio: (n,) median of C2H4/C2H2 in it.
        by_rise, by_level, by_owner: (n, 7) severity 0, 2, 3 or 4 of a gas by its rise above the record, by its level
            alone, and by the owner's limits. by_ratio: (n,) of C2H4 that rose with C2H4/C2H2, tap changers only.
        back: (n, 7) what a gas that stands out must fall back to before that is over [µL/L]; NaN for the others.
    """

    count: NDArray[np.int64]
    usual: Floats
    usual_ratio: Floats
    by_rise: NDArray[np.int8]
    by_level: NDArray[np.int8]
    by_owner: NDArray[np.int8]
    by_ratio: NDArray[np.int8]
    back: Floats

    def severity(self) -> NDArray[np.int8]:
        """(n,) the gravest of all."""
        by_gas = np.maximum(np.maximum(self.by_rise, self.by_level), self.by_owner).max(axis=1, initial=0)
        gravest: NDArray[np.int8] = np.maximum(by_gas, self.by_ratio)
        return gravest

    def raising(self) -> Bools:
        """(n, 7) gases that stand out."""
        found: Bools = (self.by_rise > 0) | (self.by_level > 0) | (self.by_owner > 0)
        found[:, C2H4] |= self.by_ratio > 0
        return found


def judge_own_record(frame: SampleFrame, daily: DailyMedians, levels: Levels) -> OwnRecord:
    """Every sample of a compartment without norms against the record before it."""
    n = len(frame)
    out = OwnRecord(
        count=np.zeros(n, dtype=np.int64),
        usual=np.full((n, GASES), np.nan),
        usual_ratio=np.full(n, np.nan),
        by_rise=np.zeros((n, GASES), dtype=np.int8),
        by_level=np.zeros((n, GASES), dtype=np.int8),
        by_owner=np.zeros((n, GASES), dtype=np.int8),
        by_ratio=np.zeros(n, dtype=np.int8),
        back=np.full((n, GASES), np.nan),
    )
    if not (levels.barred > 0).any():
        return out
    _by_owner(frame, levels, out)
    edges = np.r_[frame.starts(), n]
    for begin, end in pairwise(edges):
        if not levels.barred[begin]:
            continue
        of = TAP_CHANGER if levels.barred[begin] == TAP_CHANGER_OIL else OTHER_LIQUID
        one = _Series(frame, of, out)
        if frame.online[begin]:
            one.walk_days(int(begin), int(end), daily)
        else:
            one.walk_samples(int(begin), int(end))
    return out


def _by_owner(frame: SampleFrame, levels: Levels, out: OwnRecord) -> None:
    value, below = frame.values[:, :GASES], frame.below[:, :GASES]
    barred = (levels.barred > 0)[:, None] & ~below
    out.by_owner[barred & levels.owner_typical & (value > levels.typical)] = 2
    out.by_owner[barred & levels.owner_high & (value > levels.high)] = 3
    out.back[:] = np.where(out.by_owner > 0, np.minimum(levels.typical, levels.high), np.nan)


@cache
def _floors() -> Floats:
    """(7,) detection limits [µL/L], added before the logarithm: low gases must not shout (ours)."""
    return np.array([detection_limit(gas) for gas in NORM_GASES])


def _logarithm(values: Floats) -> Floats:
    return np.asarray(np.log(np.maximum(values, 0.0) + _floors()))


def _ratio(logarithms: Floats) -> Floats:
    """Of C2H4 to C2H2, from logarithms (..., 7); hydrogen, which escapes first, takes no part."""
    return np.asarray(logarithms[..., C2H4] - logarithms[..., C2H2])


@dataclass(frozen=True)
class _Record:
    """What a sample is judged by: (k, 7) logarithms of k samples, and the days between the first and the last."""

    logarithms: Floats
    span_days: float


@dataclass(frozen=True)
class _Series:
    """One series of a compartment without norms."""

    frame: SampleFrame
    of: str
    out: OwnRecord

    def walk_samples(self, begin: int, end: int) -> None:
        """A laboratory's samples one after the other: what stands out is held back from the record."""
        frame = self.frame
        values = np.where(frame.below[begin:end, :GASES], 0.0, frame.values[begin:end, :GASES])
        logarithms, at = _logarithm(values), frame.at[begin:end]
        record: list[int] = []
        held: list[int] = []
        reviewed = np.zeros(GASES)
        for i in range(end - begin):
            if frame.reviewed[begin + i] and i:
                record, held = held or record, []
                reviewed = np.nan_to_num(values[i - 1])
            known = _Record(logarithms[record], float(at[record[-1]] - at[record[0]]) if record else 0.0)
            self._judge(begin + i, logarithms[i], known, 1)
            self._judge_level(begin + i, reviewed)
            if self._stands_out(begin + i):
                held.append(i)
                record, held = _grown_usual(record, held, logarithms, at)
            else:
                record.append(i)

    def walk_days(self, begin: int, end: int, daily: DailyMedians) -> None:
        """An instrument's readings, each against the daily medians up to a week before it."""
        frame = self.frame
        lo, hi = (
            np.searchsorted(daily.series, frame.series[begin], side="left"),
            np.searchsorted(daily.series, frame.series[begin], side="right"),
        )
        days, logarithms = daily.day[lo:hi], _logarithm(daily.references()[lo:hi, :GASES])
        value = np.where(frame.below[begin:end, :GASES], 0.0, frame.values[begin:end, :GASES])
        now, last = _logarithm(value), -1
        known = _Record(logarithms[:0], 0.0)
        for i in range(end - begin):
            until = int(np.searchsorted(days, np.floor(frame.at[begin + i]) - GAP_DAYS))
            if until != last:
                span = float(days[until - 1] - days[0]) if until else 0.0
                known, last = _Record(logarithms[:until], span), until
            self._judge(begin + i, now[i], known, FEWEST_DAYS)
            self._judge_level(begin + i, np.zeros(GASES))

    def _judge(self, row: int, now: Floats, record: _Record, fewest: int) -> None:
        out, count = self.out, len(record.logarithms)
        out.count[row] = count
        if count < fewest:
            return
        doubt = 0.5 if count < FEWEST else 1.0
        usual = np.exp(middle(record.logarithms)) - _floors()
        out.usual[row] = np.where(usual < 1e-6, 0.0, usual)
        out.usual_ratio[row] = float(np.exp(middle(_ratio(record.logarithms))))
        score = doubt * robust_score(now, record.logarithms)
        rise = np.exp(now) - _floors() - out.usual[row]
        limits = own_limits(self.of, "rise", NORM_GASES)
        scores = np.array([own_limit("any", "score", "", s) for s in (2, 3, 4)])
        passed = (score >= scores[:, None]) & (rise >= limits)
        by_gas = _gravest(passed)
        if self.of == TAP_CHANGER:
            ratio = doubt * float(robust_score(_ratio(now), _ratio(record.logarithms)))
            out.by_ratio[row] = _gravest(passed[:, C2H4] & (ratio >= scores))
            quiet = np.exp(record.logarithms[:, C2H2]).max() - _floors()[C2H2] <= own_limit(
                TAP_CHANGER, "quiet", "c2h2", 2
            )
            by_gas[C2H4] = 0
            by_gas[C2H2] *= bool(quiet and record.span_days >= QUIET_DAYS)
        out.by_rise[row] = by_gas
        rose = by_gas > 0
        rose[C2H4] |= out.by_ratio[row] > 0
        out.back[row] = np.where(rose, FALLEN_BACK * out.usual[row] + _floors(), out.back[row])

    def _judge_level(self, row: int, reviewed: Floats) -> None:
        """Far above anything ordinary, whatever the record says; a tap changer's C2H4 with its ratio only."""
        frame = self.frame
        value = np.where(frame.below[row, :GASES], np.nan, frame.values[row, :GASES])
        value = np.where(value > REVIEWED_RISE * reviewed, value, np.nan)
        found = _gravest(value >= own_limits(self.of, "level", NORM_GASES))
        if self.of == TAP_CHANGER:
            ratio = float(np.exp(_ratio(_logarithm(frame.values[row, :GASES]))))
            found *= bool(ratio >= own_limit(TAP_CHANGER, "ratio", "c2h4/c2h2", 3))
        self.out.by_level[row] = found
        lowest = own_limits(self.of, "level", NORM_GASES).min(axis=0)
        self.out.back[row] = np.where((found > 0) & np.isnan(self.out.back[row]), lowest, self.out.back[row])

    def _stands_out(self, row: int) -> bool:
        out = self.out
        return bool(out.by_rise[row].any() or out.by_level[row].any() or out.by_ratio[row])


def _gravest(passed: Bools) -> NDArray[np.int8]:
    """Severity 0, 2, 3 or 4 of (3, ...) what passed the limits of 2, 3 and 4."""
    return np.asarray(
        np.where(passed[2], 4, np.where(passed[1], 3, np.where(passed[0], 2, 0))), dtype=np.int8
    )


def _grown_usual(
    record: list[int], held: list[int], logarithms: Floats, at: Floats
) -> tuple[list[int], list[int]]:
    """What has held level for a year is usual now: the newest such stretch becomes the record."""
    level = [i for i in held if at[held[-1]] - at[i] <= LEVEL_DAYS * 1.5]
    if len(level) < FEWEST or at[level[-1]] - at[level[0]] < LEVEL_DAYS:
        return record, held
    own = logarithms[level]
    steady = np.nan_to_num(np.abs(robust_score(own, own))).max() < own_limit("any", "score", "", 2)
    return (level, []) if steady else (record, held)


OWN_RECORD: Final = Rule(judge_own_record, ("frame", "daily", "levels"))
