"""Levels: each gas against Tables 1 and 2 of IEEE C57.104-2019, in the column that applies."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.domain.frame import Bools, Floats, Integers, SampleFrame
from app.domain.norms import OXYGEN_RATIO_BOUNDARY, age_column, norms_2019
from app.science.quantities import NORM_GASES

GASES = len(NORM_GASES)

UNKNOWN, TYPICAL, RAISED, HIGH = -1, 0, 1, 2
"""Level classes: not measured or undecidable; not above Table 1; between the tables; above Table 2."""

HOVERING = (0.15, 0.25)
"""A ratio in this band that flipped lately is judged on the high side (6.1.1; the band is our choice)."""
HOVERING_SAMPLES = 5


@dataclass(frozen=True)
class Levels:
    """Columns made by :func:`judge_levels`.

    Attributes:
        oxygen_ratio: (n,) O2/N2 used, NaN where unknown.
        side: (n,) 0 where O2/N2 is at most 0.2, 1 where it is above, hovers or is unknown.
        age: (n,) index into ``norms.AGES``.
        typical, high: (n, 7) Table 1 and Table 2 limits that apply [µL/L].
        level: (n, 7) class of each gas.
    """

    oxygen_ratio: Floats
    side: NDArray[np.int8]
    age: NDArray[np.int8]
    typical: Floats
    high: Floats
    level: NDArray[np.int8]


def judge_levels(frame: SampleFrame) -> Levels:
    """Compare with Tables 1 and 2. A value equal to a norm is not above it (the guide leaves this open).

    A reading below a detection limit that is itself above the norm decides nothing and is UNKNOWN.
    """
    norms = norms_2019()
    ratio = _oxygen_ratio(frame)
    side = _side(frame, ratio)
    age = age_column(frame.age)
    typical = norms.typical[side, age]
    high = norms.high[side, age]
    value = frame.values[:, :GASES]
    below = frame.below[:, :GASES]
    level = (value > typical).astype(np.int8) + (value > high).astype(np.int8)
    level[below & (value <= typical)] = TYPICAL
    level[(below & (value > typical)) | np.isnan(value)] = UNKNOWN
    return Levels(ratio, side, age, typical, high, level)


def _oxygen_ratio(frame: SampleFrame) -> Floats:
    oxygen, nitrogen = frame.column("o2"), frame.column("n2")
    usable = (nitrogen > 0) & ~frame.censored("n2") & ~frame.censored("o2") & ~np.isnan(oxygen)
    ratio: Floats = np.divide(oxygen, nitrogen, out=frame.oxygen_ratio.copy(), where=usable)
    return ratio


def _side(frame: SampleFrame, ratio: Floats) -> NDArray[np.int8]:
    unknown = np.isnan(ratio)
    above = ratio > OXYGEN_RATIO_BOUNDARY
    hovering = (ratio >= HOVERING[0]) & (ratio <= HOVERING[1])
    flipped = np.zeros(len(ratio), dtype=np.bool_)
    for back in range(1, min(HOVERING_SAMPLES, len(ratio) - 1) + 1):
        same = frame.series[back:] == frame.series[:-back]
        flipped[back:] |= same & ~unknown[:-back] & (above[:-back] != above[back:])
    side: NDArray[np.int8] = (unknown | above | (hovering & flipped)).astype(np.int8)
    return side


def measured(frame: SampleFrame) -> Bools:
    """(n, 7) True where a norm gas has a number, limits included."""
    return ~np.isnan(frame.values[:, :GASES])


def worst(level: NDArray[np.int8]) -> Integers:
    """(n,) highest class of any gas; UNKNOWN only when all are."""
    highest: Integers = level.max(axis=1).astype(np.int64)
    return highest
