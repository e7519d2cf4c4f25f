"""Gassing events: how much energy formed the gas of each stretch of rise, against one utility's reasons for concern.

A severity by the percentile among units that failed is left out: the population it would be read from is not public.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from app.domain.judging.frame import Floats
from app.domain.watching.change import Looked
from app.domain.watching.record import day_of
from app.science.diagnosis.energy import nei_oil, nei_oil_without_ethane
from app.science.quantities import NORM_GASES
from app.science.tables import rows

_DAYS: Final = 7
"""A level at either end is the median of so many days (ours)."""


@dataclass(frozen=True, slots=True)
class GassingEvent:
    """One stretch of rise: its ISO days, what it gained [kJ/kL] with and without ethane (None where a gas is not
    measured), and whether either gain is a reason for concern."""

    begins: str
    ends: str
    gain: float | None
    gain_without_ethane: float | None
    of_concern: bool


def gassing_events(looked: Looked) -> tuple[GassingEvent, ...]:
    """The stretches in which the watch stood, each from where it began."""
    days = looked.alarm > 0
    if not days.any():
        return ()
    gas = dict(zip(NORM_GASES, np.moveaxis(looked.record.references, 1, 0), strict=True))
    oil = nei_oil(gas["ch4"], gas["c2h6"], gas["c2h4"], gas["c2h2"])
    short = nei_oil_without_ethane(gas["ch4"], gas["c2h4"], gas["c2h2"])
    edges = np.flatnonzero(np.diff(np.r_[False, days, False]))
    found = []
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        since = min(_began(looked, int(begin)), int(begin))
        gains = [_gain(column, since, int(end)) for column in (oil, short)]
        over = [g is not None and g > c for g, c in zip(gains, _concern(), strict=True)]
        first, last = (day_of(looked.record.first + k).isoformat() for k in (since, int(end) - 1))
        found.append(GassingEvent(first, last, gains[0], gains[1], any(over)))
    return tuple(found)


def _began(looked: Looked, day: int) -> int:
    places = np.r_[looked.watched.since[day], looked.steps.since[day]]
    return int(places[places >= 0].min(initial=day))


def _gain(column: Floats, since: int, end: int) -> float | None:
    before = column[max(since - _DAYS, 0) : since + 1]
    after = column[max(end - _DAYS, since) : end]
    if not np.isfinite(before).any() or not np.isfinite(after).any():
        return None
    return float(np.nanmedian(after) - np.nanmedian(before))


def _concern() -> tuple[float, float]:
    one = {row["index"]: float(row["coefficient"]) for row in rows("nei")}
    return one["concern_oil"], one["concern_oil_without_ethane"]
