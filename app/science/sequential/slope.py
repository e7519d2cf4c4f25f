"""A slope of some series of equal steps: each by itself, and all jointly."""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from app.science.measuring.student import upper_t_p

Floats = NDArray[np.float64]


class SlopeTest(NamedTuple):
    """One-sided probabilities of so steep a rise by chance: (g,) of each series, 1 where it has too few values; and of
    the mean of those that are complete."""

    p: Floats
    joint_p: float


def slope_test(values: Floats, seasons: float | None = None) -> SlopeTest:
    """Student's t of the least-squares slope.

    Args:
        values: (n, g) logarithms at n equal steps, NaN where not known.
        seasons: steps in a year, where a yearly swing is to be taken out; None where there is none.

    Notes:
        The joint series is the mean over the series known at all steps of each less its own mean. Holds its size where
        the order of the steps means nothing without a trend (normal or not, from eight steps on).

    References:
        1. Least squares: textbook. Jointly by the mean of logarithms: ours, simulated.
    """
    n, g = values.shape
    steps = np.arange(n) - (n - 1) / 2.0
    columns = [np.ones(n), steps]
    if seasons is not None:
        phase = 2.0 * np.pi * steps / seasons
        columns += [np.cos(phase), np.sin(phase)]
    design = np.stack(columns, axis=1)
    p = np.array([_p(design, values[:, i]) for i in range(g)])
    whole = np.isfinite(values).all(axis=0)
    return SlopeTest(p, _p(design, values[:, whole].mean(axis=1)) if whole.any() else 1.0)


def _p(design: Floats, y: Floats) -> float:
    known = np.isfinite(y)
    x, y = design[known], y[known]
    freedom = len(y) - x.shape[1]
    if freedom < 3:
        return 1.0
    inverse = np.linalg.pinv(x.T @ x, hermitian=True)
    coefficients = inverse @ (x.T @ y)
    rest = y - x @ coefficients
    variance = float(rest @ rest) / freedom * float(inverse[1, 1])
    if variance <= 0.0:
        return 1.0 if coefficients[1] <= 0.0 else 0.0
    return float(upper_t_p(float(coefficients[1]) / math.sqrt(variance), freedom))
