"""What else may have made the gas of a pattern: the tap changer, stray gassing of the oil, water on bare metal."""

from collections.abc import Mapping
from typing import Final, NamedTuple

import numpy as np

from app.domain.judging.engine import Judgement
from app.domain.judging.frame import Floats
from app.domain.judging.methods import METHODS
from app.domain.judging.reporting.findings import tap_changer_gas
from app.domain.judging.rules.change import LABORATORY_ACCURACY
from app.domain.judging.rules.levels import RAISED
from app.science.norms.limits import limit
from app.science.quantities import FAULT_GASES, NORM_GASES

STRAY: Final = tuple(m for m in METHODS if m.fault.stray)
FEWEST: Final = 5
"""Samples from which two halves can be compared."""
_FAULT: Final = [NORM_GASES.index(g) for g in FAULT_GASES]
_C2H4: Final = FAULT_GASES.index("c2h4")
_C2H2: Final = FAULT_GASES.index("c2h2")


class OtherCause(NamedTuple):
    """In words, with where that stands.

    Attributes:
        likely: it makes the fault's name less sure; otherwise it is a caution.
    """

    words: str
    source: str
    likely: bool


def other_cause(
    judgement: Judgement, row: int, code: str, codes: Mapping[str, str], *, electrical: bool
) -> OtherCause | None:
    """What else a call of ``code`` may be; ``codes``: what each method says of the level. ``electrical``: some of the
    evidence is, so that stray gassing is not spoken of."""
    if code in {"D1", "D2", "DT"} and tap_changer_gas(judgement, row):
        return OtherCause(
            "the acetylene may come from the tap changer: compare with its oil before a fault in the tank is believed",
            "IEEE C57.104-2019, D.9.2",
            True,
        )
    if code == "PD" and _hydrogen_alone(judgement, row):
        return OtherCause(
            "hydrogen alone is often made by the oil itself, or by water on galvanized fittings and core steel: look "
            "for those first",
            "common practice, no source",
            False,
        )
    if code in {"T1", "T1/T2"} and not electrical and _stray(judgement, row, codes):
        return OtherCause(
            "stray gassing of the oil is likely: without acetylene, with hardly any ethylene, and slower than it began",
            "IEEE C57.104-2019, D.4-D.5; the slowing: common practice, no source",
            True,
        )
    return None


def _hydrogen_alone(judgement: Judgement, row: int) -> bool:
    raised = judgement.levels.level[row, _FAULT] >= RAISED
    return bool(raised[0] and not raised[1:].any())


def _stray(judgement: Judgement, row: int, codes: Mapping[str, str]) -> bool:
    """The methods that know stray gassing call it so, no method calls it hotter, and the series slows down."""
    if any(codes.get(m.name) != "S" for m in STRAY) or codes.get("duval_triangle_1") in {"T2", "T3"}:
        return False
    gases = judgement.frame.values[row, _FAULT]
    if np.isnan(gases).any() or (
        gases[_C2H2] >= limit("acetylene_seen").value and not judgement.frame.below[row, _FAULT[_C2H2]]
    ):
        return False
    share = 100.0 * gases[_C2H4] / gases.sum() if gases.sum() > 0 else 100.0
    return bool(share < limit("stray_ethylene").value and _slows(*_course(judgement, row)))


def _course(judgement: Judgement, row: int) -> tuple[Floats, Floats]:
    """Times [days] and the sum of the fault gases [µL/L] of the row's series up to it, where all were measured."""
    frame, daily = judgement.frame, judgement.daily
    if frame.online[row]:
        same = (daily.series == frame.series[row]) & (daily.day <= frame.at[row])
        at, gases = daily.day[same], daily.values[same][:, _FAULT]
    else:
        rows = np.arange(int(np.searchsorted(frame.series, frame.series[row])), row + 1)
        rows = rows[~judgement.changes.dropped[rows]]
        at = frame.at[rows]
        gases = np.where(frame.below[rows][:, _FAULT], 0.0, frame.values[rows][:, _FAULT])
    total = gases.sum(axis=1)
    known = ~np.isnan(total)
    return at[known], total[known]


def _slows(at: Floats, total: Floats) -> bool:
    """Whether the second half rises at less than half the pace of the first, which must have risen."""
    if len(at) < FEWEST:
        return False
    middle = (len(at) - 1) // 2
    first, last = _slope(at[: middle + 1], total[: middle + 1]), _slope(at[middle:], total[middle:])
    risen = first * (at[middle] - at[0]) > LABORATORY_ACCURACY * total[: middle + 1].mean()
    return bool(risen and last < limit("stray_slowing").value * first)


def _slope(at: Floats, total: Floats) -> float:
    days = at - at.mean()
    spread = float((days**2).sum())
    return float((days * (total - total.mean())).sum() / spread) if spread > 0 else 0.0
