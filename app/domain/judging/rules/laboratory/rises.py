"""How a laboratory sample stands against what is believed so far: deltas (Table 3) and rates (Table 4)."""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from app.domain.judging.frame import Bools, Floats, Integers
from app.domain.judging.norms import IEEE_2019, SHORT_SPAN_DAYS, norms_2019, span_column
from app.domain.judging.rules.change import (
    ACETYLENE,
    ACETYLENE_FLOOR,
    LABORATORY_ACCURACY,
    above_delta,
)
from app.domain.judging.rules.laboratory.believed import Window, merged
from app.domain.judging.rules.laboratory.falls import measurement_floor
from app.domain.judging.rules.laboratory.state import Walk, Walked
from app.domain.judging.rules.levels import GASES
from app.science.measuring.uncertainty import measurement_sd
from app.science.trends.rates import DAYS_PER_YEAR


@dataclass(frozen=True)
class Rises:
    """How a sample stands against what is believed so far: (k, 7) each."""

    delta: Floats
    delta_exceeds: Bools
    early_delta: Floats
    early_at: Floats
    window: Window
    limit: Floats
    rate_exceeds: Bools

    @property
    def borne_out(self) -> Bools:
        """Rates above Table 4 whose own points say that the gas rises at all."""
        return self.rate_exceeds & (self.window.low > 0.0)

    @property
    def sure(self) -> Bools:
        """What can be suspected and can confirm: a delta, or a rate that its points bear out."""
        return self.delta_exceeds | self.borne_out

    @property
    def unsure(self) -> Bools:
        """A rate above Table 4 and nothing more."""
        return self.rate_exceeds & ~self.sure


def rises_of(row: Integers, series: Integers, state: Walk, walked: Walked) -> Rises:
    """Deltas and rates of the rows, each the next sample of the series beside it."""
    frame, levels, believed = walked.frame, walked.levels, walked.believed
    at, side, now = frame.at[row], levels.side[row], walked.points[row]
    reference, reference_below = state.reference[series], state.reference_below[series]
    has_tables = ((levels.norm_set[row] == IEEE_2019) & (levels.barred[row] == 0))[:, None]
    delta = _certain_change(frame.values[row, :GASES], frame.below[row, :GASES], reference, reference_below)
    # who samples often compares with yesterday: what came about within four months counts as one change
    early_at, early = believed.earliest_of_late(series, at)
    exceeds = above_delta(delta, reference, side, LABORATORY_ACCURACY, ACETYLENE_FLOOR)
    # and where the reference is a detection limit, an older number may say more
    says_more = (early_at < state.reference_at[series]) | np.isnan(delta)
    early_delta, early_at = np.where(says_more, now - early, np.nan), np.where(says_more, early_at, np.nan)
    exceeds |= above_delta(early_delta, early, side, LABORATORY_ACCURACY, ACETYLENE_FLOOR)
    noise = measurement_sd(np.nan_to_num(now), floor=measurement_floor())
    window, limit, above = _rate(
        *believed.rates(series, at, now, noise), side=side, now=now, has_tables=has_tables
    )
    return Rises(delta, exceeds & has_tables, early_delta, early_at, window, limit, above)


def _rate(
    guide: Window, whole: Window, *, side: NDArray[np.int8], now: Floats, has_tables: Bools
) -> tuple[Window, Floats, Bools]:
    """The window told, its limit of Table 4, and where it is above.

    Six samples taken often span few months, for which the table allows more than for a longer span. So where they do,
    all points of two years are looked at as well, and told where only they are above, or only they bear it out.
    """
    limits, above = [], []
    for window in (guide, whole):
        limits.append(norms_2019().rate[side[:, None], span_column(window.span), np.arange(GASES)])
        above.append(_above_rate(window, limits[-1], now) & has_tables)
    longer = (whole.points > guide.points) & (guide.span <= SHORT_SPAN_DAYS)
    use = longer & above[1] & (~above[0] | ((whole.low > 0.0) & ~(guide.low > 0.0)))
    return merged(use, whole, guide), np.where(use, limits[1], limits[0]), np.where(use, above[1], above[0])


def replace_rows(found: Rises, which: Integers, by: Rises) -> None:
    """Put the rows of ``by`` in place of those of ``found``."""
    for one in fields(Rises):
        old, new = getattr(found, one.name), getattr(by, one.name)
        if isinstance(old, Window):
            for part in fields(Window):
                getattr(old, part.name)[which] = getattr(new, part.name)
        else:
            old[which] = new


def _certain_change(value: Floats, below: Bools, reference: Floats, reference_below: Bools) -> Floats:
    """Delta. From "<5" to 6 the certain change is 1, from 6 to "<5" it is -1, else none."""
    delta = value - reference
    delta = np.where(below & reference_below, 0.0, delta)
    delta = np.where(below & ~reference_below & (delta > 0), np.nan, delta)
    return np.where(reference_below & ~below & (delta < 0), np.nan, delta)


def _above_rate(window: Window, limit: Floats, now: Floats) -> Bools:
    """Above Table 4. For acetylene "any increasing rate": one whose rise over the span can be told."""
    limit = limit.copy()
    years = np.where(window.span[:, ACETYLENE] > 0, window.span[:, ACETYLENE] / DAYS_PER_YEAR, np.inf)
    # as of a delta, what can be told is counted from where the rise began
    began = np.maximum(np.nan_to_num(now[:, ACETYLENE]) - window.rate[:, ACETYLENE] * years, 0.0)
    limit[:, ACETYLENE] += np.maximum(LABORATORY_ACCURACY * np.sqrt(2.0) * began, ACETYLENE_FLOOR) / years
    above: Bools = window.rate > limit
    return above
