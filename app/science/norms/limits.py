"""Single limits that no method's table holds, each with its source: ``ratio_limits.csv``, ``water_and_paper.csv``."""

from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.tables import TableError, cited, rows


class Limit(NamedTuple):
    """One limit and where it was read."""

    quantity: str
    """A gas, or a ratio such as ``co2/co``."""
    side: str
    """``above`` or ``below``: on which side the meaning holds; ``about`` for a usual value."""
    value: float
    unit: str
    meaning: str
    source: str
    """Edition and clause, e.g. ``IEEE C57.104-2019, D.9.2``."""
    provenance: str
    note: str


TABLES = ("ratio_limits", "water_and_paper")


@cache
def limit(name: str) -> Limit:
    """A limit by its name in the tables, e.g. ``tap_changer_gas``.

    Raises:
        TableError: if there is no such limit.
    """
    for row in (row for table in TABLES for row in rows(table)):
        if row["name"] == name:
            return Limit(
                quantity=row["quantity"],
                side=row["side"],
                value=float(row["limit"]),
                unit=row["unit"],
                meaning=row["meaning"],
                source=cited(row),
                provenance=row["provenance"],
                note=row["note"],
            )
    raise TableError(f"no table of single limits has {name!r}")


def beyond(name: str, values: ArrayLike) -> NDArray[np.bool_]:
    """Where values are on the side of a limit that its meaning is about; the limit itself is not, nor is NaN.

    Args:
        name: name of the limit.
        values: in the limit's unit.

    Raises:
        TableError: if there is no such limit, or it has no side.
    """
    found = limit(name)
    value = np.asarray(values, dtype=np.float64)
    if found.side not in ("above", "below"):
        raise TableError(f"{name!r} is a usual value, not a limit")
    return np.asarray(value > found.value if found.side == "above" else value < found.value)
