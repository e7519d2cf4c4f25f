"""Signs that a sensor is not well, in one series of readings: spikes, steps, a daily cycle, a pile-up at the top.

Numbers in, numbers out. Thresholds are in ``tables/instrument_signs.csv``; what a sign means is for the rules of
``app/domain/instrument``.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.measuring.noise import MAD_TO_SD, noise_of

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


class Step(NamedTuple):
    """A lasting change between one reading and the next."""

    place: int
    """Index of the first reading after it."""
    before: float
    after: float
    """Medians on either side [unit]."""
    error: float
    """Standard error of their difference [unit]."""


class DailyCycle(NamedTuple):
    """A period of 24 hours in a series."""

    amplitude: float
    """Half the swing, as a share of the level."""
    p: float
    """Probability of so good a fit without it."""
    coherence: float
    """Length of the mean of the daily phase vectors: 1 where it peaks at the same hour every day."""
    peak_hour: float
    """Hour of the day (UTC) of the highest value."""
    correlation: float
    """With the companion series, both less their running daily mean, at the best lag up to 6 h; NaN without one."""


def hampel(values: ArrayLike, half: int, deviations: float, floor: ArrayLike) -> Bools:
    """Values far from the running median: the identifier of Hampel.

    Args:
        values: shape (n,), all finite. [any unit]
        half: readings on each side of a window.
        deviations: threshold in robust standard deviations.
        floor: least standard deviation to assume, scalar or shape (n,). [same unit]

    Returns:
        (n,) True where |x - median| > deviations * max(1.4826 MAD of the window, 1.4826 MAD of all residuals, floor).

    Notes:
        The MAD of some ten values is itself uncertain; that of the residuals of the whole series holds it up.

    References:
        1. F. R. Hampel, The influence curve and its role in robust estimation, J. Am. Stat. Assoc. 69, 1974.
        2. P. J. Rousseeuw and C. Croux, Alternatives to the median absolute deviation, J. Am. Stat. Assoc. 88, 1993
           (1.4826; efficiency). Both from memory.
    """
    x = np.asarray(values, dtype=np.float64)
    if len(x) < 2 * half + 1:
        return np.zeros(len(x), dtype=np.bool_)
    window = np.lib.stride_tricks.sliding_window_view(np.pad(x, half, mode="reflect"), 2 * half + 1)
    middle = np.median(window, axis=1)
    spread = np.median(np.abs(window - middle[:, None]), axis=1)
    off = np.abs(x - middle)
    scale = np.maximum(MAD_TO_SD * np.maximum(spread, np.median(off)), np.asarray(floor, dtype=np.float64))
    return np.asarray(off > deviations * scale, dtype=np.bool_)


def short_groups(marked: Bools, longest: int, quiet: int) -> Bools:
    """Of marked readings, those in groups of at most ``longest`` with ``quiet`` unmarked ones on both sides."""
    kept = np.zeros(len(marked), dtype=np.bool_)
    edges = np.flatnonzero(np.diff(np.r_[False, marked, False].astype(np.int8)))
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        before, after = marked[max(start - quiet, 0) : start], marked[end : end + quiet]
        if (
            end - start <= longest
            and len(before) == len(after) == quiet
            and not (before.any() or after.any())
        ):
            kept[start:end] = True
    return kept


def steps(values: ArrayLike, side: int, deviations: float, sharpness: float) -> list[Step]:
    """Lasting changes between two successive readings of a series.

    Args:
        values: shape (n,), all finite, evenly spaced or nearly so. [any unit]
        side: readings looked at on each side.
        deviations: least size in standard errors of the difference of the medians.
        sharpness: the residual of two levels must be at most this share of that of one straight line: a ramp, however
            steep, is no step.

    Returns:
        The steps in time order, the largest first where two would overlap.

    Notes:
        The standard error of a median is sqrt(pi/2) sd/sqrt(side), with sd the larger of the noise of the series and
        that of the two levels (MAD).

    References:
        1. Medians on either side: common practice. 2. Asymptotic error of the median: textbook.
    """
    x = np.asarray(values, dtype=np.float64)
    n = len(x)
    if n < 2 * side + 1:
        return []
    view = np.lib.stride_tricks.sliding_window_view(x, side)
    middle = np.median(view, axis=1)
    spread = np.median(np.abs(view - middle[:, None]), axis=1)
    before, after = middle[: n - 2 * side + 1], middle[side : n - side + 1]
    sd = np.maximum(
        noise_of(x).sd, MAD_TO_SD * np.maximum(spread[: len(before)], spread[side : side + len(before)])
    )
    error = sd * math.sqrt(math.pi / side)
    size = after - before
    scale = np.where(error > 0.0, error, np.inf)
    score = np.abs(size) / scale
    found: list[Step] = []
    for k in np.argsort(-score):
        if score[k] <= deviations:
            break
        near = int(k) + side
        if any(abs(near - s.place) < 2 * side for s in found):
            continue
        at = _edge(x, near, side, float(before[k]), float(after[k]))
        if _sharp(x[at - side : at + side], side) <= sharpness:
            left, right = float(np.median(x[at - side : at])), float(np.median(x[at : at + side]))
            if abs(right - left) > deviations * error[k]:
                found.append(Step(at, left, right, float(error[k])))
    return sorted(found)


def _edge(x: Floats, at: int, side: int, before: float, after: float) -> int:
    """The place near ``at`` that parts readings nearer the old level from those nearer the new one."""
    low, high = max(at - side, side), min(at + side, len(x) - side)
    places = np.arange(low, high + 1)
    begin, end = low - side, high + side
    cost_before, cost_after = np.abs(x[begin:end] - before), np.abs(x[begin:end] - after)
    left = np.concatenate([[0.0], np.cumsum(cost_before)])
    right = np.concatenate([[0.0], np.cumsum(cost_after)])
    cost = left[places - begin] + (right[-1] - right[places - begin])
    return int(places[np.argmin(cost)])


def _sharp(x: Floats, side: int) -> float:
    """Residual of two levels as a share of that of one straight line."""
    two = float(((x[:side] - x[:side].mean()) ** 2).sum() + ((x[side:] - x[side:].mean()) ** 2).sum())
    t = np.arange(len(x)) - (len(x) - 1) / 2.0
    y = x - x.mean()
    line = float((y * y).sum() - (t * y).sum() ** 2 / (t * t).sum())
    return two / line if line > 0.0 else math.inf


def daily_cycle(days: ArrayLike, values: ArrayLike, companion: ArrayLike | None = None) -> DailyCycle | None:
    """A period of 24 hours in a series, and how it goes with another one.

    Args:
        days: times, rising, shape (n,). [days]
        values: shape (n,), all finite. [any unit]
        companion: usually a temperature, shape (n,); NaN where missing. [any unit]

    Returns:
        None with fewer than three whole days.

    Notes:
        The series less its running mean over 24 h is fitted with a cosine and a sine of 24 h; p is that of the F test
        with (2, n - 3) degrees of freedom. The mean of a signal that rises through the day is taken out with it.

    References:
        1. Least squares on harmonics (periodogram at a known period): textbook. Coherence: Rayleigh's mean resultant
           length.
    """
    t, y = np.asarray(days, dtype=np.float64), np.asarray(values, dtype=np.float64)
    level = float(np.median(y)) if len(y) else 0.0
    if len(t) < 12 or t[-1] - t[0] < 3.0 or not level > 0.0:
        return None
    rest = _less_daily_mean(t, y)
    use = np.isfinite(rest)
    if use.sum() < 12:
        return None
    t, rest = t[use], rest[use]
    # of the UTC day: the hour of the peak is told in UTC, and a fixed offset only turns the phase
    phase = 2.0 * np.pi * (t % 1.0)
    basis = np.stack([np.cos(phase), np.sin(phase)], axis=1)
    weight, *_ = np.linalg.lstsq(basis, rest, rcond=None)
    fitted = basis @ weight
    left = float(((rest - fitted) ** 2).sum())
    explained = float((fitted * fitted).sum())
    correlation = math.nan
    if companion is not None:
        correlation = _best_correlation(t, rest, np.asarray(companion, dtype=np.float64)[use])
    return DailyCycle(
        amplitude=float(np.hypot(*weight)) / level,
        p=_f_tail(explained, left, len(rest) - 3),
        coherence=_coherence(t, rest, basis),
        peak_hour=float(np.arctan2(weight[1], weight[0]) / (2.0 * np.pi) * 24.0 % 24.0),
        correlation=correlation,
    )


def _less_daily_mean(t: Floats, y: Floats) -> Floats:
    """The values less the mean of the 24 h around them; NaN at the ends, and where much of the 24 h is missing."""
    sums = np.concatenate([[0.0], np.cumsum(y)])
    low, high = np.searchsorted(t, t - 0.5, side="left"), np.searchsorted(t, t + 0.5, side="left")
    count = high - low
    whole = (t - 0.5 >= t[0] - 1e-9) & (t + 0.5 <= t[-1] + 1e-9) & (count >= 0.8 * np.median(count))
    return np.where(whole, y - (sums[high] - sums[low]) / np.maximum(count, 1), np.nan)


def _coherence(t: Floats, rest: Floats, basis: Floats) -> float:
    day = np.floor(t).astype(np.int64)
    day -= day[0]
    vectors = np.stack([np.bincount(day, rest * basis[:, k]) for k in (0, 1)], axis=1)
    length = np.hypot(vectors[:, 0], vectors[:, 1])
    # only the direction of each day counts: a day with a large swing must not speak for the others
    units = vectors[length > 0.0] / length[length > 0.0][:, None]
    return float(np.hypot(*units.mean(axis=0))) if len(units) else 0.0


def _best_correlation(t: Floats, rest: Floats, companion: Floats) -> float:
    """Correlation of largest size with the companion at lags of 0 to 6 h."""
    known = np.isfinite(companion)
    if known.sum() < 12:
        return math.nan
    other_t, other = t[known], companion[known]
    best = math.nan
    for lag in (0.0, 1 / 24, 2 / 24, 4 / 24, 6 / 24):
        # gas follows the oil that the sensor sees, which follows the top oil after some hours
        moved = np.interp(t - lag, other_t, other)
        smooth = _less_daily_mean(t, moved)
        both = np.isfinite(smooth)
        if both.sum() < 12 or smooth[both].std() == 0.0 or rest[both].std() == 0.0:
            continue
        r = float(np.corrcoef(smooth[both], rest[both])[0, 1])
        if math.isnan(best) or abs(r) > abs(best):
            best = r
    return best


def _f_tail(explained: float, left: float, freedom: int) -> float:
    """P(F(2, m) > (explained/2)/(left/m)): in closed form (left/(explained + left))^(m/2)."""
    whole = explained + left
    if whole <= 0.0 or freedom < 1:
        return 1.0
    return float((left / whole) ** (freedom / 2.0))
