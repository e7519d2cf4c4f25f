"""What is much against a compartment's own record, where no published norm applies (``own_record.csv``)."""

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.tables import TableError, rows

LEAST_SPREAD: Final = 0.2
"""Of the logarithm: two laboratories and the seasons spread an undisturbed record about so much (ours)."""


def robust_score(value: ArrayLike, record: ArrayLike) -> NDArray[np.float64]:
    """How far values stand above a record, in robust standard deviations.

    Args:
        value: (...,) what is judged, as a logarithm.
        record: (k, ...) what it is judged by, likewise; NaN takes no part.

    Returns:
        (x - median)/max(1.4826 MAD, 0.2), of the shape of ``value``; NaN where the record or the value has no number.

    References:
        1. Median absolute deviation as a measure of spread: common practice; the least spread is ours.
    """
    known = np.asarray(record, dtype=np.float64)
    centre = middle(known)
    least = np.maximum(1.4826 * middle(np.abs(known - centre)), LEAST_SPREAD)
    return np.asarray((np.asarray(value, dtype=np.float64) - centre) / least, dtype=np.float64)


def middle(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Medians over the first axis, NaN passed over; NaN where there is nothing else."""
    if not len(values):
        return np.full(values.shape[1:], np.nan)
    ordered = np.sort(values, axis=0)
    count = np.maximum((~np.isnan(values)).sum(axis=0), 1)
    low = np.take_along_axis(ordered, ((count - 1) // 2)[None], axis=0)[0]
    high = np.take_along_axis(ordered, (count // 2)[None], axis=0)[0]
    return np.asarray(0.5 * (low + high), dtype=np.float64)


@cache
def own_limit(of: str, kind: str, quantity: str, severity: int) -> float:
    """One limit of the table; infinite where nothing of that quantity is so severe.

    Raises:
        TableError: the table knows nothing of such a kind.
    """
    found = [r for r in rows("own_record") if r["kind"] == kind]
    if not found:
        raise TableError(f"own_record.csv has no kind {kind!r}")
    for row in found:
        if (row["of"], row["quantity"], int(row["severity"])) == (of, quantity, severity):
            return float(row["limit"])
    return float("inf")


@cache
def own_limits(of: str, kind: str, quantities: tuple[str, ...]) -> NDArray[np.float64]:
    """(3, quantities) limits of the severities 2, 3 and 4, in each quantity's unit."""
    return np.array([[own_limit(of, kind, q, severity) for q in quantities] for severity in (2, 3, 4)])
