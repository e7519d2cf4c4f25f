"""Two older schemes: the three-digit code of the first IEC 599, and the CIGRE scheme.

Limits are read from ``tables/iec_599_digits.csv``, ``tables/iec_599_codes.csv`` and ``tables/cigre_scheme.csv``.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.diagnosis.ratios import ratio
from app.science.tables import rows

Floats = NDArray[np.float64]

IEC_599_CODES: Final = tuple(dict.fromkeys(row["fault"] for row in rows("iec_599_codes")))
"""Faults the code can name, in table order."""
CIGRE_SIGNS: Final = ("discharge", "partial discharge", "thermal", "cellulose")


class Iec599(NamedTuple):
    """Result of :func:`iec_599_code`: the digits (..., 3) or -1, and an index into :data:`IEC_599_CODES` or -1."""

    digits: NDArray[np.int8]
    fault: NDArray[np.int8]


def iec_599_code(h2: ArrayLike, ch4: ArrayLike, c2h6: ArrayLike, c2h4: ArrayLike, c2h2: ArrayLike) -> Iec599:
    """Code digits of C2H2/C2H4, CH4/H2 and C2H4/C2H6, and the fault they stand for.

    Args:
        h2: hydrogen. [µL/L]
        ch4: methane. [µL/L]
        c2h6: ethane. [µL/L]
        c2h4: ethylene. [µL/L]
        c2h2: acetylene. [µL/L]

    Returns:
        Digits 0-2, -1 where the ratio has no value; fault, -1 where the code stands for none.

    Notes:
        Bands are below 0.1, 0.1 to 1, above 1 to 3, above 3 (0.1, 1 and 3 in the band they end, except 0.1, which
        begins its band: common practice). The source's two labels of partial discharge look exchanged; the table
        gives 0-1-0 as low and 1-1-0 as high energy, from memory.

    References:
        1. University of Stuttgart, IEH, pages on the Rogers code.
    """
    values = (ratio(c2h2, c2h4), ratio(ch4, h2), ratio(c2h4, c2h6))
    table = rows("iec_599_digits")
    columns = []
    for name, value in zip(("c2h2/c2h4", "ch4/h2", "c2h4/c2h6"), np.broadcast_arrays(*values), strict=True):
        digit = np.full(value.shape, -1, dtype=np.int8)
        for row in table:
            above = value >= 0.0
            if row["from"]:
                edge = float(row["from"])
                above = (value >= edge) if row["from_included"] == "yes" else (value > edge)
            digit[above] = int(row[name])
        columns.append(digit)
    digits = np.stack(columns, axis=-1)
    fault = np.full(digits.shape[:-1], -1, dtype=np.int8)
    for row in rows("iec_599_codes"):
        wanted = tuple(int(row[name]) for name in ("first", "second", "third"))
        fault[(digits == wanted).all(axis=-1)] = IEC_599_CODES.index(row["fault"])
    return Iec599(digits, fault)


def cigre_signs(
    h2: ArrayLike,
    ch4: ArrayLike,
    c2h6: ArrayLike,
    c2h4: ArrayLike,
    c2h2: ArrayLike,
    co: ArrayLike,
    co2: ArrayLike,
) -> NDArray[np.bool_]:
    """Signs of the CIGRE scheme.

    Args:
        h2: hydrogen. [µL/L]
        ch4: methane. [µL/L]
        c2h6: ethane. [µL/L]
        c2h4: ethylene. [µL/L]
        c2h2: acetylene. [µL/L]
        co: carbon monoxide. [µL/L]
        co2: carbon dioxide. [µL/L]

    Returns:
        Booleans of the broadcast shape plus a last axis in the order of :data:`CIGRE_SIGNS`; several may hold.

    Notes:
        The sum of C1 to C3 is not asked for: C3 is seldom measured, so the sum of C1 and C2 decides.

    References:
        1. University of Stuttgart, IEH, pages on the CIGRE scheme.
    """
    limit = {row["name"]: float(row["limit"]) for row in rows("cigre_scheme")}
    gases = np.broadcast_arrays(
        *(np.asarray(g, dtype=np.float64) for g in (h2, ch4, c2h6, c2h4, c2h2, co, co2))
    )
    hydrogen, methane, ethane, ethylene, acetylene, monoxide, dioxide = gases
    carbon = ratio(dioxide, monoxide)
    return np.stack(
        [
            (ratio(acetylene, ethane) > limit["c2h2/c2h6"]) & (acetylene > limit["c2h2"]),
            (ratio(hydrogen, methane) > limit["h2/ch4"]) & (hydrogen > limit["h2"]),
            (ratio(ethylene, ethane) > limit["c2h4/c2h6"])
            & (methane + ethane + ethylene + acetylene > limit["c1-c2"]),
            ((carbon < limit["co2/co low"]) | (carbon > limit["co2/co high"]))
            & (monoxide + dioxide > limit["co+co2"]),
        ],
        axis=-1,
    )
