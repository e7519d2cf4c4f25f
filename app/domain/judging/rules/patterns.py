"""Patterns: what each diagnostic method makes of the gases, and whether it may speak at all.

A method always answers when it is asked; so it is asked only when some fault gas is above its typical value
(clause 5.2.1 of IEEE C57.104-2019), the gases it reads are there, and they are not all near detection.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from app.domain.judging.frame import Bools, Floats, SampleFrame
from app.domain.judging.rules.levels import RAISED, Levels
from app.domain.judging.rules.rule import Rule
from app.science.diagnosis.pentagons import (
    PENTAGON_1_ZONES,
    PENTAGON_2_ZONES,
    duval_pentagon_1,
    duval_pentagon_2,
)
from app.science.diagnosis.ratios import (
    IEC_60599_CASES,
    KEY_GAS_CASES,
    doernenburg,
    iec_60599_cases,
    key_gas,
    rogers_case,
)
from app.science.diagnosis.triangles import (
    TRIANGLE_1_ZONES,
    TRIANGLE_4_ZONES,
    TRIANGLE_5_ZONES,
    duval_triangle_1,
    duval_triangle_4,
    duval_triangle_5,
)
from app.science.measuring.uncertainty import detection_limit
from app.science.quantities import FAULT_GASES, NORM_GASES

NEAR_DETECTION = 5.0
"""Below about five times the detection limit a pattern means little (clause 5.2.1)."""

PENTAGON_GASES = ("h2", "c2h6", "ch4", "c2h4", "c2h2")
KEY_GASES = (*FAULT_GASES, "co")
TRIANGLE_4_AFTER = ("PD", "T1", "T2")
TRIANGLE_5_AFTER = ("T2", "T3")
"""Zones of triangle 1 that call for the other triangles (Annex D.4)."""

ZoneMethod = Callable[..., NDArray[np.int8]]


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


@dataclass(frozen=True)
class ZoneCalls:
    """One zone method: ``zone`` (n,) index into ``zones`` or -1, ``bar`` (n,) a :class:`Bar`."""

    zones: tuple[str, ...]
    gases: tuple[str, ...]
    zone: NDArray[np.int8]
    bar: NDArray[np.int8]

    def named(self, *names: str) -> Bools:
        """(n,) where one of these zones is called."""
        wanted = [self.zones.index(name) for name in names]
        found: Bools = np.isin(self.zone, wanted)
        return found


@dataclass(frozen=True)
class CaseCalls:
    """One ratio method: ``case`` (n,) index of the method's case or -1, ``bar`` (n,)."""

    case: NDArray[np.int8]
    bar: NDArray[np.int8]


@dataclass(frozen=True)
class Patterns:
    """Columns made by :func:`judge_patterns`.

    ``iec_cases`` is (n, 6), several true where the table overlaps. ``doernenburg_step`` (n,) says which of the
    method's tests failed, 0 for none. ``key_gas_match`` (n,) is in percent.
    """

    triangle_1: ZoneCalls
    triangle_4: ZoneCalls
    triangle_5: ZoneCalls
    pentagon_1: ZoneCalls
    pentagon_2: ZoneCalls
    iec_cases: Bools
    iec_bar: NDArray[np.int8]
    rogers: CaseCalls
    doernenburg: CaseCalls
    doernenburg_step: NDArray[np.int8]
    key_gas: CaseCalls
    key_gas_match: Floats


def judge_patterns(frame: SampleFrame, levels: Levels) -> Patterns:
    """All methods on the level of every sample."""
    speech = Speech.of(frame, levels)
    triangle_1 = zone_method(frame, speech, ("ch4", "c2h4", "c2h2"), duval_triangle_1, TRIANGLE_1_ZONES)
    iec_cases, iec_bar = _iec(frame, speech)
    arcs, step = _doernenburg(frame, speech)
    key, match = _key_gas(frame, speech)
    return Patterns(
        triangle_1=triangle_1,
        triangle_4=_follow(
            triangle_1,
            TRIANGLE_4_AFTER,
            zone_method(frame, speech, ("h2", "ch4", "c2h6"), duval_triangle_4, TRIANGLE_4_ZONES),
        ),
        triangle_5=_follow(
            triangle_1,
            TRIANGLE_5_AFTER,
            zone_method(frame, speech, ("ch4", "c2h4", "c2h6"), duval_triangle_5, TRIANGLE_5_ZONES),
        ),
        pentagon_1=zone_method(frame, speech, PENTAGON_GASES, duval_pentagon_1, PENTAGON_1_ZONES),
        pentagon_2=zone_method(frame, speech, PENTAGON_GASES, duval_pentagon_2, PENTAGON_2_ZONES),
        iec_cases=iec_cases,
        iec_bar=iec_bar,
        rogers=_rogers(frame, speech),
        doernenburg=arcs,
        doernenburg_step=step,
        key_gas=key,
        key_gas_match=match,
    )


# --- whether a method may speak ---------------------------------------------------------------------------


@dataclass(frozen=True)
class Speech:
    """What decides for every sample whether methods may speak: worked out once for all of them.

    Attributes:
        raised: (n,) some fault gas is above its typical value.
        missing: by gas, (n,) it was not measured. telling: by gas, (n,) well above detection.
        found: by gas, (n,) above zero.
    """

    raised: Bools
    missing: dict[str, Bools]
    telling: dict[str, Bools]
    found: dict[str, Bools]
    barred: Bools
    carbon: Bools

    @classmethod
    def of(cls, frame: SampleFrame, levels: Levels) -> "Speech":
        columns = [NORM_GASES.index(g) for g in FAULT_GASES]
        value = {gas: frame.column(gas) for gas in KEY_GASES}
        return cls(
            raised=levels.level[:, columns].max(axis=1, initial=-1) >= RAISED,
            missing={gas: np.isnan(v) for gas, v in value.items()},
            telling={gas: v >= NEAR_DETECTION * detection_limit(gas) for gas, v in value.items()},
            found={gas: v > 0 for gas, v in value.items()},
            barred=levels.barred > 0,
            carbon=levels.level[:, NORM_GASES.index("co")] >= RAISED,
        )

    def bars(self, gases: Sequence[str]) -> NDArray[np.int8]:
        """(n,) why a method over these gases may not speak, before it is asked."""
        bar = np.where(self.raised, np.int8(Bar.NONE), np.int8(Bar.ALL_TYPICAL))
        bar[~_any(self.telling, gases) & self.raised] = Bar.NEAR_DETECTION
        bar[~_any(self.found, gases)] = Bar.NO_GAS
        bar[_any(self.missing, gases)] = Bar.MISSING
        bar[self.barred] = Bar.NO_NORM
        return bar


def _any(columns: dict[str, Bools], gases: Sequence[str]) -> Bools:
    result = columns[gases[0]].copy()
    for gas in gases[1:]:
        result |= columns[gas]
    return result


@dataclass(frozen=True)
class _Answer:
    """What a method said when it was asked: ``rows`` (r,) it may speak of and what it ``found`` there (r, ...).

    ``clash`` (r,) is True where a censored reading, taken as nothing or as its limit, changes the answer; ``bar``
    (n,) says so already.
    """

    rows: NDArray[np.int64]
    found: NDArray[np.int8] | Bools
    clash: Bools
    bar: NDArray[np.int8]

    def spread(self, count: int) -> NDArray[np.int8]:
        """(n,) the answer, -1 where there is none."""
        result = np.full(count, -1, dtype=np.int8)
        result[self.rows] = np.where(self.clash, np.int8(-1), self.found)
        return result


def _ask(
    frame: SampleFrame,
    speech: Speech,
    gases: Sequence[str],
    method: Callable[..., NDArray[np.int8] | Bools],
    reads: Sequence[str] | None = None,
) -> _Answer:
    """Ask a method about the samples it may speak of; it reads ``reads``, or else the gases that decide that."""
    bar = speech.bars(gases)
    rows = np.flatnonzero(bar == Bar.NONE)
    names = reads or gases
    most = [frame.column(g)[rows] for g in names]
    below = [frame.censored(g)[rows] for g in names]
    found = method(*most)
    clash = np.zeros(len(rows), dtype=np.bool_)
    doubtful = np.flatnonzero(np.logical_or.reduce(below))
    if doubtful.size:
        least = [np.where(b, 0.0, v)[doubtful] for b, v in zip(below, most, strict=True)]
        other = found[doubtful] != method(*least)
        clash[doubtful] = other if other.ndim == 1 else other.any(axis=1)
    bar[rows[clash]] = Bar.CENSORED
    return _Answer(rows, found, clash, bar)


# --- zones ------------------------------------------------------------------------------------------------


def zone_method(
    frame: SampleFrame, speech: Speech, gases: tuple[str, ...], method: ZoneMethod, zones: tuple[str, ...]
) -> ZoneCalls:
    """A zone is named only where censored readings, taken as nothing or as their limit, cannot change it."""
    answer = _ask(frame, speech, gases, method)
    answer.bar[answer.rows[~answer.clash & (answer.found < 0)]] = Bar.NO_GAS
    return ZoneCalls(zones, gases, answer.spread(len(frame)), answer.bar)


def _follow(first: ZoneCalls, after: tuple[str, ...], calls: ZoneCalls) -> ZoneCalls:
    """A second triangle, heard only after some zones of the first."""
    silent = (calls.bar == Bar.NONE) & ~first.named(*after)
    bar = np.where(silent, np.int8(Bar.NOT_CALLED), calls.bar)
    return ZoneCalls(calls.zones, calls.gases, np.where(silent, np.int8(-1), calls.zone), bar)


# --- ratios and shares ------------------------------------------------------------------------------------


def _iec(frame: SampleFrame, speech: Speech) -> tuple[Bools, NDArray[np.int8]]:
    answer = _ask(frame, speech, FAULT_GASES, iec_60599_cases)
    answer.bar[answer.rows[~answer.clash & ~answer.found.any(axis=1)]] = Bar.NO_CASE
    cases = np.zeros((len(frame), len(IEC_60599_CASES)), dtype=np.bool_)
    cases[answer.rows] = answer.found & ~answer.clash[:, None]
    return cases, answer.bar


def _case_calls(frame: SampleFrame, answer: _Answer) -> CaseCalls:
    answer.bar[answer.rows[~answer.clash & (answer.found < 0)]] = Bar.NO_CASE
    return CaseCalls(answer.spread(len(frame)), answer.bar)


def _rogers(frame: SampleFrame, speech: Speech) -> CaseCalls:
    return _case_calls(frame, _ask(frame, speech, FAULT_GASES, rogers_case))


def _doernenburg(frame: SampleFrame, speech: Speech) -> tuple[CaseCalls, NDArray[np.int8]]:
    """The method has a validity test of its own; its step says which part of it failed."""
    answer = _ask(frame, speech, FAULT_GASES, lambda *gases: doernenburg(*gases).fault, KEY_GASES)
    step = np.zeros(len(frame), dtype=np.int8)
    step[answer.rows] = doernenburg(*(frame.column(g)[answer.rows] for g in KEY_GASES)).step
    return _case_calls(frame, answer), step


def _key_gas(frame: SampleFrame, speech: Speech) -> tuple[CaseCalls, Floats]:
    answer = _ask(frame, speech, KEY_GASES, lambda *gases: key_gas(*gases).case)
    match = np.full(len(frame), np.nan)
    match[answer.rows] = key_gas(*(frame.column(g)[answer.rows] for g in KEY_GASES)).match
    # ordinary oil is mostly carbon monoxide: cellulose is a case only where that is raised
    cellulose = answer.found == KEY_GAS_CASES.index("overheated cellulose")
    answer.found[cellulose & ~speech.carbon[answer.rows]] = -1
    return _case_calls(frame, answer), match


PATTERNS: Final = Rule(judge_patterns, ("frame", "levels"))
