"""What is learned of a series while nothing happens: how it follows temperature and load, and how it scatters."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from app.science.sequential.huber import Huber, huber, robust_sd
from app.science.sequential.parameters import WatchParameters

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_CLIPPED_SD = 0.9885
"""Standard deviation of a standard normal that is clipped at 2.5."""


class Learned(NamedTuple):
    """What m columns of a record follow, of which some may not be watched.

    Attributes:
        coefficients: (m, p) on 1 and the drivers. tau: (m,) time constants [days].
        spread: (m,) standard deviation of a day [ln]. phi: (m,) serial correlation of neighbouring days.
        inverse: (m, p, p) of X'WX.
        watched: (m,) False where a column was measured too seldom.
        explained: (k,) which drivers take part.
    """

    coefficients: Floats
    tau: Floats
    spread: Floats
    phi: Floats
    inverse: Floats
    watched: Bools
    explained: Bools


def carried(drivers: Floats, most: int) -> Floats:
    """(n, k) drivers in which a gap of up to ``most`` days stands for what was before it."""
    filled = drivers.copy()
    age = np.zeros(drivers.shape[1], dtype=np.int64)
    for t in range(1, len(filled)):
        missing = ~np.isfinite(filled[t])
        age = np.where(missing, age + 1, 0)
        filled[t] = np.where(missing & (age <= most), filled[t - 1], filled[t])
    return filled


def low_passed(drivers: Floats, taus: tuple[float, ...]) -> Floats:
    """(taus, n, k) each driver as something sees it that follows with a time constant [days]; NaN stays NaN.

    A first-order lag, from the mean of the first ten known days on; over a gap it stands.
    """
    known = np.isfinite(drivers)
    found = np.full((len(taus), *drivers.shape), np.nan)
    gain = np.array([1.0 if tau == 0 else 1.0 - np.exp(-1.0 / tau) for tau in taus])[:, None]
    start = np.array(
        [np.mean(c[k][:10]) if k.any() else 0.0 for c, k in zip(drivers.T, known.T, strict=True)]
    )
    state = np.broadcast_to(start, (len(taus), drivers.shape[1]))
    for t in range(len(drivers)):
        state = np.where(known[t], state + gain * (np.where(known[t], drivers[t], 0.0) - state), state)
        found[:, t] = np.where(known[t], state, np.nan)
    return found


def learn(y: Floats, passed: Floats, use: Bools, parameters: WatchParameters) -> Learned:
    """Fit each column on the drivers that are known, each with the time constant that leaves the smallest scatter.

    Args:
        y: (n, m) logarithms, NaN where not measured.
        passed: (taus, n, k) drivers as :func:`low_passed` gives them.
        use: (n,) days that are learned from.
    """
    days = max(int(use.sum()), 1)
    known = np.isfinite(passed[0]) & use[:, None]
    explained = known.sum(axis=0) >= parameters.known_share * days
    # a driver that stands still explains nothing, and would be one with the constant
    explained &= np.array(
        [np.ptp(c[k]) > 0.0 if k.any() else False for c, k in zip(passed[0].T, known.T, strict=True)]
    )
    design = design_of(passed, explained)
    use = use & np.isfinite(design[0]).all(axis=-1)
    watched = (np.isfinite(y) & use[:, None]).sum(axis=0) >= parameters.measured_share * days
    fits = huber(
        design[:, None],
        y.T[None],
        np.broadcast_to(use, (len(passed), y.shape[1], len(y))),
        parameters.huber_c,
    )
    best = np.argmin(fits.scale, axis=0)
    column = np.arange(y.shape[1])
    chosen = Huber(*(part[best, column] for part in fits))
    spread, phi = scatter(chosen.residuals, int(explained.sum()) + 1, parameters)
    return Learned(
        chosen.coefficients,
        np.array(parameters.time_constants)[best],
        spread,
        phi,
        chosen.inverse,
        watched,
        explained,
    )


def design_of(passed: Floats, explained: Bools) -> Floats:
    """(..., n, 1 + k) a constant and the drivers; those that take no part are zero."""
    constant = np.ones((*passed.shape[:-1], 1))
    return np.concatenate([constant, np.where(explained, passed, 0.0)], axis=-1)


def scatter(residuals: Floats, terms: int, parameters: WatchParameters) -> tuple[Floats, Floats]:
    """Standard deviation and serial correlation of (..., n) residuals of a fit of so many terms, (...,) each.

    Residuals are clipped at so many robust deviations, and the days that the fit used up are made up for.
    """
    size = parameters.clip_phi * robust_sd(residuals)[..., None]
    clipped = np.clip(residuals, -size, size)
    known = np.isfinite(clipped)
    count = np.maximum(known.sum(axis=-1), 1)
    rest = np.where(known, clipped, 0.0)
    square = (rest * rest).sum(axis=-1) / count
    pairs = known[..., 1:] & known[..., :-1]
    product = (rest[..., 1:] * rest[..., :-1]).sum(axis=-1) / np.maximum(pairs.sum(axis=-1), 1)
    phi = np.clip(product / np.maximum(square, 1e-24), 0.0, parameters.most_phi)
    # days that go with one another are fewer than they seem
    used = terms * (1.0 + phi) / (1.0 - phi)
    spread = np.sqrt(square * count / np.maximum(count - used, 0.2 * count)) / _CLIPPED_SD
    return np.maximum(spread, parameters.least_spread), phi
