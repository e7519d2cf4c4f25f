"""Whether water rises: relative saturation against the record at like temperatures.

Only what is compared at equal temperature can rise. Of the samples few stand so far above anything before them that
the record has to be looked through.
"""

from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np

from app.domain.judging.frame import Bools, DailyMedians, Floats, Integers, SampleFrame
from app.science.norms.limits import limit as single_limit
from app.science.norms.own_record import LEAST_SPREAD, robust_score
from app.science.oil.moisture import relative_saturation
from app.science.quantities import INDEX

YEAR_OF_COLD: Final = 400.0
"""Days back in which the coldest oil is looked for (ours); of an instrument, a tenth of it is not compared with."""
LEAST_RECORD: Final = {False: 4, True: 30}
"""Samples, or days, that a rise is judged by (ours)."""
APART: Final = 1e7
"""Days between the keys of one series and those of the next."""
_DEPTH: Final = 1000.0
"""Logarithms of numbers lie closer together than this."""
_HAIR: Final = 1e-3
"""What may rise is looked for by so much less than the limit: the scores themselves decide."""


class Record(NamedTuple):
    """(k,) oil temperature [°C] and relative saturation [%]."""

    temperature: Floats
    rs: Floats


class Rises(NamedTuple):
    """(n,) where water rose, and what was usual [%]: NaN where the record is too short or the sample not far above."""

    risen: Bools
    usual: Floats


def judge_rises(frame: SampleFrame, daily: DailyMedians, judged: Record, asked: Bools) -> Rises:
    """The rows asked for (n,), each against what came before it.

    Readings of one day are judged by the same medians and the same record, so an instrument's are judged once a day.
    """
    found = Rises(np.zeros(len(frame), dtype=np.bool_), np.full(len(frame), np.nan))
    if not asked.any():
        return found
    asked = asked & _may_rise(frame, daily, judged)
    for row in np.flatnonzero(asked & ~frame.online).tolist():
        begin = int(np.searchsorted(frame.series, frame.series[row]))
        before = Record(judged.temperature[begin:row], judged.rs[begin:row])
        _judge(judged, before, found, slice(row, row + 1), LEAST_RECORD[False])
    rows = np.flatnonzero(asked & frame.online)
    if not rows.size:
        return found
    until = _end_of_record(frame.at)
    keys = np.stack([frame.series[rows], np.floor(frame.at[rows]), until[rows]])
    edges = np.r_[0, 1 + np.flatnonzero((np.diff(keys, axis=1) != 0).any(axis=0)), len(rows)]
    for first, end in pairwise(edges.tolist()):
        series = frame.series[rows[first]]
        low, high = (int(np.searchsorted(daily.series, series, side=side)) for side in ("left", "right"))
        days = daily.values[low : low + int(np.searchsorted(daily.day[low:high], until[rows[first]]))]
        before = Record(days[:, INDEX["oil_temperature"]], _saturation(days))
        _judge(judged, before, found, rows[first:end], LEAST_RECORD[True])
    return found


def _end_of_record(at: Floats) -> Floats:
    return np.asarray(np.ceil(at - YEAR_OF_COLD / 10))


def _may_rise(frame: SampleFrame, daily: DailyMedians, judged: Record) -> Bools:
    """(n,) where the score against the lowest value of the record could reach the limit, the spread being the least."""
    before = np.arange(len(frame)) - 1
    same = (before >= 0) & (frame.series[before] == frame.series)
    lowest = np.where(same, _lowest_so_far(frame.series, judged.rs)[before], np.inf)
    if frame.online.any() and len(daily.series):
        until = frame.series * APART + _end_of_record(frame.at)
        last = np.searchsorted(daily.series * APART + daily.day, until) - 1
        same = (last >= 0) & (daily.series[last] == frame.series)
        of_days = np.where(same, _lowest_so_far(daily.series, _saturation(daily.values))[last], np.inf)
        lowest = np.where(frame.online, of_days, lowest)
    least = LEAST_SPREAD * single_limit("water_rise").value - _HAIR
    may: Bools = _logarithm(judged.rs, -np.inf) >= lowest + least
    return may


def _lowest_so_far(series: Integers, values: Floats) -> Floats:
    """(n,) the lowest logarithm of a positive value in the series up to each row; far above any where there is none.

    One running minimum for all series: each lies deep below the one before it.
    """
    depth = np.cumsum(np.r_[False, np.diff(series) != 0]) * _DEPTH
    return np.asarray(np.minimum.accumulate(_logarithm(values, np.inf) - depth) + depth)


def _logarithm(values: Floats, otherwise: float) -> Floats:
    """``otherwise`` where there is no positive value."""
    known = values > 0
    return np.where(known, np.log(np.where(known, values, 1.0)), otherwise)


def _saturation(days: Floats) -> Floats:
    """(d,) relative saturation of daily medians, measured or worked out [%]."""
    measured = days[:, INDEX["relative_saturation"]]
    derived = relative_saturation(days[:, INDEX["water"]], days[:, INDEX["oil_temperature"]])
    return np.where(np.isnan(measured), derived, measured)


def _judge(judged: Record, before: Record, found: Rises, rows: Integers | slice, fewest: int) -> None:
    """Judge the first of some rows against its record; what is found holds for all of them."""
    near = single_limit("like_temperature").value
    temperature, rs = judged.temperature[rows][0], judged.rs[rows][0]
    like = (np.abs(before.temperature - temperature) <= near) & (before.rs > 0)
    if like.sum() < fewest:
        return
    logarithms = np.log(before.rs[like])
    found.usual[rows] = float(np.exp(np.median(logarithms)))
    found.risen[rows] = float(robust_score(np.log(rs), logarithms)) >= single_limit("water_rise").value
