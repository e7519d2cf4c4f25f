"""Saturation: how much of the water that oil of its temperature can hold is in it."""

from typing import Final

import numpy as np

from app.domain.judging.frame import Floats, SampleFrame
from app.domain.judging.rules.rule import Rule
from app.science.oil.moisture import relative_saturation


def judge_saturation(frame: SampleFrame) -> Floats:
    """(n,) relative saturation [%]; NaN where water or oil temperature is missing or water is censored."""
    water = np.where(frame.censored("water"), np.nan, frame.column("water"))
    return np.asarray(relative_saturation(water, frame.column("oil_temperature")), dtype=np.float64)


RELATIVE_SATURATION: Final = Rule(judge_saturation, ("frame",))
