"""Two methods that measure the same: bias, limits of agreement, and how well few pairs know them."""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


class LimitsOfAgreement(NamedTuple):
    """Result of :func:`limits_of_agreement`, all in the unit of the differences; NaN where the pairs are too few."""

    pairs: int
    bias: float
    """Mean difference."""
    bias_low: float
    bias_high: float
    """Interval of the bias (Student's t)."""
    sd: float
    """Standard deviation of the differences."""
    low: float
    high: float
    """Limits of agreement: bias -+ 1.96 sd."""
    low_error: float
    """Half the interval of either limit."""


def limits_of_agreement(differences: ArrayLike, confidence: float = 0.95) -> LimitsOfAgreement:
    """Bias and limits of agreement with their intervals.

    Args:
        differences: one method less the other, shape (n,); NaN takes no part. [any unit]
        confidence: of the intervals, between 0 and 1.

    Raises:
        ValueError: if confidence is not between 0 and 1.

    Notes:
        The bias has the standard error sd/sqrt(n), the limits have sd sqrt(1/n + 1.96^2/(2(n - 1))); both intervals
        are Student's t with n - 1 degrees of freedom. Differences of logarithms give ratios: exp(bias) - 1.

    References:
        1. J. M. Bland and D. G. Altman, Statistical methods for assessing agreement between two methods of clinical
           measurement, Lancet 327, 1986, and Measuring agreement in method comparison studies, Stat. Methods Med.
           Res. 8, 1999 (from memory).
    """
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence must lie between 0 and 1, e.g. 0.95; got {confidence}")
    d = np.asarray(differences, dtype=np.float64)
    d = d[np.isfinite(d)]
    n = len(d)
    nan = math.nan
    if n < 2:
        return LimitsOfAgreement(n, float(d[0]) if n else nan, nan, nan, nan, nan, nan, nan)
    from scipy.special import stdtrit  # a quarter of a second to import, so only where it is used

    t = float(stdtrit(n - 1, 0.5 + confidence / 2.0))
    bias, sd = float(d.mean()), float(d.std(ddof=1))
    half = t * sd / math.sqrt(n)
    limit_half = t * sd * math.sqrt(1.0 / n + 1.96**2 / (2.0 * (n - 1)))
    return LimitsOfAgreement(
        n, bias, bias - half, bias + half, sd, bias - 1.96 * sd, bias + 1.96 * sd, limit_half
    )
