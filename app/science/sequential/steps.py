"""Coarse steps: what can be told of a series before anything is learned of it."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from app.science.sequential.parameters import StepParameters

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Integers = NDArray[np.int64]


class Steps(NamedTuple):
    """Result of :func:`coarse_steps`, n days of g columns: alarm, first day of it (-1: none), and the level before."""

    alarm: Bools
    since: Integers
    reference: Floats


def coarse_steps(values: Floats, limits: Floats, detection: Floats, reviewed: Bools) -> Steps:
    """Values far above the median of the days before, on some days in a row.

    Args:
        values: (n, g) daily values on n days in a row, NaN where not measured or below a limit. [any unit]
        limits: (n, g) the limit where a value is below one, NaN elsewhere.
        detection: (g,) usual detection limits; they are added to both sides, so that small values do not shout.
        reviewed: (n,) days on which somebody has accepted the level: a step ends there.

    Returns:
        A step lasts until the values have been back half of the way for two weeks.
    """
    own = StepParameters.read()
    n, g = values.shape
    known = np.where(np.isnan(values), limits, values)
    alarm, since = np.zeros((n, g), dtype=np.bool_), np.full((n, g), -1)
    reference = np.full((n, g), np.nan)
    for column in range(g):
        lasting: tuple[int, float] | None = None
        back = 0
        level = np.concatenate(
            [_before(part, own) for part in np.split(known[:, column], np.flatnonzero(reviewed))]
        )
        need = own.factor * (level + detection[column])
        high = (values[:, column] + detection[column] > need) & (
            values[:, column] > own.detection_limits * detection[column]
        )
        for t in range(own.days - 1, n):
            if reviewed[t]:
                lasting = None
                continue
            if lasting is None:
                # all of the days against the level before the first of them
                first = t - own.days + 1
                over = values[first : t + 1, column] + detection[column] > need[first]
                if high[first] and high[t] and over.all():
                    lasting, back = (first, float(level[first])), 0
            if lasting is None:
                continue
            half = (1.0 + own.release_share * (own.factor - 1.0)) * (lasting[1] + detection[column])
            if np.isfinite(known[t, column]):
                back = back + 1 if known[t, column] + detection[column] < half else 0
            if back >= own.release_days:
                lasting = None
                continue
            alarm[t, column], since[t, column], reference[t, column] = True, lasting[0], lasting[1]
    return Steps(alarm, since, reference)


def _before(column: Floats, own: StepParameters) -> Floats:
    """(n,) median of the days before each day; NaN where too few are known."""
    n = len(column)
    padded = np.concatenate([np.full(own.window, np.nan), column])
    days = np.lib.stride_tricks.sliding_window_view(padded, own.window)[:n]
    enough = np.isfinite(days).sum(axis=1) >= own.fewest
    found = np.full(n, np.nan)
    if enough.any():
        found[enough] = np.nanmedian(days[enough], axis=1)
    return found
