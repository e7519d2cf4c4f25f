"""Patterns: what each diagnostic method makes of the gases, and whether it may speak at all.

A method always answers when it is asked; so it is asked only when some fault gas is above Table 1 (clause
5.2.1 of IEEE C57.104-2019) and the gases it reads are there.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from app.domain.frame import Bools, Floats, SampleFrame
from app.domain.rules.levels import RAISED, Levels
from app.science.pentagons import PENTAGON_1_ZONES, duval_pentagon_1
from app.science.quantities import FAULT_GASES, NORM_GASES
from app.science.ratios import iec_60599_cases
from app.science.triangles import TRIANGLE_1_ZONES, duval_triangle_1


class Bar(IntEnum):
    """Why a method does not apply."""

    NONE = 0
    MISSING = 1
    ALL_TYPICAL = 2
    CENSORED = 3
    NO_GAS = 4
    NO_CASE = 5


@dataclass(frozen=True)
class ZoneCalls:
    """One zone method: ``zone`` (n,) index into ``zones`` or -1, ``bar`` (n,) a :class:`Bar`."""

    zones: tuple[str, ...]
    gases: tuple[str, ...]
    zone: NDArray[np.int8]
    bar: NDArray[np.int8]


@dataclass(frozen=True)
class Patterns:
    """Columns made by :func:`judge_patterns`; ``iec_cases`` is (n, 6), several true where the table overlaps."""

    triangle_1: ZoneCalls
    pentagon_1: ZoneCalls
    iec_cases: Bools
    iec_bar: NDArray[np.int8]


def judge_patterns(frame: SampleFrame, levels: Levels) -> Patterns:
    """Duval triangle 1, Duval pentagon 1 and the ratios of IEC 60599 for every sample."""
    cases, bar = _iec(frame, levels)
    return Patterns(
        triangle_1=_zone_method(frame, levels, ("ch4", "c2h4", "c2h2"), duval_triangle_1, TRIANGLE_1_ZONES),
        pentagon_1=_zone_method(
            frame, levels, ("h2", "c2h6", "ch4", "c2h4", "c2h2"), duval_pentagon_1, PENTAGON_1_ZONES
        ),
        iec_cases=cases,
        iec_bar=bar,
    )


def bars(frame: SampleFrame, levels: Levels, gases: Sequence[str]) -> NDArray[np.int8]:
    """(n,) why a method over these gases may not speak, before it is asked."""
    value = np.stack([frame.column(g) for g in gases], axis=1)
    fault_columns = [NORM_GASES.index(g) for g in FAULT_GASES]
    raised = (levels.level[:, fault_columns] >= RAISED).any(axis=1)
    bar = np.where(raised, Bar.NONE, Bar.ALL_TYPICAL)
    bar = np.where(np.nan_to_num(value).sum(axis=1) <= 0, Bar.NO_GAS, bar)
    bar = np.where(np.isnan(value).any(axis=1), Bar.MISSING, bar)
    return bar.astype(np.int8)


def _bounds(frame: SampleFrame, gases: Sequence[str]) -> tuple[list[Floats], list[Floats], Bools]:
    """Least and greatest values that censored readings allow, and where any is censored."""
    most = [frame.column(g) for g in gases]
    least = [np.where(frame.censored(g), 0.0, v) for g, v in zip(gases, most, strict=True)]
    censored = np.zeros(len(frame), dtype=np.bool_)
    for gas in gases:
        censored |= frame.censored(gas)
    return least, most, censored


def _zone_method(
    frame: SampleFrame,
    levels: Levels,
    gases: tuple[str, ...],
    method: Callable[..., NDArray[np.int8]],
    zones: tuple[str, ...],
) -> ZoneCalls:
    """A zone is named only where censored readings, taken as nothing or as their limit, cannot change it."""
    least, most, censored = _bounds(frame, gases)
    bar = bars(frame, levels, gases)
    zone = method(*most)
    if censored.any():
        doubtful = np.flatnonzero(censored)
        with_none = method(*(v[doubtful] for v in least))
        clash = doubtful[zone[doubtful] != with_none]
        bar[clash] = np.where(bar[clash] == Bar.NONE, Bar.CENSORED, bar[clash])
    bar = np.where((bar == Bar.NONE) & (zone < 0), Bar.NO_GAS, bar).astype(np.int8)
    return ZoneCalls(zones, gases, np.where(bar == Bar.NONE, zone, -1).astype(np.int8), bar)


def _iec(frame: SampleFrame, levels: Levels) -> tuple[Bools, NDArray[np.int8]]:
    least, most, censored = _bounds(frame, FAULT_GASES)
    bar = bars(frame, levels, FAULT_GASES)
    cases = iec_60599_cases(*most)
    if censored.any():
        doubtful = np.flatnonzero(censored)
        other = iec_60599_cases(*(v[doubtful] for v in least))
        clash = doubtful[(cases[doubtful] != other).any(axis=1)]
        bar[clash] = np.where(bar[clash] == Bar.NONE, Bar.CENSORED, bar[clash])
    bar = np.where((bar == Bar.NONE) & ~cases.any(axis=1), Bar.NO_CASE, bar).astype(np.int8)
    return cases & (bar == Bar.NONE)[:, None], bar
