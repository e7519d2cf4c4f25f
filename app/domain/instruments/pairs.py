"""Pairs of a laboratory sample and what the instrument said at about the same time."""

from dataclasses import dataclass

import numpy as np

from app.domain.instruments.record import InstrumentRecord, limit_of
from app.domain.judging.frame import Bools, Floats
from app.domain.model import EventKind
from app.science.measuring.noise import instrument_parameters
from app.science.quantities import INDEX

DEFAULT_HOURS = 24.0
"""How far apart the two may be taken (our own choice; settable)."""


@dataclass(frozen=True)
class Pairs:
    """Pairs of one quantity in the order of time: (k,) times [days since 1970], laboratory and on-line values."""

    at: Floats
    laboratory: Floats
    online: Floats

    def __len__(self) -> int:
        return len(self.at)

    def where(self, mask: Bools) -> "Pairs":
        return Pairs(self.at[mask], self.laboratory[mask], self.online[mask])

    @property
    def logarithmic(self) -> Floats:
        """(k,) ln(on-line/laboratory)."""
        return np.asarray(np.log(self.online / self.laboratory))


def pairs_of(record: InstrumentRecord, quantity: str, hours: float = DEFAULT_HOURS) -> Pairs:
    """Every laboratory value with the median of the daily medians whose noon lies within so many hours of it.

    Values below a detection limit on either side make no pair, nor does what came before the newest calibration of
    the instrument: it tells how it agreed then.
    """
    column, daily, laboratory = INDEX[quantity], record.daily, record.laboratory
    usable = np.isfinite(daily.medians[:, column]) & ~daily.limits[:, column]
    noon, medians = daily.day[usable] + 0.5, daily.medians[usable, column]
    calibrated = max((t for t, kind in record.events if kind is EventKind.CALIBRATION), default=-np.inf)
    kept = []
    for at, value, below in zip(
        laboratory.at, laboratory.values[:, column], laboratory.below[:, column], strict=True
    ):
        near = np.abs(noon - at) <= hours / 24.0
        near &= noon - 0.5 >= calibrated
        if below or not value > 0.0 or at < calibrated or not near.any():
            continue
        online = float(np.median(medians[near]))
        if online > 0.0:
            kept.append((float(at), float(value), online))
    table = np.array(kept, dtype=np.float64).reshape(-1, 3)
    return Pairs(table[:, 0], table[:, 1], table[:, 2])


def telling(pairs: Pairs, quantity: str) -> Bools:
    """(k,) pairs whose laboratory value lies above about five detection limits: there differences are relative."""
    least = instrument_parameters("agreement")["detection_limits"] * limit_of(quantity)
    return np.asarray((pairs.laboratory >= least) | (pairs.online >= 2.0 * least))
