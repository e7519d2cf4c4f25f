"""Does the unit rise: a joint test of the fault gases and one of each gas, at every laboratory sample.

One test at one look is not a decade of looks: a gas is *called* rising when two samples in a row say so at levels that
call a flat unit falsely in about one of twenty-three decades. Figures: docs/decisions/trend.md.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from app.domain.judging.frame import Bools, Floats, SampleFrame
from app.domain.judging.rules.calling.evidence import (
    FAULT,
    IS_FAULT,
    Points,
    gas_p,
    grown,
    joint_p,
    levels,
    points_seen,
)
from app.domain.judging.rules.calling.looks import Belief, Looks, belief, looks_of
from app.domain.judging.rules.calling.stretch import last_stretch
from app.domain.judging.rules.change import Changes
from app.domain.judging.rules.levels import GASES
from app.domain.judging.rules.rule import Rule

TESTED_IN_SIMULATION: Final = 5
"""Gases that share the false calls of ``trend_call.csv``."""


@dataclass(frozen=True)
class TrendCalls:
    """Columns made by :func:`call_trends`; NaN and False for on-line rows. Arrays are (n,) or (n, 7).

    Attributes:
        joint_p: one-sided probability of so joint a rise of the fault gases by chance; NaN under four samples.
        gas_p: the same of each norm gas, by Kendall's S.
        called_joint: two samples in a row have so small a joint probability that the unit is called rising.
        called: the same of each gas.
        since: when the stretch began on which the called gases rise [days]; NaN where nothing is called.
        flat_since: from when on what is called does not rise any more [days]; NaN where it still does.
    """

    joint_p: Floats
    gas_p: Floats
    called_joint: Bools
    called: Bools
    since: Floats
    flat_since: Floats

    def any_called(self) -> Bools:
        """(n,) something is called rising."""
        found: Bools = self.called_joint | self.called.any(axis=1)
        return found


def call_trends(frame: SampleFrame, changes: Changes) -> TrendCalls:
    """Test every laboratory sample with the believed samples of its baseline before it.

    Laboratories are compared with themselves only. A sample that is not believed, or without a gas, is no look: it
    carries what the look before it said.
    """
    n = len(frame)
    out = TrendCalls(
        joint_p=np.full(n, np.nan),
        gas_p=np.full((n, GASES), np.nan),
        called_joint=np.zeros(n, dtype=np.bool_),
        called=np.zeros((n, GASES), dtype=np.bool_),
        since=np.full(n, np.nan),
        flat_since=np.full(n, np.nan),
    )
    if frame.online.all():
        return out
    believed = belief(frame, changes)
    level, grew = np.zeros((n, 2)), np.zeros((n, GASES), dtype=np.bool_)
    for looks in looks_of(frame, believed):
        points, own, row = points_seen(frame, looks), looks.own, looks.rows[looks.own]
        out.joint_p[row] = joint_p(looks, points)[own]
        out.gas_p[row] = gas_p(looks, points)[own]
        level[row] = levels(looks, points)[own]
        grew[row] = grown(looks, points)[own]
    _call(out, level, grew, believed, frame)
    called = out.any_called()
    if called.any():
        for looks in looks_of(frame, believed):
            if called[looks.rows[looks.own]].any():
                _date(out, looks, points_seen(frame, looks))
    return out


def _call(out: TrendCalls, level: Floats, grew: Bools, believed: Belief, frame: SampleFrame) -> None:
    """Two looks in a row; what is no look carries what was said before it."""
    n = len(frame)
    gases = np.maximum((~np.isnan(out.gas_p)).sum(axis=1), TESTED_IN_SIMULATION)
    one = level[:, 1] * TESTED_IN_SIMULATION / gases  # more gases share the same false calls
    with np.errstate(invalid="ignore"):
        low = np.column_stack([out.joint_p <= level[:, 0], out.gas_p <= one[:, None]])
    low[:, 0] &= grew[:, FAULT].any(axis=1)
    low[:, 1:] &= grew
    looks = np.flatnonzero(believed.takes_part)
    same = believed.origin[looks[1:]] == believed.origin[looks[:-1]]
    twice = np.zeros((n, 1 + GASES), dtype=np.bool_)
    twice[looks[1:]] = low[looks[1:]] & low[looks[:-1]] & same[:, None]
    # the last look at or before each row, in the same series
    last = np.maximum.accumulate(np.where(believed.takes_part, np.arange(n), -1))
    idle = ~believed.takes_part & ~frame.online & (last >= 0)
    idle &= frame.series[np.maximum(last, 0)] == frame.series
    twice[idle] = twice[last[idle]]
    for column in (out.joint_p, out.gas_p):
        column[idle] = column[last[idle]]
    out.called_joint[:], out.called[:] = twice[:, 0], twice[:, 1:]


def _date(out: TrendCalls, looks: Looks, points: Points) -> None:
    """When what is called began to rise, and from when on it does not any more."""
    called: Bools = looks.own & out.any_called()[looks.rows]
    b, look = np.nonzero(called)
    use, row = looks.use[b, look], looks.rows[b, look]
    # what is called, each gas in shares of its own mean so that none outshouts the others; jointly, all fault gases
    which = np.where(out.called[row].sum(axis=1, keepdims=True) > 0, out.called[row], IS_FAULT)
    counted = points.counted[b]
    known: Bools = ~np.isnan(counted) & use[:, :, None] & which[:, None, :]
    mean = np.where(known, counted, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    share = counted / np.where(mean > 0.0, mean, 1.0)[:, None, :]
    level = np.where(known, share, 0.0).sum(axis=2) / np.maximum(known.sum(axis=2), 1)
    stretch = last_stretch(points.at[b], level, known.sum(axis=2) > 0)
    origin = points.origin[b]
    out.since[row], out.flat_since[row] = origin + stretch.since, origin + stretch.flat_since


TREND_CALLS: Final = Rule(call_trends, ("frame", "changes"))
