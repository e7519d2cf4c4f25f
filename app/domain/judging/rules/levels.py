"""Levels: each gas against the two limits of the norm set that judges it (Tables 1 and 2 of the 2019 guide)."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from app.domain.judging.frame import Bools, Floats, Integers, SampleFrame
from app.domain.judging.norms import (
    IEC,
    IEEE_2008,
    OXYGEN_RATIO_BOUNDARY,
    Norming,
    age_column,
    norms_2008,
    norms_2019,
    norms_iec,
)
from app.domain.judging.rules.rule import Rule
from app.science.measuring.quality import oversaturated
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
        typical, high: (n, 7) limits that apply [µL/L]: Table 1 and Table 2, or what stands for them in another set.
        level: (n, 7) class of each gas.
        blind: (n, 7) True where nothing was found down to a detection limit that is itself above the norm: whether
            the gas is above the norm cannot be told.
        norm_set: (n,) index into ``norms.NORM_SETS``.
        owner_typical, owner_high: (n, 7) True where the limit is the owner's own.
        barred: (n,) why no norm applies, an index into ``norms.BARRED``; 0 where one does.
    """

    oxygen_ratio: Floats
    side: NDArray[np.int8]
    age: NDArray[np.int8]
    typical: Floats
    high: Floats
    level: NDArray[np.int8]
    blind: Bools
    norm_set: Integers
    owner_typical: Bools
    owner_high: Bools
    barred: NDArray[np.int8]


def judge_levels(frame: SampleFrame, norming: Norming) -> Levels:
    """Compare with the limits. A value equal to a norm is not above it (the guide leaves this open).

    A reading below a detection limit that is itself above the norm decides nothing and is UNKNOWN.
    """
    norms = norms_2019()
    ratio = _oxygen_ratio(frame)
    side = _side(frame, ratio)
    age = age_column(frame.age)
    typical = norms.typical[side, age]
    high = norms.high[side, age]
    _use_other_sets(norming, typical, high)
    owner_typical = _use_owner(norming, norming.owner_typical, typical)
    owner_high = _use_owner(norming, norming.owner_high, high)
    # the owner's word stands: a published limit on the wrong side of it gives way
    high[:] = np.where(owner_typical & ~owner_high, np.maximum(high, typical), high)
    typical[:] = np.where(owner_high & ~owner_typical, np.minimum(typical, high), typical)
    value = frame.values[:, :GASES]
    below = frame.below[:, :GASES]
    level = (value > typical).astype(np.int8) + (value > high).astype(np.int8)
    level[below & (value <= typical)] = TYPICAL
    blind = below & (value > typical) & (norming.barred == 0)[:, None]
    level[blind | np.isnan(value)] = UNKNOWN
    level[norming.barred > 0] = UNKNOWN
    return Levels(
        oxygen_ratio=ratio,
        side=side,
        age=age,
        typical=typical,
        high=high,
        level=level,
        blind=blind,
        norm_set=norming.norm_set,
        owner_typical=owner_typical,
        owner_high=owner_high,
        barred=norming.barred,
    )


def _use_other_sets(norming: Norming, typical: Floats, high: Floats) -> None:
    """Put the limits of the other published sets where they judge."""
    by_2008 = norming.norm_set == IEEE_2008
    if by_2008.any():
        typical[by_2008], high[by_2008] = norms_2008().typical, norms_2008().high
    by_iec = norming.norm_set == IEC
    if by_iec.any():
        tap_changer = norming.communicating[by_iec].astype(np.int64)
        typical[by_iec], high[by_iec] = norms_iec().typical[tap_changer], norms_iec().high[tap_changer]


def _use_owner(norming: Norming, limits: Floats, target: Floats) -> Bools:
    """Replace published limits by the owner's where there are any; returns where."""
    owned = np.zeros(target.shape, dtype=np.bool_)
    which = norming.owner >= 0
    if which.any():
        own = limits[norming.owner[which], :GASES]
        owned[which] = ~np.isnan(own)
        target[owned] = own[~np.isnan(own)]
    return owned


def _oxygen_ratio(frame: SampleFrame) -> Floats:
    oxygen, nitrogen = frame.column("o2"), frame.column("n2")
    usable = (nitrogen > 0) & ~frame.censored("n2") & ~frame.censored("o2") & ~np.isnan(oxygen)
    # more than oil can hold is no figure to choose a column by; oil under a blanket holds what its pressure gives
    doubted = oversaturated(oxygen, nitrogen, np.nan)
    usable &= frame.online | ~(doubted[:, 0] | (doubted[:, 1] & ~frame.blanketed))
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


LEVELS: Final = Rule(judge_levels, ("frame", "norming"), at_once=True)
