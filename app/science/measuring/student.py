"""Student's t distribution for arrays, without importing scipy (its import costs a quarter of a second).

Every command that judges one sample asks for a few of these numbers, and scipy would be a good part of its time.
"""

import math
from functools import cache
from statistics import NormalDist
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_MOST_STEPS: Final = 100


def two_sided_t_p(score: ArrayLike, freedom: ArrayLike) -> Floats:
    """Probability that a value of Student's distribution is at least as far from zero as a score.

    Args:
        score: shape (...).
        freedom: degrees of freedom, whole numbers from 1, of the broadcast shape.

    Returns:
        Probabilities of the broadcast shape, good to 1e-14; NaN for NaN.

    Notes:
        The finite sums in cos(theta), tan(theta) = t/sqrt(m). P(F(1, m) > t²) is the same number.

    References:
        1. M. Abramowitz, I. A. Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4.
    """
    t, m = np.broadcast_arrays(
        np.abs(np.asarray(score, dtype=np.float64)), np.asarray(freedom, dtype=np.int64)
    )
    root = np.sqrt(m.astype(np.float64))
    angle = np.arctan2(t, root)
    sine, cosine = np.sin(angle), np.cos(angle)
    terms = m // 2
    k = np.arange(int(terms.max(initial=0)))
    odd = m % 2 == 1
    even_weights, odd_weights = _weights(len(k))
    powers = (cosine * cosine)[..., None] ** k
    weights = np.where(odd[..., None], odd_weights, even_weights)
    total = np.where(k < terms[..., None], powers * weights, 0.0).sum(axis=-1)
    inside = np.where(odd, 2.0 / math.pi * (angle + sine * cosine * total), sine * total)
    return np.asarray(np.maximum(1.0 - inside, 0.0))


def upper_t_p(score: ArrayLike, freedom: ArrayLike) -> Floats:
    """Probability that a value of Student's distribution is at least as large as a score; see :func:`two_sided_t_p`."""
    t = np.asarray(score, dtype=np.float64)
    half = 0.5 * two_sided_t_p(t, freedom)
    return np.where(t < 0.0, 1.0 - half, half)


def two_sided_t_quantile(confidence: float, freedom: ArrayLike) -> Floats:
    """t such that a value of Student's distribution lies within -t and t with this probability.

    Args:
        confidence: between 0 and 1, at most 0.9999.
        freedom: degrees of freedom, whole numbers from 1, shape (...).

    Returns:
        Quantiles of the shape of ``freedom``.

    Raises:
        ValueError: unless 0 < confidence <= 0.9999.

    Notes:
        Newton's method from the normal quantile, which is always too small: the tail is convex there, so no step goes
        too far.
    """
    if not 0.0 < confidence <= 0.9999:
        raise ValueError(f"confidence must lie above 0 and be at most 0.9999, e.g. 0.95; got {confidence}")
    numbers, back = np.unique(np.asarray(freedom, dtype=np.int64), return_inverse=True)
    found = np.array([_quantile(confidence, number) for number in numbers.tolist()])
    return np.asarray(found[back].reshape(np.shape(freedom)), dtype=np.float64)


@cache
def _quantile(confidence: float, freedom: int) -> float:
    m = float(freedom)
    t = NormalDist().inv_cdf(0.5 + confidence / 2.0)
    scale = math.lgamma((m + 1.0) / 2.0) - math.lgamma(m / 2.0) - 0.5 * math.log(m * math.pi)
    for _ in range(_MOST_STEPS):
        density = math.exp(scale - (m + 1.0) / 2.0 * math.log1p(t * t / m))
        step = (float(two_sided_t_p(t, freedom)) - (1.0 - confidence)) / (2.0 * density)
        t += step
        if abs(step) <= 1e-7 * t:  # the digits double with each step
            break
    return t


@cache
def _weights(count: int) -> tuple[Floats, Floats]:
    """Weights of the powers of cos²: for even degrees of freedom 1, 1/2, 3/8, ..., for odd ones 1, 2/3, 8/15, ..."""
    k = np.arange(1, count, dtype=np.float64)
    even = np.cumprod(np.r_[1.0, (2.0 * k - 1.0) / (2.0 * k)])[:count]
    odd = np.cumprod(np.r_[1.0, 2.0 * k / (2.0 * k + 1.0)])[:count]
    return np.asarray(even, dtype=np.float64), np.asarray(odd, dtype=np.float64)
