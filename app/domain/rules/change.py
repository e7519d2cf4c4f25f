"""Change: deltas (Table 3), multi-point rates (Table 4), the confirmation sample and the DGA status.

Laboratory series follow clause 6.1 of IEEE C57.104-2019 sample by sample (:func:`walk_laboratory`). On-line
series have hundreds of points where the guide has six, so the same tables are applied to daily values
(:func:`judge_online`; our reading, common practice, no source).
"""

from dataclasses import dataclass, fields
from functools import cache

import numpy as np
from numpy.typing import NDArray

from app.domain.frame import Bools, DailyMedians, Floats, Integers, SampleFrame
from app.domain.norms import (
    IEEE_2019,
    LONGEST_SPAN_DAYS,
    SHORT_SPAN_DAYS,
    SHORTEST_SPAN_DAYS,
    norms_2019,
    span_column,
)
from app.domain.rules.levels import GASES, HIGH, RAISED, Levels, worst
from app.science.quantities import FAULT_GASES, NORM_GASES
from app.science.rates import DAYS_PER_YEAR, least_squares_rate
from app.science.uncertainty import detection_limit, measurement_sd

ACETYLENE = NORM_GASES.index("c2h2")
WINDOW = 6
"""The guide's rate uses the last 3 to 6 points."""
FEWEST = 3

LABORATORY_ACCURACY = 0.15
"""Relative measurement accuracy of a laboratory (clause 5.2.1 recommends better than ±15 %)."""
ACETYLENE_FLOOR = 0.5
"""[µL/L] Least change of acetylene that counts as one: a standard deviation near its detection limit of 1 µL/L
(clause 5.2.1: confidence is low below five times the limit; the number is common practice, no source)."""

JOINT_FALL = 2.33
"""Standard normal score that chance passes once in a hundred."""

REFERENCE_GAP_DAYS = 30.0
"""An on-line reading is compared with the month that ended this many days earlier."""
REFERENCE_LENGTH_DAYS = 30.0
REFERENCE_FEWEST_DAYS = 7
ONLINE_FEWEST_DAYS = 30
"""Days with a median that an on-line rate needs (common practice, no source)."""
CONFIRM_AFTER_DAYS = 1.0
"""On-line, a change is confirmed when a reading a day earlier already showed it."""


@dataclass(frozen=True)
class Changes:
    """Columns made by :func:`judge_change`. Arrays are (n,) or (n, 7).

    Attributes:
        reference: value compared with [µL/L]; NaN where there is none.
        delta: change against it [µL/L]; against a censored reference the change that is certain.
        delta_exceeds: above Table 3.
        rate: multi-point rate [µL/L/year]; NaN where the guide gives none.
        rate_span: span of the points used [days].
        rate_points: number of points used.
        rate_limit: Table 4 limit that applies [µL/L/year].
        rate_exceeds: above Table 4.
        status: DGA status 1-3, 0 where no norm gas was measured.
        suspect: a confirmation sample is asked for.
        confirmed: this sample confirms the suspect one before it.
        refuted: this sample refutes the suspect one before it.
        dropped: a later sample refuted this one; it takes no part in later rates.
        fell: a fault gas fell by more than measurement can explain (laboratory only).
        waiting: an earlier suspect sample waits still, since this one has none of the gases in question.
    """

    reference: Floats
    delta: Floats
    delta_exceeds: Bools
    rate: Floats
    rate_span: Floats
    rate_points: Integers
    rate_limit: Floats
    rate_exceeds: Bools
    status: Integers
    suspect: Bools
    confirmed: Bools
    refuted: Bools
    dropped: Bools
    fell: Bools
    waiting: Bools


def judge_change(frame: SampleFrame, levels: Levels, daily: DailyMedians) -> Changes:
    """Deltas, rates, confirmation and status of every sample."""
    n = len(frame)
    out = Changes(
        reference=np.full((n, GASES), np.nan),
        delta=np.full((n, GASES), np.nan),
        delta_exceeds=np.zeros((n, GASES), dtype=np.bool_),
        rate=np.full((n, GASES), np.nan),
        rate_span=np.full((n, GASES), np.nan),
        rate_points=np.zeros((n, GASES), dtype=np.int64),
        rate_limit=np.full((n, GASES), np.nan),
        rate_exceeds=np.zeros((n, GASES), dtype=np.bool_),
        status=np.zeros(n, dtype=np.int64),
        suspect=np.zeros(n, dtype=np.bool_),
        confirmed=np.zeros(n, dtype=np.bool_),
        refuted=np.zeros(n, dtype=np.bool_),
        dropped=np.zeros(n, dtype=np.bool_),
        fell=np.zeros((n, GASES), dtype=np.bool_),
        waiting=np.zeros(n, dtype=np.bool_),
    )
    if not n:
        return out
    walk_laboratory(frame, levels, out)
    if frame.online.any():
        judge_online(frame, levels, daily, out)
    _settle_status(levels, out)
    return out


# --- laboratory -------------------------------------------------------------------------------------------


@dataclass
class _Walk:
    """The state of every series while the walk goes on: one row a series, longest series first."""

    times: Floats  # (s, 5) times of believed samples, newest last
    values: Floats  # (s, 5, 7) their values; NaN where missing or censored
    reference: Floats  # (s, 7) numbers of the last believed sample
    reference_below: Bools  # (s, 7)
    pending: Integers  # (s,) row of a suspect sample that waits for its confirmation, or -1
    pending_rise: Bools  # (s, 7) the gases it is suspected for because they rose
    pending_fall: Bools  # (s, 7) and because they fell: a rise does not confirm a fall
    gassing: Bools  # (s,) a change was confirmed and has not ended: the next one needs no confirmation

    @classmethod
    def start(cls, series: int) -> "_Walk":
        return cls(
            times=np.full((series, WINDOW - 1), np.nan),
            values=np.full((series, WINDOW - 1, GASES), np.nan),
            reference=np.full((series, GASES), np.nan),
            reference_below=np.zeros((series, GASES), dtype=np.bool_),
            pending=np.full(series, -1, dtype=np.int64),
            pending_rise=np.zeros((series, GASES), dtype=np.bool_),
            pending_fall=np.zeros((series, GASES), dtype=np.bool_),
            gassing=np.zeros(series, dtype=np.bool_),
        )

    def head(self, count: int) -> "_Walk":
        """Views of the first ``count`` series."""
        return _Walk(*(getattr(self, f.name)[:count] for f in fields(self)))

    def believe(self, which: Bools, at: Floats, points: Floats) -> None:
        """Append a believed sample to the windows of the series named."""
        self.times[which, :-1] = self.times[which, 1:]
        self.times[which, -1] = at[which]
        self.values[which, :-1] = self.values[which, 1:]
        self.values[which, -1] = points[which]


def walk_laboratory(frame: SampleFrame, levels: Levels, out: Changes) -> None:
    """Clause 6.1, one step a sample, all series abreast.

    A sample is *suspect* whose delta or rate is above the norm, or whose fault gases fell by more than measurement
    can explain (they do not leave sealed oil by themselves: air contact, a lost digit). The next one is compared
    with the sample before it: if the change is still there both are believed, otherwise the suspect one is dropped.
    The guide asks this of samples below Table 1; here a jump of any sample is treated so, since a transcription
    error does not keep to low levels (the level itself still counts at once). After a confirmed change the following
    ones are not suspected again until a sample shows none.
    """
    starts = frame.starts()
    starts = starts[~frame.online[starts]]
    if not starts.size:
        return
    edges = np.r_[frame.starts(), len(frame)]
    lengths = edges[np.searchsorted(edges, starts) + 1] - starts
    order = np.argsort(-lengths, kind="stable")
    starts, lengths = starts[order], lengths[order]
    points = np.where(frame.below[:, :GASES], np.nan, frame.values[:, :GASES])
    state = _Walk.start(len(starts))
    for step in range(int(lengths[0])):
        active = int(np.searchsorted(-lengths, -step, side="left"))
        _step(starts[:active] + step, state.head(active), frame, points, levels, out)


def _step(
    row: Integers, state: _Walk, frame: SampleFrame, points: Floats, levels: Levels, out: Changes
) -> None:
    at, side, now = frame.at[row], levels.side[row], points[row]
    value, below = frame.values[row, :GASES], frame.below[row, :GASES]
    reference, delta = _certain_change(value, below, state.reference, state.reference_below)
    has_tables = (levels.norm_set[row] == IEEE_2019) & (levels.barred[row] == 0)
    delta_exceeds = (
        _above_delta(delta, reference, side, LABORATORY_ACCURACY, ACETYLENE_FLOOR) & has_tables[:, None]
    )
    rate, span, count = _window_rate(
        np.concatenate([state.times, at[:, None]], axis=1),
        np.concatenate([state.values, now[:, None, :]], axis=1),
    )
    limit = norms_2019().rate[side[:, None], span_column(span), np.arange(GASES)]
    mean = 0.5 * (np.nan_to_num(now) + np.nan_to_num(state.reference))
    rate_exceeds = _above_rate(rate, limit, span, mean) & has_tables[:, None]
    fell = _fell(value, below, state.reference, state.reference_below)
    rises = delta_exceeds | rate_exceeds

    waiting = state.pending >= 0
    has_gas = (~np.isnan(value)).any(axis=1)
    judgeable = ~np.isnan(delta) | ~np.isnan(rate)
    decided = waiting & (judgeable & (state.pending_rise | state.pending_fall)).any(axis=1)
    confirmed = decided & ((rises & state.pending_rise) | (fell & state.pending_fall)).any(axis=1)
    refuted = decided & ~confirmed
    # a sample without the gases in question settles nothing: the suspect one goes on waiting
    held = (waiting & ~decided) | ~has_gas
    doubted = fell.any(axis=1) & ~confirmed  # a fall has no excuse in an earlier rise
    risen = rises.any(axis=1) & ~confirmed & ~state.gassing
    suspect = doubted | risen

    out.reference[row], out.delta[row], out.delta_exceeds[row] = reference, delta, delta_exceeds
    out.rate[row], out.rate_span[row], out.rate_points[row] = rate, span, count
    out.rate_limit[row], out.rate_exceeds[row] = limit, rate_exceeds
    out.fell[row] = fell
    out.suspect[row], out.confirmed[row], out.refuted[row] = suspect, confirmed, refuted
    out.waiting[row] = waiting & ~decided
    out.dropped[state.pending[refuted]] = True

    if confirmed.any():
        earlier = np.where(confirmed, state.pending, row)
        state.believe(confirmed, frame.at[earlier], points[earlier])
    believed = ~suspect & ~held
    state.believe(believed, at, now)
    known = believed[:, None] & ~np.isnan(value)
    state.reference[known], state.reference_below[known] = value[known], below[known]
    state.gassing[:] = np.where(
        doubted | held, state.gassing, rises.any(axis=1) & (confirmed | state.gassing)
    )
    state.pending[:] = np.where(held, state.pending, np.where(suspect, row, -1))
    kept = held[:, None]
    state.pending_rise[:] = (rises & risen[:, None]) | (state.pending_rise & kept)
    state.pending_fall[:] = (fell & doubted[:, None]) | (state.pending_fall & kept)


def _fell(value: Floats, below: Bools, reference: Floats, reference_below: Bools) -> Bools:
    """Where fault gases fell by more than measurement can explain, from well above detection.

    Either one gas by more than three standard deviations of the difference, or all of them at once, hydrogen
    most, with a joint score beyond one in a hundred: the mark of air or of a container that leaked.
    """
    limits = _detection_limits()
    known = ~np.isnan(value) & ~np.isnan(reference) & ~below & ~reference_below & np.isfinite(limits)
    floor = np.where(np.isfinite(limits), limits, 0.0) / 2.0
    spread = np.hypot(measurement_sd(value, floor=floor), measurement_sd(reference, floor=floor))
    score = np.divide(reference - value, spread, out=np.zeros(value.shape), where=known & (spread > 0))
    alone = (score > 3.0) & (reference >= 5.0 * limits)
    count = known.sum(axis=1)
    joint = score.sum(axis=1) / np.sqrt(np.maximum(count, 1)) > JOINT_FALL
    joint &= (count >= 4) & ((score > 0) | ~known).all(axis=1)
    part = np.divide(value, reference, out=np.ones(value.shape), where=known & (reference > 0))
    others = np.where(known, part, np.inf)[:, 1:].min(axis=1)
    joint &= known[:, 0] & (1.0 - part[:, 0] >= 2.0 * (1.0 - others))
    found: Bools = alone | (joint[:, None] & known)
    return found


@cache
def _detection_limits() -> Floats:
    """Usual detection limits of the fault gases [µL/L]; infinite for the oxides, whose falls have other causes."""
    return np.array([detection_limit(g) if g in FAULT_GASES else np.inf for g in NORM_GASES])


def _certain_change(
    value: Floats, below: Bools, reference: Floats, reference_below: Bools
) -> tuple[Floats, Floats]:
    """Reference and delta. From "<5" to 6 the certain change is 1, from 6 to "<5" it is -1, else none."""
    delta = value - reference
    both = below & reference_below
    delta = np.where(both, 0.0, delta)
    delta = np.where(below & ~reference_below & (delta > 0), np.nan, delta)
    delta = np.where(reference_below & ~below & (delta < 0), np.nan, delta)
    return reference.copy(), delta


def _above_delta(
    delta: Floats, reference: Floats, side: NDArray[np.int8], accuracy: float, floor: float
) -> Bools:
    """Above Table 3. For acetylene the table says "any increase": any that the measurement can tell."""
    limit = norms_2019().delta[side]
    limit[:, ACETYLENE] += np.maximum(accuracy * np.sqrt(2.0) * np.nan_to_num(reference[:, ACETYLENE]), floor)
    above: Bools = delta > limit
    return above


def _above_rate(rate: Floats, limit: Floats, span: Floats, mean: Floats) -> Bools:
    """Above Table 4. For acetylene "any increasing rate": one whose rise over the span can be told."""
    limit = limit.copy()
    years = np.where(span[:, ACETYLENE] > 0, span[:, ACETYLENE] / DAYS_PER_YEAR, np.inf)
    noise = np.maximum(LABORATORY_ACCURACY * np.sqrt(2.0) * mean[:, ACETYLENE], ACETYLENE_FLOOR)
    limit[:, ACETYLENE] += noise / years
    above: Bools = rate > limit
    return above


def _window_rate(times: Floats, values: Floats) -> tuple[Floats, Floats, Integers]:
    """Least-squares rate, span and count of (s, 6) times and (s, 6, 7) values; NaN where none is given."""
    usable = ~np.isnan(values) & (times[:, -1:] - times <= LONGEST_SPAN_DAYS)[:, :, None]
    usable &= usable[:, -1:, :]  # a rate is up to and including this sample
    by_gas = np.swapaxes(usable, 1, 2)
    found = least_squares_rate(times[:, None, :], np.swapaxes(values, 1, 2), by_gas)
    given = (found.points >= FEWEST) & (found.span_days >= SHORTEST_SPAN_DAYS)
    return (
        np.where(given, found.per_year, np.nan),
        np.where(given, found.span_days, np.nan),
        np.where(given, found.points, 0),
    )


# --- on-line ----------------------------------------------------------------------------------------------


def judge_online(frame: SampleFrame, levels: Levels, daily: DailyMedians, out: Changes) -> None:
    """On-line samples: the reading against the month that ended a month ago, and the slope of daily medians.

    Only whole days before the sample's own are used, so a judgement does not depend on what came later.
    """
    rows = np.flatnonzero(frame.online)
    sums = _PrefixSums(daily)
    at, series = frame.at[rows], frame.series[rows]
    today = np.floor(at)
    value = np.where(frame.below[rows, :GASES], np.nan, frame.values[rows, :GASES])

    end = today - REFERENCE_GAP_DAYS
    days, mean = sums.mean(series, end - REFERENCE_LENGTH_DAYS, end)
    reference = np.where(days >= REFERENCE_FEWEST_DAYS, mean, np.nan)
    delta = value - reference
    delta_exceeds = _above_delta(delta, reference, levels.side[rows], 0.0, ACETYLENE_FLOOR)

    rate, error, span, count, level = sums.slope(series, today - SHORT_SPAN_DAYS, today)
    given = (span >= SHORTEST_SPAN_DAYS) & (count >= ONLINE_FEWEST_DAYS)
    rate, span, count = (
        np.where(given, rate, np.nan),
        np.where(given, span, np.nan),
        np.where(given, count, 0),
    )
    limit = norms_2019().rate[levels.side[rows][:, None], span_column(span), np.arange(GASES)]
    significant = rate - 2.0 * error > 0
    rate_exceeds = (rate > limit) & significant
    rise = rate[:, ACETYLENE] * span[:, ACETYLENE] / DAYS_PER_YEAR
    rate_exceeds[:, ACETYLENE] &= rise > np.maximum(ACETYLENE_FLOOR, 0.1 * level[:, ACETYLENE])

    has_tables = ((levels.norm_set[rows] == IEEE_2019) & (levels.barred[rows] == 0))[:, None]
    delta_exceeds &= has_tables
    rate_exceeds &= has_tables
    exceeds = delta_exceeds | rate_exceeds
    earlier = _a_day_earlier(series, at)
    confirmed_gas = exceeds & np.where((earlier >= 0)[:, None], exceeds[earlier], False)
    confirmed = confirmed_gas.any(axis=1)
    out.reference[rows], out.delta[rows], out.delta_exceeds[rows] = reference, delta, delta_exceeds
    out.rate[rows], out.rate_span[rows], out.rate_points[rows] = rate, span, count
    out.rate_limit[rows], out.rate_exceeds[rows] = limit, rate_exceeds
    out.suspect[rows] = exceeds.any(axis=1) & ~confirmed
    out.confirmed[rows] = confirmed


def online_baseline(frame: SampleFrame, daily: DailyMedians) -> Floats:
    """(n, 7) what an on-line gas stood at nine months before: the mean of a month of daily medians.

    NaN where there are too few, and for laboratory samples. It does not depend on where a window begins.
    """
    found = np.full((len(frame), GASES), np.nan)
    rows = np.flatnonzero(frame.online)
    begin = np.floor(frame.at[rows]) - SHORT_SPAN_DAYS
    days, mean = _PrefixSums(daily).mean(frame.series[rows], begin, begin + REFERENCE_LENGTH_DAYS)
    found[rows] = np.where(days >= REFERENCE_FEWEST_DAYS, mean, np.nan)
    return found


def _a_day_earlier(series: Integers, at: Floats) -> Integers:
    """Index of the newest sample of the same series at least a day and at most three days older, or -1."""
    key = series.astype(np.float64) * 1e6 + at  # days since 1970 stay far below a million
    index = np.searchsorted(key, key - CONFIRM_AFTER_DAYS + 1e-9, side="right") - 1
    found = index >= 0
    ok = found & (series[index] == series) & (at - at[index] <= 3.0)
    return np.where(ok, index, -1).astype(np.int64)


class _PrefixSums:
    """Running sums of daily medians, so that any window of any series costs the same."""

    def __init__(self, daily: DailyMedians) -> None:
        self._key = daily.series.astype(np.float64) * 1e6 + daily.day
        y = daily.values[:, :GASES]
        known = ~np.isnan(y)
        # times and values are centred per series: the sums of squares then keep their digits
        first = np.flatnonzero(np.r_[True, np.diff(daily.series) != 0]) if len(y) else np.zeros(0, np.int64)
        lengths = np.diff(np.r_[first, len(y)])
        self._series = daily.series[first]
        self._origin = daily.day[first] if len(y) else np.zeros(0)
        totals = np.add.reduceat(np.where(known, y, 0.0), first, axis=0) if len(y) else np.zeros((0, GASES))
        counts = np.add.reduceat(known, first, axis=0) if len(y) else np.zeros((0, GASES))
        self._centre = totals / np.maximum(counts, 1)
        x = (daily.day - np.repeat(self._origin, lengths))[:, None] * known
        dy = np.where(known, y - np.repeat(self._centre, lengths, axis=0), 0.0)
        self._day = daily.day
        rows = np.arange(len(y))[:, None]
        # of every gas: the first row with a median at or after a row, and the last one before it
        end = np.full((1, GASES), len(y))
        ahead = np.where(known, rows, len(y))[::-1]
        self._next = np.concatenate([np.minimum.accumulate(ahead, axis=0)[::-1], end])
        self._previous = np.concatenate(
            [-np.ones((1, GASES), np.int64), np.maximum.accumulate(np.where(known, rows, -1), axis=0)]
        )
        compared = daily.references()[:, :GASES]
        comparable = ~np.isnan(compared)
        self._compared = [
            self._running(c) for c in (comparable.astype(np.float64), np.where(comparable, compared, 0.0))
        ]
        self._sums = [self._running(c) for c in (known.astype(np.float64), x, dy, x * x, x * dy, dy * dy)]

    @staticmethod
    def _running(column: Floats) -> Floats:
        return np.concatenate([np.zeros((1, column.shape[1])), np.cumsum(column, axis=0)])

    def _window(self, series: Integers, begin: Floats, end: Floats) -> tuple[Integers, Integers, Integers]:
        """First row, row after the last, and series number, of the days begin <= day < end."""
        base = series.astype(np.float64) * 1e6
        low = np.searchsorted(self._key, base + np.maximum(begin, 0.0), side="left")
        high = np.searchsorted(self._key, base + np.maximum(end, 0.0), side="left")
        which = np.searchsorted(self._series, series)
        return low, np.maximum(high, low), np.minimum(which, max(len(self._series) - 1, 0))

    def mean(self, series: Integers, begin: Floats, end: Floats) -> tuple[Floats, Floats]:
        """Number of days and mean of what can be compared with in a window: medians, or their limits."""
        low, high, _ = self._window(series, begin, end)
        count, total = (sums[high] - sums[low] for sums in self._compared)
        return count, np.divide(total, count, out=np.full(count.shape, np.nan), where=count > 0)

    def slope(
        self, series: Integers, begin: Floats, end: Floats
    ) -> tuple[Floats, Floats, Floats, Integers, Floats]:
        """Least-squares slope per year, its standard error, span [days], number of days, mean level."""
        low, high, which = self._window(series, begin, end)
        n, sx, sy, sxx, sxy, syy = (s[high] - s[low] for s in self._sums)
        points = np.maximum(n, 1.0)
        xx, xy, yy = sxx - sx * sx / points, sxy - sx * sy / points, syy - sy * sy / points
        valid = (n >= FEWEST) & (xx > 0.5)
        slope = np.divide(xy, xx, out=np.full(n.shape, np.nan), where=valid)
        residual = np.maximum(yy - np.nan_to_num(slope) * xy, 0.0)
        error = np.sqrt(np.divide(residual, (n - 2) * xx, out=np.full(n.shape, np.nan), where=valid))
        span = self._span(low, high)
        level = sy / points + (self._centre[which] if len(self._centre) else 0.0)
        return slope * DAYS_PER_YEAR, error * DAYS_PER_YEAR, span, n.astype(np.int64), level

    def _span(self, low: Integers, high: Integers) -> Floats:
        """(r, 7) days between the first and the last median of each gas in the windows; 0 without two."""
        if not len(self._day):
            return np.zeros((len(low), GASES))
        day = np.r_[self._day, np.inf]
        first, last = day[self._next[low]], day[self._previous[high]]
        inside = (self._next[low] < high[:, None]) & (self._previous[high] >= low[:, None])
        return np.where(inside, np.where(inside, last, 0.0) - np.where(inside, first, 0.0), 0.0)


# --- status -----------------------------------------------------------------------------------------------


def _settle_status(levels: Levels, out: Changes) -> None:
    """Step 5 of the status logic: worst gas of levels, deltas and rates; 0 where nothing could be judged.

    A suspect sample carries the status it will have if it is confirmed, and is marked suspect.
    """
    level = worst(levels.level)
    status = np.where(level >= HIGH, 3, np.where(level >= RAISED, 2, 1))
    status = np.where(out.delta_exceeds.any(axis=1), np.maximum(status, 2), status)
    status = np.where(out.rate_exceeds.any(axis=1), 3, status)
    out.status[:] = np.where((levels.level >= 0).any(axis=1), status, 0)
