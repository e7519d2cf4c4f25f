"""Limits of oil quality by voltage class, from ``tables/oil_quality.csv``. Do not decide on one test result."""

from functools import cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from app.science.tables import TableError, rows


class OilLimit(NamedTuple):
    """One limit of one standard and voltage class."""

    standard: str
    quantity: str
    test: str
    kv_from: float
    kv_from_included: bool
    kv_to: float
    kv_to_included: bool
    kind: str
    """``lowest``: should be at least; ``highest``: at most; ``fair_below``, ``fair_above``: beyond it only fair."""
    limit: float
    unit: str
    source: str
    provenance: str


@cache
def oil_limits(standard: str) -> tuple[OilLimit, ...]:
    """All limits of a standard: ``usbr``, ``tm_5_684``, ``ieee_c57_106_2006``, ``ieee_c57_106_1_mm``,
    ``ieee_c57_106_older``, ``iec_60422_2013``, ``iec_60422_2013_inhibited``.

    Raises:
        TableError: if the table has no such standard.
    """
    found = tuple(
        OilLimit(
            standard=row["standard"],
            quantity=row["quantity"],
            test=row["test"],
            kv_from=float(row["kv_from"] or "-inf"),
            kv_from_included=row["kv_from_included"] == "yes",
            kv_to=float(row["kv_to"] or "inf"),
            kv_to_included=row["kv_to_included"] == "yes",
            kind=row["kind"],
            limit=float(row["limit"]),
            unit=row["unit"],
            source=f"{row['source']}, {row['edition']}, {row['clause']}",
            provenance=row["provenance"],
        )
        for row in rows("oil_quality")
        if row["standard"] == standard
    )
    if not found:
        raise TableError(f"oil_quality.csv has no standard {standard!r}")
    return found


_FAIR: Final = ("fair_below", "fair_above")


def class_limit(quantity: str, kv: float, standard: str, *, fair: bool) -> OilLimit | None:
    """The limit of one voltage class: where ``fair`` begins, or what is the lowest or highest value; None without one.

    Limits that hang on no voltage hold where ``kv`` is NaN, unknown, too. A value at a limit is within it. An edge
    between voltage classes belongs to the class the source prints it with: 69 kV to the lower and 230 kV to the higher
    one of C57.106, 72.5 and 170 kV to the lower one of IEC 60422, 287.5 kV to the higher one of USBR.

    Raises:
        TableError: if the table has no such standard.
    """
    for limit in oil_limits(standard):
        here = limit.quantity == quantity and (limit.kind in _FAIR) == fair
        everywhere = limit.kv_from == -np.inf and limit.kv_to == np.inf
        if here and (everywhere or bool(_in_class(np.array(kv), limit))):
            return limit
    return None


def _in_class(kv: NDArray[np.float64], limit: OilLimit) -> NDArray[np.bool_]:
    above: NDArray[np.bool_] = (kv >= limit.kv_from) if limit.kv_from_included else (kv > limit.kv_from)
    inside: NDArray[np.bool_] = above & ((kv <= limit.kv_to) if limit.kv_to_included else (kv < limit.kv_to))
    return inside
