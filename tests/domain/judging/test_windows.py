"""Sums over the pairs that a look sees, by running sums, against sums taken look by look."""

import numpy as np
from numpy.typing import NDArray

from app.domain.judging.rules.calling.looks import Looks
from app.domain.judging.rules.calling.windows import Windows

SERIES, POINTS, GASES = 4, 13, 3


def looks(use: NDArray[np.bool_]) -> Looks:
    shape = use.shape[:2]
    there = np.ones(shape, dtype=np.bool_)
    numbers = np.zeros(shape, dtype=np.int64)
    return Looks(numbers, there, there, numbers, use)


def made() -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Windows with a point that nobody sees, a hidden one that makes gaps, looks that see nothing; whole weights."""
    rng = np.random.default_rng(4)
    place = np.arange(POINTS)
    begin = np.maximum.accumulate(rng.integers(0, 5, (SERIES, POINTS)), axis=1)
    use = (place >= begin[:, :, None]) & (place <= place[:, None])
    use[1, :, 6] = False
    use[2, 8:11, 6] = False
    use[3, 10:] = False
    return use, rng.integers(-1, 2, (SERIES, GASES, POINTS, POINTS)).astype(np.float64)


def test_running_sums_are_the_sums() -> None:
    use, weights = made()
    seen = use[:, None].astype(np.float64)
    windows = Windows.of(looks(use))
    assert windows.gaps.any(axis=1).tolist() == [False, False, True, False]
    np.testing.assert_array_equal(windows.within(weights), ((seen @ weights) * seen).sum(axis=3))
    np.testing.assert_array_equal(windows.to_each(weights) * seen, (seen @ weights) * seen)
