"""Laboratory series: clause 6.1 of IEEE C57.104-2019 sample by sample, with the confirmation sample."""

from dataclasses import dataclass, fields
from functools import cache

import numpy as np

from app.domain.judging.frame import Bools, Floats, Integers, SampleFrame
from app.domain.judging.norms import IEEE_2019, LONGEST_SPAN_DAYS, SHORTEST_SPAN_DAYS, norms_2019, span_column
from app.domain.judging.rules.change import (
    ACETYLENE,
    ACETYLENE_FLOOR,
    FEWEST,
    LABORATORY_ACCURACY,
    Changes,
    above_delta,
)
from app.domain.judging.rules.levels import GASES, Levels
from app.science.measuring.uncertainty import detection_limit, measurement_sd
from app.science.quantities import FAULT_GASES, NORM_GASES
from app.science.trends.rates import DAYS_PER_YEAR, least_squares_rate

WINDOW = 6
"""The guide's rate uses the last 3 to 6 points."""
JOINT_FALL = 2.33
"""Standard normal score that chance passes once in a hundred."""


@dataclass
class _Walk:
    """The state of every series while the walk goes on: one row a series, longest series first."""

    times: Floats  # (s, 5) times of believed samples, newest last
    values: Floats  # (s, 5, 7) their values; NaN where missing or censored
    reference: Floats  # (s, 7) numbers of the last believed sample
    reference_below: Bools  # (s, 7)
    reference_at: Floats  # (s, 7) when they were taken
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
            reference_at=np.full((series, GASES), np.nan),
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
        above_delta(delta, reference, side, LABORATORY_ACCURACY, ACETYLENE_FLOOR) & has_tables[:, None]
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
    out.reference_at[row], out.reference_below[row] = state.reference_at, state.reference_below
    out.rate[row], out.rate_span[row], out.rate_points[row] = rate, span, count
    out.rate_limit[row], out.rate_exceeds[row] = limit, rate_exceeds
    out.borne_out[row] = rate_exceeds
    out.fell[row] = fell
    out.suspect[row], out.confirmed[row], out.refuted[row] = suspect, confirmed, refuted
    out.settled_at[row] = np.where(decided, frame.at[state.pending], np.nan)
    out.waiting[row] = waiting & ~decided
    out.dropped[state.pending[refuted]] = True

    if confirmed.any():
        earlier = np.where(confirmed, state.pending, row)
        state.believe(confirmed, frame.at[earlier], points[earlier])
    believed = ~suspect & ~held
    state.believe(believed, at, now)
    known = believed[:, None] & ~np.isnan(value)
    state.reference[known], state.reference_below[known] = value[known], below[known]
    state.reference_at[known] = np.broadcast_to(at[:, None], known.shape)[known]
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
