"""Limits of oil quality by voltage class, from ``tables/oil_quality.csv``. Do not decide on one test result."""

from functools import cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.tables import TableError, rows

OIL_VERDICTS: Final = ("within", "fair", "outside")


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
    """``lowest``: should be at least; ``highest``: at most; ``fair_below``: below this it is fair, not good."""
    limit: float
    unit: str
    source: str
    provenance: str


@cache
def oil_limits(standard: str) -> tuple[OilLimit, ...]:
    """All limits of a standard: ``usbr``, ``tm_5_684``, ``ieee_c57_106_2006``, ``iec_60422_2013``.

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


def oil_verdict(quantity: str, values: ArrayLike, rated_kv: ArrayLike, standard: str) -> NDArray[np.int8]:
    """Oil quality results against the limits of their voltage class.

    Args:
        quantity: ``breakdown_voltage``, ``acidity``, ``interfacial_tension`` or ``water``.
        values: results in the quantity's unit.
        rated_kv: rated voltage of the unit. [kV]
        standard: as in :func:`oil_limits`.

    Returns:
        Index into :data:`OIL_VERDICTS`, of the broadcast shape; -1 where a value or voltage is missing, or the standard
        has no limit for the quantity.

    Raises:
        TableError: if the table has no such standard.

    Notes:
        A value at the limit is within it. An edge between voltage classes belongs to the class the source prints it
        with: 69 kV to the lower and 230 kV to the higher one of C57.106, 72.5 and 170 kV to the lower one of
        IEC 60422, 287.5 kV to the higher one of USBR.

    References:
        1. US Bureau of Reclamation; US Army TM 5-684; IEEE C57.106-2006 and IEC 60422:2013 (both from memory).
    """
    value, kv = np.broadcast_arrays(
        np.asarray(values, dtype=np.float64), np.asarray(rated_kv, dtype=np.float64)
    )
    verdict = np.full(value.shape, -1, dtype=np.int8)
    known = ~np.isnan(value) & ~np.isnan(kv)
    limits = [limit for limit in oil_limits(standard) if limit.quantity == quantity]
    for limit in limits:
        here = known & _in_class(kv, limit)
        verdict[here & (verdict < 0)] = 0
        breached = (value > limit.limit) if limit.kind == "highest" else (value < limit.limit)
        grade = 1 if limit.kind == "fair_below" else 2
        verdict[here & breached] = np.maximum(verdict[here & breached], grade)
    return verdict


def _in_class(kv: NDArray[np.float64], limit: OilLimit) -> NDArray[np.bool_]:
    above = (kv >= limit.kv_from) if limit.kv_from_included else (kv > limit.kv_from)
    inside: NDArray[np.bool_] = above & ((kv <= limit.kv_to) if limit.kv_to_included else (kv < limit.kv_to))
    return inside
