"""Typical values of IEC 60599 (from memory): ranges over networks, which are not limits."""

from functools import cache
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.tables import rows

TYPICAL_QUANTITIES: Final = ("h2", "ch4", "c2h6", "c2h4", "c2h2", "co", "co2")
"""Order of the last axis of :func:`against_typical`."""


@cache
def typical_range(
    kind: Literal["concentration", "rate"], quantity: str, communicating_tap_changer: bool
) -> tuple[float, float]:
    """Range over networks of a 90 % typical value [µL/L or µL/L/year]; acetylene is split by the tap changer.

    Raises:
        KeyError: if the table has no such row.

    References:
        1. IEC 60599:2015, Tables A.2 and A.3 (from memory).
    """
    tap_changer = "communicating" if communicating_tap_changer else "no"
    for row in rows("iec_60599_typical"):
        if (row["kind"], row["quantity"]) == (kind, quantity) and row["tap_changer"] in ("any", tap_changer):
            return float(row["lowest"]), float(row["highest"])
    raise KeyError(f"no typical {kind} of {quantity!r}")


def against_typical(
    values: ArrayLike,
    communicating_tap_changer: ArrayLike,
    kind: Literal["concentration", "rate"] = "concentration",
) -> NDArray[np.int8]:
    """Where values lie against the range of typical values.

    Args:
        values: last axis in the order of :data:`TYPICAL_QUANTITIES`. [µL/L, or µL/L/year for rates]
        communicating_tap_changer: whether the tap changer's oil reaches the main tank, leading shape.
        kind: ``concentration`` or ``rate``.

    Returns:
        Of the shape of values: 0 below the range or at its lower end, 1 within, 2 above; -1 where the value is missing.

    References:
        1. IEC 60599:2015, Tables A.2 and A.3 (from memory).
    """
    value = np.asarray(values, dtype=np.float64)
    both = np.array(
        [[typical_range(kind, q, flag) for q in TYPICAL_QUANTITIES] for flag in (False, True)]
    )  # (tap changer, quantity, end)
    limits = both[np.asarray(communicating_tap_changer, dtype=np.int64)]
    place = (value > limits[..., 0]).astype(np.int64) + (value > limits[..., 1])
    return np.asarray(np.where(np.isnan(value), -1, place), dtype=np.int8)
