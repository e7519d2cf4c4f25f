"""Extreme results: the examples that IEEE C57.104-2019 gives in 6.1.2, which call for action at once."""

from typing import Final

import numpy as np

from app.domain.judging.frame import Bools, SampleFrame
from app.domain.judging.rules.change import Changes
from app.domain.judging.rules.levels import GASES, Levels
from app.domain.judging.rules.rule import Rule
from app.science.norms.limits import limit
from app.science.quantities import NORM_GASES

EXTREME: Final = {
    "c2h4": ("delta", "extreme_ethylene_rise"),
    "c2h2": ("delta", "extreme_acetylene_rise"),
    "c2h6": ("level", "extreme_ethane"),
}
"""What is compared of each gas, and with which limit."""


def extremes(frame: SampleFrame, levels: Levels, changes: Changes) -> Bools:
    """(n, 7) where a gas is extreme; the guide's examples are values reached, not passed, and of mineral oil in main
    tanks: other compartments are judged by their own record."""
    found = np.zeros((len(frame), GASES), dtype=np.bool_)
    for gas, (kind, name) in EXTREME.items():
        g = NORM_GASES.index(gas)
        shown = frame.values[:, g] if kind == "level" else changes.delta[:, g]
        found[:, g] = shown >= limit(name).value
    found[levels.barred > 0] = False
    return found


EXTREMES: Final = Rule(extremes, ("frame", "levels", "changes"))
