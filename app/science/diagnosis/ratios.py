"""Gas ratios and the methods that read them: IEC 60599, Rogers, Doernenburg, key gas.

Limits are read from ``tables/``. Conventions for every ratio a/b: missing or negative gas gives NaN, 0/0 gives
NaN (nothing was found, so nothing is known), a/0 with a > 0 gives infinity. NaN meets no limit; a cell printed
"not significant" is met by anything. Limits printed ``<`` and ``>`` are strict; a printed range such as
``0.1-0.5`` includes both its ends (the sources do not say; the ends would belong to no case otherwise).
"""

from collections.abc import Mapping
from functools import cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.tables import rows

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

IEC_60599_CASES: Final = ("PD", "D1", "D2", "T1", "T2", "T3")
ROGERS_CASES: Final = (
    "normal",
    "low-energy arcing or partial discharge",
    "high-energy discharge",
    "low-temperature thermal",
    "thermal below 700 °C",
    "thermal above 700 °C",
)
DOERNENBURG_FAULTS: Final = ("thermal", "corona", "arcing")
DOERNENBURG_STEPS: Final = (
    "valid",
    "missing gas",
    "levels too low",
    "ratio not meaningful",
    "ratios disagree",
)
"""Why Doernenburg's method names a fault (0) or not (1-4)."""
KEY_GAS_CASES: Final = ("arcing", "corona", "overheated oil", "overheated cellulose")
COMBUSTIBLE: Final = ("h2", "ch4", "c2h6", "c2h4", "c2h2", "co")
"""The gases of TDCG (CO2 is not one of them)."""


class Doernenburg(NamedTuple):
    """Result of :func:`doernenburg`: index into :data:`DOERNENBURG_FAULTS` or -1, and which step decided."""

    fault: NDArray[np.int8]
    step: NDArray[np.int8]


class KeyGas(NamedTuple):
    """Result of :func:`key_gas`: index into :data:`KEY_GAS_CASES` or -1, and the match with its profile [%]."""

    case: NDArray[np.int8]
    match: Floats


def ratio(a: ArrayLike, b: ArrayLike) -> Floats:
    """a/b by the conventions of this module.

    Args:
        a: numerator. [µL/L]
        b: denominator. [µL/L]

    Returns:
        Array of the broadcast shape: NaN where a or b is missing or negative or both are zero, infinity where
        only b is zero.
    """
    top, bottom = np.broadcast_arrays(np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64))
    known = (top >= 0.0) & (bottom >= 0.0) & ((top > 0.0) | (bottom > 0.0))
    out = np.full(top.shape, np.nan)
    with np.errstate(over="ignore", invalid="ignore"):
        np.divide(top, bottom, out=out, where=known & (bottom > 0.0))
    out[known & (bottom == 0.0)] = np.inf
    return out


def tdcg(
    h2: ArrayLike, ch4: ArrayLike, c2h6: ArrayLike, c2h4: ArrayLike, c2h2: ArrayLike, co: ArrayLike
) -> Floats:
    """Total dissolved combustible gas, the sum of six gases [µL/L]; NaN where one is missing. CO2 is not in it
    (IEEE C57.104-2008)."""
    total = np.asarray(h2, dtype=np.float64)
    for gas in (ch4, c2h6, c2h4, c2h2, co):
        total = total + np.asarray(gas, dtype=np.float64)
    return np.asarray(total)


def iec_60599_cases(
    h2: ArrayLike, ch4: ArrayLike, c2h6: ArrayLike, c2h4: ArrayLike, c2h2: ArrayLike
) -> Bools:
    """Which cases of the IEC 60599 ratio table hold.

    Args:
        h2: hydrogen. [µL/L]
        ch4: methane. [µL/L]
        c2h6: ethane. [µL/L]
        c2h4: ethylene. [µL/L]
        c2h2: acetylene. [µL/L]

    Returns:
        Booleans of the broadcast shape plus a last axis in the order of :data:`IEC_60599_CASES`. Two may be true
        (D1 and D2 overlap; T1 also holds for a PD pattern, whose CH4/H2 it does not constrain) and none may be.

    Notes:
        The ratios mean something only when a gas is above its typical value and typical rate (clause 6.1, from
        memory).

    References:
        1. IEC 60599:2022, Table 1, as quoted by a secondary source.
    """
    return _cases("iec_60599_ratios", IEC_60599_CASES, _three_ratios(h2, ch4, c2h6, c2h4, c2h2))


def rogers_case(
    h2: ArrayLike, ch4: ArrayLike, c2h6: ArrayLike, c2h4: ArrayLike, c2h2: ArrayLike
) -> NDArray[np.int8]:
    """Case of the three-ratio Rogers table.

    Args:
        h2: hydrogen. [µL/L]
        ch4: methane. [µL/L]
        c2h6: ethane. [µL/L]
        c2h4: ethylene. [µL/L]
        c2h2: acetylene. [µL/L]

    Returns:
        Index into :data:`ROGERS_CASES`, 0-5; -1 where no case holds, which is typical of a third of results.

    References:
        1. IEEE Std C57.104-2019, Table 5.
    """
    names = tuple(str(i) for i in range(len(ROGERS_CASES)))
    return _first(_cases("rogers_ratios", names, _three_ratios(h2, ch4, c2h6, c2h4, c2h2)))


def doernenburg(
    h2: ArrayLike,
    ch4: ArrayLike,
    c2h6: ArrayLike,
    c2h4: ArrayLike,
    c2h2: ArrayLike,
    co: ArrayLike,
    *,
    gas_space: bool = False,
) -> Doernenburg:
    """Fault by Doernenburg's four ratios, with the tests that must pass before they are believed.

    Args:
        h2: hydrogen. [µL/L]
        ch4: methane. [µL/L]
        c2h6: ethane. [µL/L]
        c2h4: ethylene. [µL/L]
        c2h2: acetylene. [µL/L]
        co: carbon monoxide; NaN counts as not above its limit. [µL/L]
        gas_space: take the limits for gas from the gas space instead of oil.

    Returns:
        Fault and deciding step, of the broadcast shape. Step 0 names a fault, 1: a gas is missing; 2: not one of
        H2, CH4, C2H2, C2H4 is above twice L1 with another gas above L1; 3: a ratio has neither gas above L1;
        4: the four ratios do not agree on one fault.

    Notes:
        L1 is the 2008 set (C2H2 1 µL/L; it was 35 in 1991). "Another gas" is any other of the six: the guide prints
        "the other two", older texts "the other three", and both are in it.

    References:
        1. IEEE Std C57.104-2019, Annex D.2, Table D.2; Annex G, Table G.3 (2008 text).
    """
    names = ("h2", "ch4", "c2h6", "c2h4", "c2h2", "co")
    arrays = np.broadcast_arrays(*(np.asarray(g, dtype=np.float64) for g in (h2, ch4, c2h6, c2h4, c2h2, co)))
    gas = dict(zip(names, arrays, strict=True))
    limit = {row["quantity"]: float(row["limit"]) for row in rows("doernenburg_l1")}
    above = {name: gas[name] > limit[name] for name in names}
    number_above = np.sum([above[name] for name in names], axis=0)
    doubled = np.any([gas[name] > 2.0 * limit[name] for name in ("h2", "ch4", "c2h2", "c2h4")], axis=0)
    pairs = (("ch4", "h2"), ("c2h2", "c2h4"), ("c2h2", "ch4"), ("c2h6", "c2h2"))
    meaningful = np.all([above[a] | above[b] for a, b in pairs], axis=0)
    cases = _cases(
        "doernenburg_ratios",
        DOERNENBURG_FAULTS,
        {f"{a}/{b}": ratio(gas[a], gas[b]) for a, b in pairs},
        space="gas space" if gas_space else "oil",
    )
    found = _first(cases)
    missing = ~np.all([gas[name] >= 0.0 for name in names if name != "co"], axis=0)
    step = np.select([missing, ~(doubled & (number_above >= 2)), ~meaningful, found < 0], [1, 2, 3, 4], 0)
    return Doernenburg(
        fault=np.asarray(np.where(step == 0, found, -1), dtype=np.int8), step=np.asarray(step, dtype=np.int8)
    )


def key_gas(
    h2: ArrayLike, ch4: ArrayLike, c2h6: ArrayLike, c2h4: ArrayLike, c2h2: ArrayLike, co: ArrayLike
) -> KeyGas:
    """Key gas profile that the shares of the combustible gases resemble most.

    Args:
        h2: hydrogen. [µL/L]
        ch4: methane. [µL/L]
        c2h6: ethane. [µL/L]
        c2h4: ethylene. [µL/L]
        c2h2: acetylene. [µL/L]
        co: carbon monoxide. [µL/L]

    Returns:
        Case and match, of the broadcast shape. The match of a profile is the part of its printed shares that the
        sample has, min(share, printed) summed over the gases printed, in percent of their sum; the best profile is
        named where it reaches :data:`KEY_GAS_MATCH`, else the case is -1. NaN and -1 where a gas is missing or the
        sum is zero.

    Notes:
        The profiles are published, the way of matching is ours (common practice, no source): the guide gives words
        only, and says that the method errs in about half of the cases when applied by rule.

    References:
        1. Key gas shares: thesis, Universitas Indonesia, 2008, Table 3.5, after IEEE C57.104-1991.
        2. IEEE Std C57.104-2019, Annex D.1 (error rate).
    """
    total = tdcg(h2, ch4, c2h6, c2h4, c2h2, co)
    values = np.broadcast_arrays(*(np.asarray(g, dtype=np.float64) for g in (h2, ch4, c2h6, c2h4, c2h2, co)))
    share = {name: 100.0 * ratio(v, total) for name, v in zip(COMBUSTIBLE, values, strict=True)}
    matches = []
    for case in KEY_GAS_CASES:
        profile = {r["quantity"]: float(r["share"]) for r in rows("key_gas") if r["case"] == case}
        common = np.sum([np.minimum(share[gas], printed) for gas, printed in profile.items()], axis=0)
        matches.append(100.0 * common / sum(profile.values()))
    known = np.all([v >= 0.0 for v in values], axis=0) & (total > 0.0)
    match = np.where(known, np.max(np.nan_to_num(matches), axis=0), np.nan)
    best = np.argmax(np.nan_to_num(matches), axis=0)
    return KeyGas(
        case=np.asarray(np.where(match >= KEY_GAS_MATCH, best, -1), dtype=np.int8), match=np.asarray(match)
    )


KEY_GAS_MATCH: Final = 70.0
"""[%] A profile matched less than this is not named (our choice, common practice, no source)."""


def _three_ratios(
    h2: ArrayLike, ch4: ArrayLike, c2h6: ArrayLike, c2h4: ArrayLike, c2h2: ArrayLike
) -> dict[str, Floats]:
    return {"c2h2/c2h4": ratio(c2h2, c2h4), "ch4/h2": ratio(ch4, h2), "c2h4/c2h6": ratio(c2h4, c2h6)}


_Interval = tuple[float | None, bool, float | None, bool]


@cache
def _intervals(table: str, space: str | None) -> dict[tuple[str, str], _Interval]:
    """(case, ratio) to (low, low included, high, high included)."""
    found: dict[tuple[str, str], _Interval] = {}
    for row in rows(table):
        if space is None or row["space"] == space:
            found[row["case"], row["ratio"]] = (
                float(row["low"]) if row["low"] else None,
                row["low_included"] == "yes",
                float(row["high"]) if row["high"] else None,
                row["high_included"] == "yes",
            )
    return found


def _within(value: Floats, interval: _Interval) -> Bools:
    low, low_included, high, high_included = interval
    inside = np.ones(value.shape, dtype=np.bool_)
    if low is not None:
        inside &= (value >= low) if low_included else (value > low)
    if high is not None:
        inside &= (value <= high) if high_included else (value < high)
    return inside


def _cases(
    table: str, cases: tuple[str, ...], ratios: Mapping[str, Floats], space: str | None = None
) -> Bools:
    """Booleans (..., case): where every cell of the case's row holds."""
    intervals = _intervals(table, space)
    held = [
        np.all([_within(value, intervals[case, name]) for name, value in ratios.items()], axis=0)
        for case in cases
    ]
    return np.stack(held, axis=-1)


def _first(cases: Bools) -> NDArray[np.int8]:
    """Index of the only true case of the last axis, or -1."""
    return np.asarray(np.where(cases.any(axis=-1), cases.argmax(axis=-1), -1), dtype=np.int8)
