"""Combustible gas: the total of the gases that burn, and the condition that the 2008 guide reads from it."""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from app.domain.judging.frame import Floats, SampleFrame
from app.domain.judging.rules.rule import Rule
from app.science.diagnosis.ratios import COMBUSTIBLE
from app.science.norms.conditions import CONDITION_QUANTITIES, condition_2008
from app.science.quantities import INDEX


def judge_total(frame: SampleFrame) -> Floats:
    """(n,) total dissolved combustible gas [µL/L] of the gases that were measured; NaN where none was."""
    gases = _found(frame, COMBUSTIBLE)
    return np.where(np.isnan(gases).all(axis=1), np.nan, np.nansum(gases, axis=1))


def judge_condition(frame: SampleFrame, total: Floats) -> NDArray[np.int8]:
    """(n,) condition 1-4 of the 2008 guide; 0 where nothing was measured."""
    gases = [name for name in CONDITION_QUANTITIES if name != "tdcg"]  # which stands last
    return condition_2008(np.column_stack([_found(frame, gases), total]))


def _found(frame: SampleFrame, gases: Sequence[str]) -> Floats:
    """(n, gases); what is below a detection limit counts as nothing."""
    columns = [INDEX[gas] for gas in gases]
    return np.where(frame.below[:, columns], 0.0, frame.values[:, columns])


TOTAL: Final = Rule(judge_total, ("frame",))
CONDITION: Final = Rule(judge_condition, ("frame", "tdcg"))
