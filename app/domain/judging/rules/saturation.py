"""Saturation: how much of the water that oil of its temperature can hold is in it."""

from typing import Final

import numpy as np

from app.domain.judging.frame import Floats, SampleFrame
from app.domain.judging.norms import LIQUIDS, Norming
from app.domain.judging.rules.rule import Rule
from app.science.oil.moisture import relative_saturation, solubility_of


def judge_saturation(frame: SampleFrame, norming: Norming) -> Floats:
    """(n,) relative saturation [%] by the liquid's solubility, or as measured where water was not; NaN where neither
    can be had or water is censored."""
    constants = np.array([solubility_of(str(liquid)) for liquid in LIQUIDS])[norming.liquid]
    water = np.where(frame.censored("water"), np.nan, frame.column("water"))
    derived = relative_saturation(water, frame.column("oil_temperature"), constants[:, 0], constants[:, 1])
    return np.asarray(
        np.where(np.isnan(derived), frame.column("relative_saturation"), derived), dtype=np.float64
    )


RELATIVE_SATURATION: Final = Rule(judge_saturation, ("frame", "norming"))
