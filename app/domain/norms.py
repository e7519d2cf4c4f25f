"""The norms of IEEE C57.104-2019 as arrays the engine can index, and as citations a reader can check.

The numbers come from ``app/science/tables/ieee_c57_104_2019.csv``; nothing is repeated here.
"""

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from app.science.quantities import NORM_GASES
from app.science.tables import rows

NORM_SET: Final = "ieee_c57_104_2019"

SIDES: Final = ("low", "high")
"""Oxygen ratio O2/N2: ``low`` is at most 0.2, ``high`` is above 0.2."""
AGES: Final = ("unknown", "1-9", "10-30", "over 30")
SPANS: Final = ("4-9", "10-24")

OXYGEN_RATIO_BOUNDARY: Final = 0.2
MONTH_DAYS: Final = 365.25 / 12.0
SHORTEST_SPAN_DAYS: Final = 4 * MONTH_DAYS
SHORT_SPAN_DAYS: Final = 9 * MONTH_DAYS
LONGEST_SPAN_DAYS: Final = 24 * MONTH_DAYS


@dataclass(frozen=True, slots=True)
class Citation:
    """Where a limit was read: ``IEEE C57.104-2019, 6.1.3 Table 1``, and what kind of source that is."""

    source: str
    provenance: str
    note: str


@dataclass(frozen=True)
class Norms2019:
    """The four tables.

    Attributes:
        typical: Table 1, 90th percentile concentration [µL/L], shape (side, age, gas).
        high: Table 2, 95th percentile concentration [µL/L], shape (side, age, gas).
        delta: Table 3, 95th percentile change between samples [µL/L], shape (side, gas); "any increase" is 0.
        rate: Table 4, 95th percentile multi-point rate [µL/L/year], shape (side, span, gas); 0 likewise.
        citations: by (table, gas, side, age or span).
    """

    typical: NDArray[np.float64]
    high: NDArray[np.float64]
    delta: NDArray[np.float64]
    rate: NDArray[np.float64]
    citations: dict[tuple[str, str, str, str], Citation]

    def cite(self, table: str, gas: str, side: int, column: int | None = None) -> Citation:
        """The citation of one cell; ``column`` is the age column of Tables 1 and 2, the span of Table 4."""
        third = ""
        if column is not None:
            third = SPANS[column] if table == "4" else AGES[column]
        return self.citations[table, gas, SIDES[side], third]


@cache
def norms_2019() -> Norms2019:
    """The tables, read once. Raises KeyError when the data file lacks a cell."""
    limits: dict[tuple[str, str, str, str], float] = {}
    citations: dict[tuple[str, str, str, str], Citation] = {}
    for row in rows(NORM_SET):
        key = (row["table"], row["quantity"], row["oxygen_ratio"], row["age"] or row["span"])
        limits[key] = float(row["limit"] or 0.0)  # an empty limit is "any increase"
        citations[key] = Citation(
            f"{row['source']}-{row['edition']}, {row['clause']}", row["provenance"], row["note"]
        )

    def array(table: str, thirds: tuple[str, ...]) -> NDArray[np.float64]:
        return np.array(
            [[[limits[table, gas, side, third] for gas in NORM_GASES] for third in thirds] for side in SIDES]
        )

    return Norms2019(
        typical=array("1", AGES),
        high=array("2", AGES),
        delta=array("3", ("",))[:, 0, :],
        rate=array("4", SPANS),
        citations=citations,
    )


def age_column(age_years: NDArray[np.float64]) -> NDArray[np.int8]:
    """Index into :data:`AGES` for ages in years; NaN is "unknown".

    Completed years decide: 9.9 years is in "1-9", 30.9 in "10-30". The guide leaves units younger than one
    year out of its columns; they are judged by "1-9", the lowest one, because norms lower than Table 1 are
    typical for them (clause 5.3.1).
    """
    whole = np.floor(age_years)
    column = np.where(whole <= 9, 1, np.where(whole <= 30, 2, 3))
    return np.where(np.isnan(age_years), 0, column).astype(np.int8)


def span_column(span_days: NDArray[np.float64]) -> NDArray[np.int8]:
    """Index into :data:`SPANS`. The guide does not say which holds between 9 and 10 months: the stricter."""
    return (span_days > SHORT_SPAN_DAYS).astype(np.int8)
