"""Bars: why a method does not speak, in numbers for the columns and in words for people."""

from collections.abc import Sequence
from enum import IntEnum
from typing import Final

import numpy as np

from app.domain.judging.frame import SampleFrame
from app.domain.writing import written
from app.science.quantities import BY_NAME


class Bar(IntEnum):
    """Why a method does not apply."""

    NONE = 0
    MISSING = 1
    ALL_TYPICAL = 2
    CENSORED = 3
    NO_GAS = 4
    NO_CASE = 5
    NEAR_DETECTION = 6
    NOT_CALLED = 7
    NO_REFERENCE = 8
    NO_INCREASE = 9
    NO_NORM = 10


WORDS: Final = {
    Bar.ALL_TYPICAL: "no fault gas is above its typical value (IEEE C57.104-2019, 5.2.1)",
    Bar.NO_GAS: "none of its gases was found",
    Bar.NEAR_DETECTION: "all its gases are below five times their detection limits (IEEE C57.104-2019, 5.2.1)",
    Bar.NOT_CALLED: "Duval triangle 1 does not call for it (IEEE C57.104-2019, D.4)",
    Bar.NO_REFERENCE: "there is nothing earlier to compare with",
    Bar.NO_NORM: "no norm applies to this oil",
    Bar.NO_INCREASE: "fewer than two fault gases increased by more than measurement can explain",
}
"""Of the bars that need no further word. MISSING and CENSORED name the gases, NO_CASE is each method's own."""


def bar_words(bar: Bar, frame: SampleFrame, row: int, gases: Sequence[str]) -> str:
    """Why a method over these gases is silent about a row, for every bar but NONE and NO_CASE."""
    if bar is Bar.MISSING:
        missing = [BY_NAME[g].symbol for g in gases if np.isnan(frame.column(g)[row])]
        return f"not measured: {', '.join(missing)}"
    if bar is Bar.CENSORED:
        hidden = [
            f"{BY_NAME[g].symbol} <{written(frame.column(g)[row], 6)}"
            for g in gases
            if frame.censored(g)[row]
        ]
        return f"the answer depends on a reading below its detection limit: {', '.join(hidden)}"
    return WORDS[bar]
