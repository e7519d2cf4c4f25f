"""Fewer points with the same look: the lowest and the highest point of each time bucket stay."""

from collections.abc import Sequence
from typing import Protocol, TypeVar


class HasValue(Protocol):
    """Anything with a number to compare."""

    @property
    def value(self) -> float: ...


P = TypeVar("P", bound=HasValue)

TARGET = 1_000
"""Points a series, at most; more than a screen has pixels for."""


def min_max(points: Sequence[P], target: int = TARGET) -> list[P]:
    """At most ``target`` points: per bucket of equal count the minimum and the maximum, in time order.

    The first and the last point are always kept, so the ends of a trend do not move.

    Raises:
        ValueError: if ``target`` is below 4.
    """
    if target < 4:
        raise ValueError(f"target must be at least 4, not {target}")
    n = len(points)
    if n <= target:
        return list(points)
    buckets = (target - 2) // 2
    kept = {0, n - 1}
    for i in range(buckets):
        start, end = i * n // buckets, (i + 1) * n // buckets
        kept.add(min(range(start, end), key=lambda k: points[k].value))
        kept.add(max(range(start, end), key=lambda k: points[k].value))
    return [points[k] for k in sorted(kept)]
