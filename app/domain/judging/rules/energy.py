"""Energy: what the decomposition of oil and paper took, as normalized energy intensity (IEEE C57.104-2019, Annex F)."""

from typing import Final

import numpy as np

from app.domain.judging.frame import Floats, SampleFrame
from app.domain.judging.rules.rule import Rule
from app.science.diagnosis.energy import nei_oil, nei_oil_without_ethane, nei_paper


def judge_oil(frame: SampleFrame) -> Floats:
    """(n,) energy intensity of oil [kJ/kL]; NaN where a gas is missing, as in the two below."""
    return np.asarray(nei_oil(*_halved(frame, "ch4", "c2h6", "c2h4", "c2h2")))


def judge_oil_without_ethane(frame: SampleFrame) -> Floats:
    """(n,) the same without ethane [kJ/kL]."""
    return np.asarray(nei_oil_without_ethane(*_halved(frame, "ch4", "c2h4", "c2h2")))


def judge_paper(frame: SampleFrame) -> Floats:
    """(n,) energy intensity of paper [kJ/kL]."""
    return np.asarray(nei_paper(*_halved(frame, "co", "co2")))


def _halved(frame: SampleFrame, *gases: str) -> list[Floats]:
    """Numbers for a sum: a censored reading adds at most its limit, half of it is the usual stand-in
    (common practice, no source)."""
    found = []
    for gas in gases:
        column, below = frame.column(gas), frame.censored(gas)
        found.append(np.where(below, column / 2.0, column) if below.any() else column)
    return found


OIL: Final = Rule(judge_oil, ("frame",))
OIL_WITHOUT_ETHANE: Final = Rule(judge_oil_without_ethane, ("frame",))
PAPER: Final = Rule(judge_paper, ("frame",))
