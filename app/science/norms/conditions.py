"""The four conditions and the TDCG actions of IEEE C57.104-2008. The 2019 edition keeps them as history only.

Limits and actions are read from ``tables/ieee_c57_104_2008*.csv``.
"""

from functools import cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.tables import rows

Floats = NDArray[np.float64]

CONDITION_QUANTITIES: Final = ("h2", "ch4", "c2h6", "c2h4", "c2h2", "co", "co2", "tdcg")
"""Order of the last axis of :func:`gas_conditions`."""


class TdcgAction(NamedTuple):
    """One row of the table of actions."""

    condition: int
    rate_from: float
    """[µL/L/day]"""
    sampling: str
    """How often to sample, in a word: yearly, quarterly, monthly, weekly, daily."""
    days: int
    action: str
    """What to do."""
    source: str
    provenance: str


@cache
def _limits() -> Floats:
    """(quantity, 3) highest value of conditions 1 to 3 [µL/L]."""
    found = {(r["quantity"], r["condition"]): float(r["highest"]) for r in rows("ieee_c57_104_2008")}
    return np.array([[found[q, c] for c in "123"] for q in CONDITION_QUANTITIES])


def gas_conditions(values: ArrayLike) -> NDArray[np.int8]:
    """Condition of each gas and of TDCG.

    Args:
        values: concentrations, last axis in the order of :data:`CONDITION_QUANTITIES`. [µL/L]

    Returns:
        1-4, of the same shape; 0 where the value is missing.

    Notes:
        Limits are the highest values of conditions 1 to 3; what is above one, even by a fraction, is in the next
        condition. Acetylene's limits are those of 2008 (1, 9, 35), not of 1991 (35, 50, 80).

    References:
        1. IEEE Std C57.104-2008, Table 1.
    """
    value = np.asarray(values, dtype=np.float64)
    condition = 1 + (value[..., None] > _limits()).sum(axis=-1)
    return np.asarray(np.where(np.isnan(value), 0, condition), dtype=np.int8)


def condition_2008(values: ArrayLike) -> NDArray[np.int8]:
    """Condition of a sample: the worst of TDCG and of every single gas; 0 where nothing was measured.

    Args:
        values: as for :func:`gas_conditions`. [µL/L]

    References:
        1. IEEE Std C57.104-2008, Table 1; the worst counts (thesis, Universitas Indonesia, 2008).
    """
    return np.asarray(gas_conditions(values).max(axis=-1), dtype=np.int8)


@cache
def tdcg_actions() -> tuple[TdcgAction, ...]:
    """The twelve rows of the table of actions, by condition and rate."""
    return tuple(_action(row) for row in rows("ieee_c57_104_2008_actions"))


def tdcg_action(condition: ArrayLike, rate_per_day: ArrayLike) -> NDArray[np.int8]:
    """Row of the table of actions that applies.

    Args:
        condition: 1-4. [1]
        rate_per_day: rate of TDCG; a falling one counts as 0. [µL/L/day]

    Returns:
        Index into :func:`tdcg_actions`, of the broadcast shape; -1 where the condition is not 1-4 or the rate is
        missing.

    Notes:
        Rates are printed <10, 10-30, >30: exactly 10 and 30 are in the middle row.

    References:
        1. IEEE Std C57.104-2008, Table 3 (read in a thesis that cites the 1991 edition).
    """
    rate = np.asarray(rate_per_day, dtype=np.float64)
    low, high = sorted({action.rate_from for action in tdcg_actions()})[1:]
    column = (rate >= low).astype(np.int64) + (rate > high)
    which = np.asarray(condition, dtype=np.int64)
    known = (which >= 1) & (which <= 4) & ~np.isnan(rate)
    return np.asarray(np.where(known, 3 * (which - 1) + column, -1), dtype=np.int8)


def _action(row: dict[str, str]) -> TdcgAction:
    return TdcgAction(
        condition=int(row["condition"]),
        rate_from=float(row["rate_from"]),
        sampling=row["sampling"],
        days=int(row["days"]),
        action=row["action"],
        source=f"{row['source']}, {row['edition']}, {row['clause']}",
        provenance=row["provenance"],
    )
