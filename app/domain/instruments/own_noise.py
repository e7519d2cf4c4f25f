"""What noise a sensor is known to have of its own, from the days before."""

import numpy as np

from app.domain.instruments.record import InstrumentRecord
from app.science.measuring.noise import Noise, noise_from_range, resolution_of
from app.science.quantities import INDEX

FEWEST_DAYS = 7
READINGS_A_DAY = 4


def noise_of_days(record: InstrumentRecord, name: str, before: float) -> tuple[Noise, float] | None:
    """Noise and level of a quantity from its daily ranges before a time; None where there are too few days.

    Half of what the ranges say: they hold the day's own movement too.
    """
    column, days = INDEX[name], record.daily
    use = (days.day < np.floor(before)) & ~days.limits[:, column]
    use &= (days.counts[:, column] >= READINGS_A_DAY) & (days.high[:, column] > days.low[:, column])
    if use.sum() < FEWEST_DAYS:
        return None
    spans = (days.high - days.low)[use, column]
    sds = [noise_from_range(s, n) for s, n in zip(spans, days.counts[use, column], strict=True)]
    ends = np.concatenate([days.low[use, column], days.high[use, column]])
    level = float(np.median(days.medians[use, column]))
    return Noise(float(np.median(sds)) / 2.0, resolution_of(ends)), level
