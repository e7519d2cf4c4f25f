"""Robust regression: lines that a few wild days do not bend."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from app.science.measuring.noise import MAD_TO_SD

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_MOST_STEPS = 50
_CLOSE = 1e-7
_LEAST_SCALE = 1e-12


class Huber(NamedTuple):
    """Result of :func:`huber`; leading shapes are those of the input."""

    coefficients: Floats
    """(..., p)"""
    residuals: Floats
    """(..., n) [unit of y]; NaN where a row took no part."""
    scale: Floats
    """(...,) 1.4826 times the median of the sizes of the residuals [unit of y]."""
    inverse: Floats
    """(..., p, p) inverse of X'WX: times the variance of the noise it is the covariance of the coefficients."""


def huber(design: Floats, y: Floats, use: Bools, c: float) -> Huber:
    """Regression by Huber's weights: squares for small residuals, sizes for large ones.

    Args:
        design: regressors, shape (..., n, p).
        y: what is explained, shape (..., n). [any unit]
        use: rows that take part, shape (..., n); those without a number never do.
        c: where the weight begins to fall, in robust standard deviations; 1.345 loses 5 % on normal noise.

    Returns:
        Coefficients, residuals, scale and the inverse of X'WX. Where the regressors do not determine a coefficient, it
        is the smallest that fits.

    Notes:
        Iteratively reweighted least squares from the least-squares fit: w = min(1, c s/|r|), s = 1.4826 median |r| of
        the round before, until no coefficient moves by more than a ten-millionth of s, 50 rounds at most.

    References:
        1. P. J. Huber, Robust estimation of a location parameter, Ann. Math. Stat. 35, 1964 (from memory).
    """
    use = use & np.isfinite(y) & np.isfinite(design).all(axis=-1)
    x, target = np.where(use[..., None], design, 0.0), np.where(use, y, 0.0)
    weight: Floats = use.astype(np.float64)
    coefficients = np.zeros((*np.broadcast_shapes(y.shape[:-1], design.shape[:-2]), design.shape[-1]))
    for _ in range(_MOST_STEPS):
        square = np.swapaxes(x, -1, -2) @ (weight[..., None] * x)
        inverse = np.asarray(np.linalg.pinv(square, hermitian=True), dtype=np.float64)
        moment = (np.swapaxes(x, -1, -2) @ (weight * target)[..., None])[..., 0]
        new = (inverse @ moment[..., None])[..., 0]
        residuals = target - (x @ new[..., None])[..., 0]
        scale: Floats = np.maximum(robust_sd(np.where(use, residuals, np.nan)), _LEAST_SCALE)
        sizes = np.maximum(np.abs(residuals), _LEAST_SCALE)
        weight = np.where(use, np.minimum(1.0, c * scale[..., None] / sizes), 0.0)
        moved = np.abs(new - coefficients).max(axis=-1)
        coefficients = new
        if np.all(moved <= _CLOSE * scale):
            break
    return Huber(coefficients, np.where(use, residuals, np.nan), scale, inverse)


def robust_sd(residuals: Floats) -> Floats:
    """1.4826 times the median of the sizes along the last axis, without those that are NaN; 0 where none is left."""
    use = np.isfinite(residuals)
    if not residuals.shape[-1]:
        return np.zeros(residuals.shape[:-1])
    ordered = np.sort(np.where(use, np.abs(residuals), np.inf), axis=-1)
    count = np.maximum(use.sum(axis=-1), 1)
    low = np.take_along_axis(ordered, ((count - 1) // 2)[..., None], -1)[..., 0]
    high = np.take_along_axis(ordered, (count // 2)[..., None], -1)[..., 0]
    with np.errstate(invalid="ignore"):
        found: Floats = np.where(use.any(axis=-1), MAD_TO_SD * 0.5 * (low + high), 0.0)
    return found
