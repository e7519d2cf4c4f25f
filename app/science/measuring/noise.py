"""The noise and the resolution of a sensor, from its own readings, and how long it may repeat itself."""

import math
from functools import cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.tables import rows

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

MAD_TO_SD: Final = 1.4826
"""Of a normal distribution, 1/Phi^-1(3/4)."""
_TRIM: Final = 0.05
_RANGE_OF_NORMAL: Final = (
    (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 20.0, 25.0, 50.0, 100.0),
    (0.0, 1.128, 1.693, 2.059, 2.326, 2.534, 2.847, 3.078, 3.472, 3.735, 3.931, 4.498, 5.015),
)
"""Number of values, and the mean of their range in standard deviations (the d2 of control charts)."""


class Noise(NamedTuple):
    """How a sensor scatters from reading to reading."""

    sd: float
    """Standard deviation of one reading, rounding included [unit]; NaN with fewer than three readings."""
    resolution: float
    """Smallest step between different readings of like size [unit]; NaN where all are alike."""


_TOGGLING: Final = 0.65
"""Standard deviation, in resolutions, that a reading between two steps can have without any noise to speak of."""


class Runs(NamedTuple):
    """Stretches of identical successive values; equal lengths of all three."""

    start: Integers
    length: Integers
    value: Floats


@cache
def instrument_parameters(sign: str) -> dict[str, float]:
    """Thresholds of one sign of an instrument, from ``tables/instrument_signs.csv``."""
    return {r["parameter"]: float(r["value"]) for r in rows("instrument_signs") if r["sign"] == sign}


def noise_of(values: ArrayLike) -> Noise:
    """Noise of one sensor from successive readings in time order.

    Args:
        values: shape (n,); NaN takes no part. [any unit]

    Notes:
        The standard deviation is that of the successive differences over sqrt(2), without the 5 % at either end: a
        slow signal, spikes and steps leave it alone. (The trimmed ends of a normal distribution are paid back.) Noise
        with a memory comes out smaller than it is. The resolution is the least difference between two different
        readings of the decade of the median, since readings of so many figures step by decades.

    References:
        1. J. von Neumann et al., The mean square successive difference, Ann. Math. Stat. 12, 1941; trimming: common
           practice.
    """
    x = np.asarray(values, dtype=np.float64)
    x = x[np.isfinite(x)]
    if len(x) < 3:
        return Noise(math.nan, math.nan)
    return Noise(_sd(np.diff(x)), resolution_of(x))


def _sd(steps: Floats) -> float:
    cut = int(len(steps) * _TRIM)
    kept = np.sort(steps)[cut : len(steps) - cut]
    paid_back = 1.27 if cut else 1.0  # of a normal distribution cut at 5 % either side
    return float(paid_back * math.sqrt(float(np.mean(kept * kept)) / 2.0))


def resolution_of(values: Floats) -> float:
    """Least step between different readings in the decade of the median; NaN where there is none."""
    middle = abs(float(np.median(values)))
    found = np.unique(values)
    if middle > 0.0:
        floor = 10.0 ** math.floor(math.log10(middle))
        alike = found[(found >= floor) & (found < 10.0 * floor)]
        found = alike if len(alike) >= 3 else found
    steps = np.diff(found)
    steps = steps[steps > 1e-9 * max(middle, 1e-9)]
    return float(steps.min()) if len(steps) else math.nan


def resolution_at(noise: Noise, level: float, value: float) -> float:
    """The step of a reading at another level: one of so many figures steps by tens where the decade is another.

    Never finer than at the level the noise was learnt at.
    """
    if not (level > 0.0 and value > 0.0):
        return noise.resolution
    decades = math.floor(math.log10(value) + 1e-9) - math.floor(math.log10(level) + 1e-9)
    return float(noise.resolution * 10.0 ** max(decades, 0))


def noise_beyond_rounding(noise: Noise) -> float:
    """Standard deviation that rounding alone cannot make, at least [unit].

    Notes:
        A signal half-way between two steps of the resolution r flips between them under the least noise, with a
        standard deviation of r/2 (1.27 r/2 after the trimming of :func:`noise_of`): that much is no noise of the
        sensor and is taken off in squares.
    """
    return math.sqrt(max(noise.sd**2 - (_TOGGLING * noise.resolution) ** 2, 0.0))


def noise_from_range(span: float, count: float) -> float:
    """Standard deviation from the range of ``count`` values of a day (the d2 of control charts)."""
    expected = float(np.interp(count, *_RANGE_OF_NORMAL))
    return span / expected if expected > 0.0 else math.nan


def stay_probability(sd: float, resolution: float) -> float:
    """Chance that one reading falls on the value before it, at best: the signal in the middle of a step.

    Args:
        sd: noise of one reading [unit]. resolution: step of the reading [unit].

    Returns:
        P(|z| < resolution/(2 sd)) for a standard normal z, 1 without noise. A signal that moves makes it smaller, so
        this to the power of n is at least the chance of n repeats in a row.
    """
    if not sd > 0.0:
        return 1.0
    # P(|z| < a) = erf(a/sqrt 2): the step is 2a wide and the signal in its middle
    return math.erf(resolution / (2.0 * sd) / math.sqrt(2.0))


def runs_of(values: ArrayLike) -> Runs:
    """Stretches of identical successive values, in order; NaN ends a stretch and belongs to none."""
    x = np.asarray(values, dtype=np.float64)
    if not len(x):
        none = np.zeros(0, dtype=np.int64)
        return Runs(none, none, np.zeros(0))
    start = np.flatnonzero(np.r_[True, ~(x[1:] == x[:-1])])
    length = np.diff(np.r_[start, len(x)])
    known = np.isfinite(x[start])
    return Runs(start[known].astype(np.int64), length[known].astype(np.int64), np.asarray(x[start][known]))
