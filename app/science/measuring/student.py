"""Student's t distribution for arrays, by scipy.

scipy takes a quarter of a second to import, so it is imported where a number of it is first asked for.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def two_sided_t_p(score: ArrayLike, freedom: ArrayLike) -> Floats:
    """Probability that a value of Student's distribution is at least as far from zero as a score.

    Args:
        score: shape (...).
        freedom: degrees of freedom, of the broadcast shape.

    Returns:
        Probabilities of the broadcast shape; NaN for NaN. P(F(1, m) > t²) is the same number.
    """
    return 2.0 * upper_t_p(np.abs(np.asarray(score, dtype=np.float64)), freedom)


def upper_t_p(score: ArrayLike, freedom: ArrayLike) -> Floats:
    """Probability that a value of Student's distribution is at least as large as a score; see :func:`two_sided_t_p`."""
    from scipy.special import stdtr

    below = -np.asarray(score, dtype=np.float64)
    return np.asarray(stdtr(np.asarray(freedom, dtype=np.float64), below), dtype=np.float64)


def two_sided_t_quantile(confidence: float, freedom: ArrayLike) -> Floats:
    """t such that a value of Student's distribution lies within -t and t with this probability.

    Args:
        confidence: between 0 and 1.
        freedom: degrees of freedom, shape (...).

    Returns:
        Quantiles of the shape of ``freedom``.

    Raises:
        ValueError: unless 0 < confidence < 1.
    """
    from scipy.special import stdtrit

    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence must lie between 0 and 1, e.g. 0.95; got {confidence}")
    found = stdtrit(np.asarray(freedom, dtype=np.float64), 0.5 + confidence / 2.0)
    return np.asarray(found, dtype=np.float64)
