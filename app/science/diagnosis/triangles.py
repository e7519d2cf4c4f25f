"""Duval triangles 1, 4 and 5: which fault zone the shares of three gases lie in.

Limits and corners are read from ``tables/duval_triangle_*.csv``.
"""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.diagnosis.zones import DECIMALS, LimitMap
from app.science.tables import rows

__all__ = [
    "TRIANGLE_1_GASES",
    "TRIANGLE_1_VERTICES",
    "TRIANGLE_1_ZONES",
    "TRIANGLE_4_AFTER",
    "TRIANGLE_4_GASES",
    "TRIANGLE_4_VERTICES",
    "TRIANGLE_4_ZONES",
    "TRIANGLE_5_AFTER",
    "TRIANGLE_5_GASES",
    "TRIANGLE_5_PARTS",
    "TRIANGLE_5_ZONES",
    "duval_triangle_1",
    "duval_triangle_4",
    "duval_triangle_5",
    "percentages",
]

Floats = NDArray[np.float64]

TRIANGLE_1_GASES: Final = ("ch4", "c2h4", "c2h2")
TRIANGLE_4_GASES: Final = ("h2", "ch4", "c2h6")
TRIANGLE_5_GASES: Final = ("ch4", "c2h4", "c2h6")

TRIANGLE_1_ZONES: Final = ("PD", "T1", "T2", "T3", "DT", "D1", "D2")
TRIANGLE_4_ZONES: Final = ("PD", "S", "O", "C", "ND")
TRIANGLE_5_ZONES: Final = ("PD", "O", "S", "T2", "T3", "C", "ND")

TRIANGLE_4_AFTER: Final = ("PD", "T1", "T2")
TRIANGLE_5_AFTER: Final = ("T2", "T3")
"""Zones of triangle 1 after which the other triangles may be asked (IEEE Std C57.104-2019, Annex D.4)."""


def percentages(*gases: ArrayLike) -> tuple[Floats, ...]:
    """Shares of gases in their sum.

    Args:
        *gases: concentrations, broadcast against each other. [µL/L]

    Returns:
        One array per gas [%], rounded to 9 decimals; NaN where the sum is zero, or any gas is missing,
        negative or infinite.
    """
    values = np.broadcast_arrays(*(np.asarray(g, dtype=np.float64) for g in gases))
    total = np.zeros(values[0].shape)
    valid = np.ones(values[0].shape, dtype=np.bool_)
    for value in values:
        valid &= value >= 0.0
        total = total + value
    valid &= (total > 0.0) & np.isfinite(total)
    total = np.where(valid, total, np.nan)
    return tuple(np.asarray(np.round(100.0 * (v / total), DECIMALS)) for v in values)


def duval_triangle_1(ch4: ArrayLike, c2h4: ArrayLike, c2h2: ArrayLike) -> NDArray[np.int8]:
    """Zone of Duval's triangle 1: the six basic faults and DT, for mineral oil in the main tank.

    Args:
        ch4: methane. [µL/L]
        c2h4: ethylene. [µL/L]
        c2h2: acetylene. [µL/L]

    Returns:
        Index into :data:`TRIANGLE_1_ZONES`, of the broadcast shape; -1 where the sum is zero or a gas is
        missing or negative.

    Notes:
        A limit printed ">=" includes its value and "<" does not, so an edge belongs to the zone with the
        larger share of the gas whose limit it is. The triangle always answers: ask it only when gas levels
        or rates already point to a fault.

    References:
        1. IEEE Std C57.104-2019, Table 6 and Annex D.4.
    """
    return _MAP_1.classify(*percentages(ch4, c2h4, c2h2))


def duval_triangle_4(h2: ArrayLike, ch4: ArrayLike, c2h6: ArrayLike) -> NDArray[np.int8]:
    """Zone of Duval's triangle 4: low-temperature faults, after :data:`TRIANGLE_4_AFTER` in triangle 1 only.

    Args:
        h2: hydrogen. [µL/L]
        ch4: methane. [µL/L]
        c2h6: ethane. [µL/L]

    Returns:
        Index into :data:`TRIANGLE_4_ZONES`, of the broadcast shape; -1 as in :func:`duval_triangle_1`.

    Notes:
        Zone C is taken with C2H6 < 24 %; the printed ">= 24" would leave a quarter of the triangle without a zone.

    References:
        1. IEEE Std C57.104-2019, Annex D.4, Table D.3.
    """
    return _MAP_4.classify(*percentages(h2, ch4, c2h6))


def duval_triangle_5(ch4: ArrayLike, c2h4: ArrayLike, c2h6: ArrayLike) -> NDArray[np.int8]:
    """Zone of Duval's triangle 5: thermal faults, after :data:`TRIANGLE_5_AFTER` in triangle 1 only.

    Args:
        ch4: methane. [µL/L]
        c2h4: ethylene. [µL/L]
        c2h6: ethane. [µL/L]

    Returns:
        Index into :data:`TRIANGLE_5_ZONES`, of the broadcast shape; -1 as in :func:`duval_triangle_1`.

    Notes:
        Zone O below 2 % C2H6 is taken with C2H4 < 10 %; the printed "< 1" would leave an area without a zone.

    References:
        1. IEEE Std C57.104-2019, Annex D.4, Table D.4.
    """
    _, ethylene, ethane = percentages(ch4, c2h4, c2h6)
    return _MAP_5.classify(ethylene, ethane)


def _limit_map(name: str, zones: tuple[str, ...], gases: tuple[str, ...]) -> LimitMap:
    def pair(row: dict[str, str], gas: str) -> tuple[float | None, float | None]:
        lowest, end = row[f"{gas}_from"], row[f"{gas}_to"]
        return (float(lowest) if lowest else None, float(end) if end else None)

    return LimitMap(zones, [(row["zone"], [pair(row, gas) for gas in gases]) for row in rows(name)])


def _parts(name: str, gases: tuple[str, ...]) -> tuple[tuple[str, Floats], ...]:
    corners: dict[tuple[str, str], list[list[float]]] = {}
    for row in rows(name):
        corners.setdefault((row["zone"], row["part"]), []).append([float(row[gas]) for gas in gases])
    return tuple((zone, np.array(ring)) for (zone, _), ring in corners.items())


_MAP_1 = _limit_map("duval_triangle_1_limits", TRIANGLE_1_ZONES, TRIANGLE_1_GASES)
_MAP_4 = _limit_map("duval_triangle_4_limits", TRIANGLE_4_ZONES, TRIANGLE_4_GASES)
_MAP_5 = _limit_map("duval_triangle_5_limits", TRIANGLE_5_ZONES, ("c2h4", "c2h6"))

TRIANGLE_1_VERTICES: Final = dict(_parts("duval_triangle_1", TRIANGLE_1_GASES))
"""Zone to its corners, shape (k, 3): shares of :data:`TRIANGLE_1_GASES` [%]."""
TRIANGLE_4_VERTICES: Final = dict(_parts("duval_triangle_4", TRIANGLE_4_GASES))
"""Zone to its corners, shape (k, 3): shares of :data:`TRIANGLE_4_GASES` [%]."""
TRIANGLE_5_PARTS: Final = _parts("duval_triangle_5", TRIANGLE_5_GASES)
"""(zone, corners of shape (k, 3)) pairs: shares of :data:`TRIANGLE_5_GASES` [%]. O and T3 have two parts each."""
