"""The exact distribution of Kendall's S, with ties and with laboratories that are compared with themselves only.

With half a dozen points the normal approximation is wrong where it matters: five in order have p = 1/120, not 0.014.
"""

import math
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Groups = tuple[tuple[int, ...], ...]
"""For each laboratory the sizes of its groups of equal values: ``((1, 1, 1),)`` are three that differ."""

LARGEST_EXACT: Final = 30
"""Points up to which the distribution is worked out; beyond it the normal approximation agrees to two figures."""


@lru_cache(maxsize=65_536)
def rising_p(s: float, groups: Groups) -> float:
    """One-sided probability of a Kendall's S at least this large when the order of the points says nothing.

    Args:
        s: rising pairs less falling pairs, summed over laboratories; equal values count nothing.
        groups: sizes of the groups of equal values in each laboratory.

    Returns:
        P(S >= s) over all orders of the values at hand, exact to 30 points in all; the normal approximation with
        continuity correction beyond. 1 where all are equal.

    Notes:
        With S = M - 2 I, M the pairs that are not tied and I the inversions, the generating function of I over the
        orders of n values with groups of t equal ones is [n]!/prod [t]!, [k]! = prod over j <= k of
        (1 + q + ... + q^(j-1)); for values without ties this is the usual recursion. Laboratories are independent, so
        their functions are multiplied. Variance for the approximation: [n(n-1)(2n+5) - sum t(t-1)(2t+5)]/18.

    References:
        1. M. G. Kendall, Rank Correlation Methods, 1975.
        2. G. E. Andrews, The Theory of Partitions, 1976, section 3.4 (inversions of a multiset; from memory).
    """
    if sum(map(sum, groups)) <= LARGEST_EXACT:
        tail, pairs = _tail(groups)
        inversions = math.floor((pairs - s) / 2.0 + 1e-9)
        return 0.0 if inversions < 0 else float(tail[min(inversions, len(tail) - 1)])
    spread = math.sqrt(sum(_variance(sizes) for sizes in groups))
    return 0.5 * math.erfc((s - 1.0) / spread / math.sqrt(2.0)) if spread > 0.0 else 1.0


@lru_cache(maxsize=4096)
def _tail(groups: Groups) -> tuple[Floats, int]:
    """Chances of at most 0, 1, 2, ... inversions; and the number of pairs that are not tied."""
    whole = np.ones(1)
    for sizes in groups:
        whole = np.convolve(whole, _inversions(tuple(sorted(sizes, reverse=True))))
    return np.minimum(np.cumsum(whole), 1.0), len(whole) - 1


@lru_cache(maxsize=4096)
def _inversions(sizes: tuple[int, ...]) -> Floats:
    """Chances of each number of inversions of a multiset; sizes of its groups, the largest first."""
    n = sum(sizes)
    if len(sizes) < 2:
        return np.ones(1)
    chances = np.ones(1)
    for k in range(sizes[0] + 1, n + 1):  # [n]!/[t]! of the largest group: its factors cancel
        chances = np.convolve(chances, np.full(k, 1.0 / k))
    for t in sizes[1:]:
        for k in range(2, t + 1):
            chances = _divided(chances, k)
    return chances


def _divided(chances: Floats, k: int) -> Floats:
    """The inverse of a convolution with the uniform distribution on 0 ... k - 1."""
    steps = k * np.diff(chances, prepend=0.0)
    padded = np.zeros(-(-len(steps) // k) * k)
    padded[: len(steps)] = steps
    # 1/(1 - q^k) is a running sum over every k-th number
    return padded.reshape(-1, k).cumsum(axis=0).ravel()[: len(chances) - k + 1]


def _variance(sizes: tuple[int, ...]) -> float:
    def part(n: int) -> int:
        return n * (n - 1) * (2 * n + 5)

    return (part(sum(sizes)) - sum(map(part, sizes))) / 18.0
