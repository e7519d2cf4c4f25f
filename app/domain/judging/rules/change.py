"""Change: what deltas (Table 3) and multi-point rates (Table 4) leave behind for each sample, and what both kinds of
source share in judging them. :mod:`.laboratory.walk` and :mod:`.online` fill the columns, :mod:`.status` draws the sum.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.domain.judging.frame import Bools, Floats, Integers
from app.domain.judging.norms import norms_2019
from app.science.quantities import NORM_GASES

ACETYLENE = NORM_GASES.index("c2h2")
LABORATORY_ACCURACY = 0.15
"""Relative measurement accuracy of a laboratory (clause 5.2.1 recommends better than ±15 %)."""
ACETYLENE_FLOOR = 0.5
"""[µL/L] Least change of acetylene that counts as one: a standard deviation near its detection limit of 1 µL/L
(clause 5.2.1: confidence is low below five times the limit; the number is common practice, no source)."""


@dataclass(frozen=True)
class Changes:
    """Columns made by :func:`judge_change`. Arrays are (n,) or (n, 7).

    Attributes:
        reference: value compared with [µL/L]; NaN where there is none.
        reference_at: when the sample was taken that it is a value of [days since 1970-01-01 UTC]; NaN where it is none
            of one sample.
        reference_below: it is a detection limit.
        delta: change against it [µL/L]; against a censored reference the change that is certain.
        early_delta: change [µL/L] against the oldest believed sample of the last four months where that is older than
            the reference, else NaN: who samples often would else only be compared with yesterday. Not on-line.
        early_at: when that one was taken [days].
        delta_exceeds: either of the two changes is above Table 3.
        rate: multi-point rate [µL/L/year]; NaN where the guide gives none.
        rate_low, rate_high: the 95 % interval of its slope [µL/L/year].
        rate_span: span of the points used [days].
        rate_points: number of points used.
        rate_limit: Table 4 limit that applies [µL/L/year].
        rate_exceeds: above Table 4.
        borne_out: above Table 4, and its own points bear it out: the interval of their slope lies above zero.
        status: DGA status 1-3, 0 where no norm gas was measured.
        suspect: a confirmation sample is asked for.
        asked: one is asked for only because of a rate that is not borne out; the sample is believed all the same.
        confirmed: this sample confirms the suspect one before it.
        refuted: this sample refutes the suspect one before it.
        settled_at: when the suspect one was taken that this sample confirms or refutes [days]; NaN where there is none.
        dropped: a later sample refuted this one; it takes no part in later rates.
        fell: a fault gas fell by more than measurement can explain (laboratory only).
        waiting: an earlier suspect sample waits still: this one has none of the gases in question, or copies it.
        restart: a presumed baseline begins with this sample and the one before: it confirms a fall of all gases that no
            work on record explains.
    """

    reference: Floats
    reference_at: Floats
    reference_below: Bools
    delta: Floats
    delta_exceeds: Bools
    early_delta: Floats
    early_at: Floats
    rate: Floats
    rate_low: Floats
    rate_high: Floats
    rate_span: Floats
    rate_points: Integers
    rate_limit: Floats
    rate_exceeds: Bools
    borne_out: Bools
    status: Integers
    suspect: Bools
    asked: Bools
    confirmed: Bools
    refuted: Bools
    settled_at: Floats
    dropped: Bools
    fell: Bools
    waiting: Bools
    restart: Bools


def whole_change(changes: Changes) -> Floats:
    """(n, 7) the larger of the two changes that Table 3 is applied to [µL/L]."""
    return np.fmax(changes.delta, changes.early_delta)


def above_delta(
    delta: Floats, reference: Floats, side: NDArray[np.int8], accuracy: float, floor: float
) -> Bools:
    """Above Table 3. For acetylene the table says "any increase": any that the measurement can tell."""
    limit = norms_2019().delta[side]
    limit[:, ACETYLENE] += np.maximum(accuracy * np.sqrt(2.0) * np.nan_to_num(reference[:, ACETYLENE]), floor)
    above: Bools = delta > limit
    return above
