"""The walk: each sample suspected, confirmed, refuted or believed (IEEE C57.104-2019, 6.1.2)."""

from dataclasses import dataclass

import numpy as np

from app.domain.judging.frame import Bools, Integers, SampleFrame
from app.domain.judging.rules.change import Changes
from app.domain.judging.rules.laboratory.believed import Believed
from app.domain.judging.rules.laboratory.falls import fallen
from app.domain.judging.rules.laboratory.rises import Rises, replace_rows, rises_of
from app.domain.judging.rules.laboratory.state import Walk, Walked
from app.domain.judging.rules.levels import GASES, RAISED, Levels
from app.science.measuring.slips import identical_repeat


def walk_laboratory(frame: SampleFrame, levels: Levels, out: Changes) -> None:
    """Clause 6.1, one step a sample, all series abreast.

    A sample is *suspect* whose delta is above the norm, or its rate, where the points of the rate bear it out, or whose
    fault gases fell by more than measurement can explain (they do not leave sealed oil by themselves: air contact, a
    lost digit). The next one is compared with the sample before it: if the change is still there both are believed,
    otherwise the suspect one is dropped. The guide asks this of samples below Table 1; here a jump of any sample is
    treated so, since a transcription error does not keep to low levels (the level itself still counts at once). After
    a confirmed change the following ones are not suspected again until a sample shows none.

    A fall of all gases that the next sample confirms, with no work on record, restarts the baseline: the oil is
    presumed to have been treated, and what was before leaves references and rates.

    A rate above Table 4 that its points do not bear out asks for another sample as the guide does (below Table 1),
    once, but the sample is believed: dropping it would take from a slow rise the points that could bear it out.
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
    copy = np.r_[False, identical_repeat(frame.values[1:], frame.values[:-1]) & (np.diff(frame.series) == 0)]
    walked = Walked(frame, levels, points, copy, Believed(lengths, frame.at[starts]), out)
    state = Walk.start(len(starts))
    for step in range(int(lengths[0])):
        active = int(np.searchsorted(-lengths, -step, side="left"))
        _step(starts[:active] + step, state.head(active), walked)


def _step(row: Integers, state: Walk, walked: Walked) -> None:
    frame, out = walked.frame, walked.out
    series = np.arange(len(row), dtype=np.int64)
    walked.believed.advance(series, frame.at[row])
    found = rises_of(row, series, state, walked)
    fell, all_down = fallen(
        frame.values[row, :GASES], frame.below[row, :GASES], state.reference, state.reference_below
    )
    settled = _settle(row, state, walked, found, (fell, all_down))
    doubted = fell.any(axis=1) & ~settled.confirmed  # a fall has no excuse in an earlier rise
    risen = found.sure.any(axis=1) & ~settled.confirmed & ~state.gassing
    suspect = doubted | risen
    _write(row, found, out)
    out.reference[row], out.reference_below[row] = state.reference, state.reference_below
    out.reference_at[row], out.fell[row] = state.reference_at, fell
    out.asked[row] = _asked_for(row, found, state, walked) & ~settled.confirmed & ~suspect
    out.suspect[row] = suspect | out.asked[row]
    out.confirmed[row], out.refuted[row], out.restart[row] = (
        settled.confirmed,
        settled.refuted,
        settled.restart,
    )
    decided = settled.confirmed | settled.refuted
    out.settled_at[row] = np.where(decided, frame.at[state.pending], np.nan)
    out.waiting[row] = settled.waiting
    out.dropped[state.pending[settled.refuted]] = True

    held = settled.held
    _believe(row, series[~suspect & ~held], state, walked)
    any_rise = (found.sure | found.unsure).any(axis=1)
    state.gassing[:] = np.where(doubted | held, state.gassing, any_rise & (settled.confirmed | state.gassing))
    state.pending[:] = np.where(held, state.pending, np.where(suspect, row, -1))
    state.asked[:] = found.unsure | (state.asked & held[:, None])
    state.pending_rise[:] = (found.sure & risen[:, None]) | (state.pending_rise & held[:, None])
    state.pending_fall[:] = (fell & doubted[:, None]) | (state.pending_fall & held[:, None])
    state.pending_all[:] = np.where(held, state.pending_all, doubted & all_down)


@dataclass(frozen=True)
class _Settled:
    """What a step says of the suspect samples before: (k,) each.

    ``held``: the suspect one waits on. ``waiting``: since this sample has none of the gases in question, or copies it.
    """

    confirmed: Bools
    refuted: Bools
    restart: Bools
    held: Bools
    waiting: Bools


def _settle(row: Integers, state: Walk, walked: Walked, found: Rises, fall: tuple[Bools, Bools]) -> _Settled:
    """Confirm, refute or leave open; ``fall``: gases that fell, and where all did. Writes what follows to ``found``."""
    frame, believed, (fell, all_down) = walked.frame, walked.believed, fall
    waiting = state.pending >= 0
    judgeable = ~np.isnan(found.delta) | ~np.isnan(found.window.rate)
    asked = (judgeable & (state.pending_rise | state.pending_fall)).any(axis=1)
    decided = waiting & asked & ~walked.copy[row]
    down = (fell & state.pending_fall).any(axis=1)
    confirmed = decided & ((found.sure & state.pending_rise).any(axis=1) | down)
    restart = confirmed & down & state.pending_all & all_down
    # Two that are not refuted: a rate that is still above, since its points could bear it out later; and a high sample
    # before a fall of everything, since oil that was treated says nothing of what was in it.
    still = (found.unsure & state.pending_rise).any(axis=1)
    unsettled = decided & ~confirmed & (still | (all_down & state.pending_rise.any(axis=1)))
    if restart.any():
        again = np.flatnonzero(restart)
        believed.forget(again)
        state.forget(again, frame, state.pending[again])
    if (more := confirmed | unsettled).any():
        again = np.flatnonzero(more)
        earlier = state.pending[again]
        believed.append(again, frame.at[earlier], walked.points[earlier])
        believed.advance(again, frame.at[row[again]])
        replace_rows(found, again, rises_of(row[again], again, state, walked))
        confirmed |= unsettled & (found.sure & state.pending_rise).any(axis=1)
    nothing = np.isnan(frame.values[row, :GASES]).all(axis=1)
    return _Settled(
        confirmed=confirmed,
        refuted=decided & ~confirmed & ~unsettled,
        restart=restart,
        held=(waiting & ~decided) | nothing,
        waiting=waiting & ~decided,
    )


def _believe(row: Integers, which: Integers, state: Walk, walked: Walked) -> None:
    """The rows of the series ``which`` are points of rates and references from now on."""
    rows = row[which]
    walked.believed.append(which, walked.frame.at[rows], walked.points[rows])
    state.refer(which, walked.frame, rows)


def _write(row: Integers, found: Rises, out: Changes) -> None:
    out.delta[row], out.delta_exceeds[row] = found.delta, found.delta_exceeds
    out.early_delta[row], out.early_at[row] = found.early_delta, found.early_at
    out.rate[row], out.rate_span[row] = found.window.rate, found.window.span
    out.rate_low[row], out.rate_high[row] = found.window.low, found.window.high
    out.rate_points[row], out.rate_limit[row] = found.window.points, found.limit
    out.rate_exceeds[row], out.borne_out[row] = found.rate_exceeds, found.borne_out


def _asked_for(row: Integers, found: Rises, state: Walk, walked: Walked) -> Bools:
    """Another sample is asked for because of a rate that is not borne out: below Table 1, and not twice in a row."""
    new = (found.unsure & ~state.asked).any(axis=1) & ~found.sure.any(axis=1) & ~state.gassing
    asked: Bools = new & ~(walked.levels.level[row] >= RAISED).any(axis=1)
    return asked
