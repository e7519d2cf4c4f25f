"""Sums over pairs of the points that each look sees."""

from dataclasses import dataclass
from typing import Self

import numpy as np

from app.domain.judging.frame import Bools, Floats, Integers
from app.domain.judging.rules.calling.looks import Looks


@dataclass(frozen=True)
class Windows:
    """Which points each of b series' k looks sees, for sums of weights of pairs of points (b, g, k, k).

    Nearly every look sees all points that count from one on up to itself, so that running sums serve; adding them up
    look by look would cost the cube of the points. The few looks that a hidden sample makes gaps in are added up.
    """

    use: Bools
    first: Integers
    """(b, k) the first point that each look sees."""
    seen: Bools
    """(b, k) points that any look sees."""
    gaps: Bools
    """(b, k) looks with gaps."""

    @classmethod
    def of(cls, looks: Looks) -> Self:
        use, place = looks.use, np.arange(looks.use.shape[2])
        first: Integers = use.argmax(axis=2)
        seen = np.asarray(use.any(axis=1), dtype=np.bool_)
        whole = seen[:, None, :] & (place >= first[:, :, None]) & (place <= place[:, None])
        gaps = (use != whole).any(axis=2) & use.any(axis=2)
        return cls(use, first, seen, np.asarray(gaps))

    def within(self, weights: Floats) -> Floats:
        """(b, g, k) the sum over all pairs that a look sees."""
        b, g, k, _ = weights.shape
        sums = np.zeros((b, g, k + 1, k + 1))
        both = self.seen[:, None, :, None] & self.seen[:, None, None, :]
        np.cumsum(np.cumsum(np.where(both, weights, 0.0), axis=2), axis=3, out=sums[:, :, 1:, 1:])
        one, begin, end = np.arange(b)[:, None], self.first, np.arange(1, k + 1)
        found = sums[one, :, end, end] - sums[one, :, begin, end] - sums[one, :, end, begin]
        found = (found + sums[one, :, begin, begin]) * self.use.any(axis=2, keepdims=True)
        for i in np.flatnonzero(self.gaps.any(axis=1)):
            use = self.use[i, self.gaps[i]].astype(np.float64)
            found[i, self.gaps[i]] = ((use @ weights[i]) * use).sum(axis=2).T
        return np.asarray(found.swapaxes(1, 2))

    def to_each(self, weights: Floats) -> Floats:
        """(b, g, k, k) by look and point, the sum of the weights with that point of all points that the look sees."""
        b, g, k, _ = weights.shape
        sums = np.zeros((b, g, k + 1, k))
        np.cumsum(np.where(self.seen[:, None, :, None], weights, 0.0), axis=2, out=sums[:, :, 1:])
        found = sums[:, :, 1:] - np.take_along_axis(sums, self.first[:, None, :, None], axis=2)
        for i in np.flatnonzero(self.gaps.any(axis=1)):
            found[i][:, self.gaps[i]] = self.use[i, self.gaps[i]].astype(np.float64) @ weights[i]
        return np.asarray(found)
