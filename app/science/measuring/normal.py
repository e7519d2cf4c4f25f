"""The normal distribution for arrays, without importing scipy (its import costs a quarter of a second)."""

import math
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_erfc = np.frompyfunc(math.erfc, 1, 1)
_inverse = np.frompyfunc(NormalDist().inv_cdf, 1, 1)


def two_sided_p(z: ArrayLike) -> Floats:
    """Probability that a standard normal value is at least as far from zero as z; NaN for NaN."""
    return np.asarray(_erfc(np.abs(np.asarray(z, dtype=np.float64)) / math.sqrt(2.0)), dtype=np.float64)


def upper_p(z: ArrayLike) -> Floats:
    """Probability that a standard normal value is at least as large as z; NaN for NaN."""
    return 0.5 * np.asarray(_erfc(np.asarray(z, dtype=np.float64) / math.sqrt(2.0)), dtype=np.float64)


def quantile(p: ArrayLike) -> Floats:
    """z that a standard normal value stays below with this probability; infinite for 0 and 1, NaN beyond them."""
    chance = np.asarray(p, dtype=np.float64)
    found = np.where(chance == 0.0, -np.inf, np.where(chance == 1.0, np.inf, np.nan))
    inside = (chance > 0.0) & (chance < 1.0)
    found[inside] = _inverse(chance[inside])
    return found


def two_sided_quantile(confidence: float) -> float:
    """z such that a standard normal value lies within -z and z with this probability, e.g. 1.96 for 0.95.

    Raises:
        ValueError: unless 0 < confidence < 1.
    """
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence must lie between 0 and 1, e.g. 0.95; got {confidence}")
    return NormalDist().inv_cdf(0.5 + confidence / 2.0)
