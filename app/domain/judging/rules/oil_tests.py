"""Oil tests: breakdown voltage, acidity, interfacial tension and dissipation factor by voltage class.

No decision is made on one test result: what stands out once asks for the test to be repeated, and counts when the test
before it stood out too. Of a laboratory's samples only; published limits are for mineral oil in main tanks.
"""

from dataclasses import dataclass
from functools import cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from app.domain.judging.frame import Bools, Floats, SampleFrame
from app.domain.judging.norms import IEC, OWNER, Citation, Norming
from app.domain.judging.rules.rule import Rule
from app.science.norms.limits import limit as single_limit
from app.science.oil.oil_quality import OilLimit, class_limit
from app.science.quantities import LOW_IS_BAD, OIL_TESTS

AGAIN_DAYS: Final = 1100.0
"""A test so long ago still says whether this one stands alone (ours: oil is tested every one to three years)."""
FAIR, POOR = 1, 2


class ClassLimits(NamedTuple):
    """The milder and the graver limit of one quantity in one voltage class; None where there is none."""

    fair: OilLimit | None
    poor: OilLimit | None


@cache
def published(quantity: str, kv: float, *, iec: bool) -> ClassLimits:
    """By IEC 60422 for units judged by IEC 60599, else by IEEE C57.106; both from memory.

    A file does not say over which gap a breakdown voltage was measured: below the value for 2 mm it is fair, below that
    for 1 mm poor (ours).
    """
    if quantity == "relative_saturation":
        return ClassLimits(None, class_limit(quantity, kv, "ieee_c57_106_older", fair=False))
    if iec:
        standard = "iec_60422_2013"
        return ClassLimits(
            class_limit(quantity, kv, standard, fair=True), class_limit(quantity, kv, standard, fair=False)
        )
    one = class_limit(quantity, kv, "ieee_c57_106_2006", fair=False)
    if quantity != "breakdown_voltage":
        return ClassLimits(None, one)
    return ClassLimits(one, class_limit(quantity, kv, "ieee_c57_106_1_mm", fair=False))


@dataclass(frozen=True)
class OilTests:
    """Columns made by :func:`judge_oil_tests`, in the order of ``OIL_TESTS``.

    Attributes:
        grade: (n, 4) 0 good, 1 fair, 2 poor, -1 not tested or without a limit.
        again: (n, 4) the test before it stood out at least as much.
        severity: (n, 4) 0 to 3; 1 asks for the test to be repeated.
    """

    grade: NDArray[np.int8]
    again: Bools
    severity: NDArray[np.int8]


def limits_of(norming: Norming, row: int, quantity: str) -> tuple[tuple[float, Citation, str] | None, ...]:
    """The milder and the graver limit of a row: its value, where it was read and the test it is for; None without one.

    The owner's limits go before the published ones.
    """
    low, high = (float(side[row]) for side in norming.owned(quantity))
    own = Citation(OWNER, "common practice", "")
    found: list[tuple[float, Citation, str] | None] = [None, None]
    if not norming.barred[row]:
        by_class = published(quantity, float(norming.rated_kv[row]), iec=bool(norming.norm_set[row] == IEC))
        found = [
            None if one is None else (one.limit, Citation(one.source, one.provenance, ""), one.test)
            for one in (by_class.fair, by_class.poor)
        ]
    if not np.isnan(low):
        found[0] = (low, own, "")
    if not np.isnan(high):
        found[1] = (high, own, "")
        if np.isnan(low) and found[0] is not None and _beyond(found[0][0], high, quantity):
            found[0] = None
    if not np.isnan(low) and np.isnan(high) and found[1] is not None and _beyond(low, found[1][0], quantity):
        found[1] = None
    return tuple(found)


def _beyond(value: float, limit: float, quantity: str) -> bool:
    return value < limit if quantity in LOW_IS_BAD else value > limit


def limit_columns(norming: Norming, quantity: str) -> tuple[Floats, Floats, Bools]:
    """(n,) the milder and the graver limit, infinite where there is none, and whether the graver is the owner's.

    Of quantities that should be low.
    """
    keys = np.column_stack(
        [np.nan_to_num(norming.rated_kv, nan=-1.0), norming.norm_set, norming.barred, norming.owner]
    )
    if (
        keys == keys[:1]
    ).all():  # one oil volume, as nearly always: to sort the keys would cost ten times the rest
        first, back = np.zeros(min(len(keys), 1), dtype=np.int64), np.zeros(len(keys), dtype=np.int64)
    else:
        _, first, back = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    mild, grave = np.full(len(first), np.inf), np.full(len(first), np.inf)
    owned = np.zeros(len(first), dtype=np.bool_)
    for i, row in enumerate(first):
        low, high = limits_of(norming, int(row), quantity)
        if low is not None:
            mild[i] = low[0]
        if high is not None:
            grave[i], owned[i] = high[0], high[1].source == OWNER
    back = back.reshape(-1)
    return mild[back], grave[back], owned[back]


def judge_oil_tests(frame: SampleFrame, norming: Norming) -> OilTests:
    """Every sample's tests of the oil."""
    n = len(frame)
    grade = np.full((n, len(OIL_TESTS)), -1, dtype=np.int8)
    repeated = np.zeros((n, len(OIL_TESTS)), dtype=np.bool_)
    severity = np.zeros((n, len(OIL_TESTS)), dtype=np.int8)
    for q, quantity in enumerate(OIL_TESTS):
        value = frame.column(quantity)
        tested = np.flatnonzero(~np.isnan(value) & ~frame.online & ~frame.censored(quantity))
        for row in tested:
            limits = limits_of(norming, int(row), quantity)
            if limits == (None, None):
                continue
            beyond = [one is not None and _beyond(float(value[row]), one[0], quantity) for one in limits]
            grade[row, q] = POOR if beyond[1] else FAIR if beyond[0] else 0
        repeated[:, q] = again(frame, grade[:, q])
        severity[:, q] = _severity(grade[:, q], repeated[:, q])
    far = _far(frame, norming, grade[:, 0])
    severity[far, 0] += 1
    return OilTests(grade, repeated, severity)


def again(frame: SampleFrame, grade: NDArray[np.int8]) -> Bools:
    """(n,) whether the test before stood out at least as much, or as poor as any."""
    found = np.zeros(len(grade), dtype=np.bool_)
    rows = np.flatnonzero(grade >= 0)
    if len(rows) > 1:
        now, before = rows[1:], rows[:-1]
        near = (frame.series[now] == frame.series[before]) & (frame.at[now] - frame.at[before] <= AGAIN_DAYS)
        found[now] = near & (grade[now] > 0) & (grade[before] >= grade[now])
    return found


def _severity(grade: NDArray[np.int8], again: Bools) -> NDArray[np.int8]:
    """Fair counts when it is there again, and then asks to look; poor asks for a repeat, and again for action."""
    return np.select(
        [(grade == POOR) & again, (grade == POOR) | ((grade == FAIR) & again)], [2, 1], 0
    ).astype(np.int8)


def _far(frame: SampleFrame, norming: Norming, grade: NDArray[np.int8]) -> NDArray[np.int64]:
    """Rows whose breakdown voltage is so far below the lowest value that one test is urgent already."""
    part = single_limit("breakdown_far").value
    found = []
    for row in np.flatnonzero(grade == POOR):
        limit = limits_of(norming, int(row), OIL_TESTS[0])[1]
        if limit is not None and float(frame.column(OIL_TESTS[0])[row]) < part * limit[0]:
            found.append(int(row))
    return np.array(found, dtype=np.int64)


OIL_TESTS_RULE: Final = Rule(judge_oil_tests, ("frame", "norming"))
