"""How much the points of a series scatter about its own course, against what is expected of the method."""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.measuring.uncertainty import parameter

Floats = NDArray[np.float64]

_CLIP: Final = 16.0
"""A point four expected deviations off its neighbours is an accident, not the method's scatter."""
_SHARE: Final = 2.0 / 3.0
"""Neighbouring distances share points, so that three of them say as much as two independent ones."""


def scatter_seen(times: ArrayLike, values: ArrayLike, expected: ArrayLike) -> Floats:
    """Scatter of each quantity about the line between its neighbours, as a multiple of what is expected.

    Args:
        times: (k,) times of the points, rising. [days]
        values: (k, q) values; NaN where there is none. [any]
        expected: (k, q) standard deviation that the method is expected to have there. [as values]

    Returns:
        (q,) multiples, 1 where the points say nothing.

    Notes:
        Each point is compared with the line between its two neighbours in time, which no steady rise moves. The
        squares are shrunk towards what all quantities show together, and that towards 1, each with the weight of so
        many points (``scatter_prior``); so a few points move the answer little and many decide it.

    References:
        1. J. von Neumann, mean square successive difference, 1941 (from memory): scatter from neighbours rather than
           from a mean. The three-point form and the shrinking: common practice, no source.
    """
    t, x, sd = (np.asarray(a, dtype=np.float64) for a in (times, values, expected))
    if len(t) < 3:
        return np.ones(x.shape[1])
    span = t[2:] - t[:-2]
    part = np.divide(t[1:-1] - t[:-2], span, out=np.full(span.shape, 0.5), where=span > 0)[:, None]
    off = x[1:-1] - ((1.0 - part) * x[:-2] + part * x[2:])
    variance = sd[1:-1] ** 2 + ((1.0 - part) * sd[:-2]) ** 2 + (part * sd[2:]) ** 2
    known = ~np.isnan(off) & (variance > 0)
    square = np.minimum(np.divide(off**2, variance, out=np.zeros(off.shape), where=known), _CLIP)
    total, count = _SHARE * square.sum(axis=0), _SHARE * known.sum(axis=0)
    prior = parameter("scatter_prior")
    together = (prior + total.sum()) / (prior + count.sum())
    return np.asarray(np.sqrt((prior * together + total) / (prior + count)))
