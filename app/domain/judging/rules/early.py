"""Early re-sample: on a young or repaired unit any gas above detection deserves a second look (5.3.1 of the guide)."""

from typing import Final

import numpy as np

from app.domain.judging.frame import Bools, SampleFrame
from app.domain.judging.rules.change import LABORATORY_ACCURACY, Changes
from app.domain.judging.rules.levels import GASES, Levels
from app.domain.judging.rules.rule import Rule
from app.science.measuring.uncertainty import detection_limit
from app.science.quantities import FAULT_GASES, NORM_GASES
from app.science.trends.rates import DAYS_PER_YEAR

FIRST_YEAR: Final = 1.0
"""[years] How long a unit is young, and the oil of one that was worked on is new (ours; the guide's norms begin at one
year)."""


def early_looks(frame: SampleFrame, levels: Levels, changes: Changes) -> Bools:
    """(n, 7) fault gases above detection that ask for an early second sample.

    Of laboratories, in the first year of the unit or after work on it, as long as the gas has not been seen to stand
    still: there is nothing to compare with, or it rose by more than measurement explains.
    """
    starts = frame.starts()
    begun = np.repeat(frame.at[starts], np.diff(np.r_[starts, len(frame)])) if len(frame) else frame.at
    young = (frame.age < FIRST_YEAR) | (frame.worked & (frame.at - begun < FIRST_YEAR * DAYS_PER_YEAR))
    young &= ~frame.online & (levels.barred == 0)
    limits = np.array([detection_limit(g) if g in FAULT_GASES else np.inf for g in NORM_GASES])
    seen = (frame.values[:, :GASES] > limits) & ~frame.below[:, :GASES]
    noise = LABORATORY_ACCURACY * np.sqrt(2.0) * changes.reference
    open_still = np.isnan(changes.delta) | (changes.delta > np.fmax(noise, limits))
    found: Bools = young[:, None] & seen & open_still
    return found


EARLY: Final = Rule(early_looks, ("frame", "levels", "changes"))
