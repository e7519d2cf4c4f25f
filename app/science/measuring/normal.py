"""The normal distribution for arrays, without importing scipy (its import costs a quarter of a second)."""

import math
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_erfc = np.frompyfunc(math.erfc, 1, 1)


def two_sided_p(z: ArrayLike) -> Floats:
    """Probability that a standard normal value is at least as far from zero as z; NaN for NaN."""
    return np.asarray(_erfc(np.abs(np.asarray(z, dtype=np.float64)) / math.sqrt(2.0)), dtype=np.float64)


def upper_p(z: ArrayLike) -> Floats:
    """Probability that a standard normal value is at least as large as z; NaN for NaN."""
    return 0.5 * np.asarray(_erfc(np.asarray(z, dtype=np.float64) / math.sqrt(2.0)), dtype=np.float64)


def two_sided_quantile(confidence: float) -> float:
    """z such that a standard normal value lies within -z and z with this probability, e.g. 1.96 for 0.95.

    Raises:
        ValueError: unless 0 < confidence < 1.
    """
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence must lie between 0 and 1, e.g. 0.95; got {confidence}")
    return NormalDist().inv_cdf(0.5 + confidence / 2.0)
