"""Signs of a slip of writing: a repeated report, a lost digit, a wrong unit, values in the wrong column.

All compare a sample with what its gases usually are. A sign is a reason to look, never a reason to change a value.
Thresholds are read from ``tables/quality_signs.csv``.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.diagnosis.ratios import ratio
from app.science.measuring.quality import sign_parameters

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


class Rearranged(NamedTuple):
    """Result of :func:`rearranged_columns`, leading shape of the input."""

    shift: NDArray[np.int8]
    """1 where every value seems to stand one column late, -1 one column early, else 0."""
    swapped: NDArray[np.int8]
    """(..., 2) the two columns that seem exchanged, -1 where none."""


def identical_repeat(values: ArrayLike, before: ArrayLike) -> Bools:
    """A report equal to the one before it in every quantity of both.

    Args:
        values: (..., q) numbers of a sample.
        before: (..., q) numbers of the one before it.

    Returns:
        Leading shape; False with fewer than three quantities measured in both, or nothing but zeros.

    References:
        1. IEEE Std C57.104-2019, 5.1.
    """
    a, b = np.broadcast_arrays(np.asarray(values, dtype=np.float64), np.asarray(before, dtype=np.float64))
    both = ~np.isnan(a) & ~np.isnan(b)
    return np.asarray(
        ((a == b) | ~both).all(axis=-1) & (both.sum(axis=-1) >= 3) & (both & (a > 0.0)).any(axis=-1)
    )


def lost_digit(values: ArrayLike, reference: ArrayLike) -> Bools:
    """One gas is off by a factor of ten, within 30 %, while all the others fit their history.

    Args:
        values: (..., q) gases of a sample. [µL/L]
        reference: (..., q) what they usually are, e.g. the median of the history. [µL/L]

    Returns:
        (..., q) True at the gas.

    References:
        1. IEEE Std C57.104-2019, 5.1 (a lost digit) and 5.2.1 (30 %); how the others must fit: common practice.
    """
    c = sign_parameters("digit")
    away, both = _log_distance(values, reference)
    a, b = np.broadcast_arrays(np.asarray(values, dtype=np.float64), np.asarray(reference, dtype=np.float64))
    tenfold = np.abs(
        np.abs(np.log(np.where(both & (a > 0) & (b > 0), ratio(a, b), 1.0))) - np.log(c["factor"])
    )
    near = both & (tenfold <= np.log1p(c["tolerance"])) & (np.abs(away) > sign_parameters("columns")["fit"])
    square = np.where(both, away * away, 0.0)
    # all but each gas itself, for every gas at once
    others = square.sum(axis=-1, keepdims=True) - square
    number = both.sum(axis=-1, keepdims=True) - both
    fit = (number >= 2) & (others <= number * sign_parameters("columns")["fit"] ** 2)
    return np.asarray(near & fit)


def unit_slip(values: ArrayLike, reference: ArrayLike) -> NDArray[np.int8]:
    """Power of ten by which a whole sample is off: 3 where it is a thousand times too large, 0 where it is not off.

    Args:
        values: (..., q) gases of a sample. [µL/L]
        reference: (..., q) what they usually are. [µL/L]

    Returns:
        Leading shape, -6 to 6. At least three gases above zero in both are needed.

    References:
        1. Common practice, no source (% for µL/L is a factor of 10 000).
    """
    quotient = ratio(values, reference)
    usable = np.isfinite(quotient) & (quotient > 0.0)
    power = np.log10(np.where(usable, quotient, 1.0))
    number = usable.sum(axis=-1)
    mean = np.where(usable, power, 0.0).sum(axis=-1) / np.maximum(number, 1)
    whole = np.rint(mean)
    off = np.where(usable, power - whole[..., None], 0.0) * np.log(10.0)
    rms = np.sqrt((off * off).sum(axis=-1) / np.maximum(number, 1))
    slipped = (number >= 3) & (rms <= sign_parameters("columns")["fit"])
    return np.asarray(np.where(slipped, np.clip(whole, -6, 6), 0), dtype=np.int8)


def rearranged_columns(values: ArrayLike, reference: ArrayLike) -> Rearranged:
    """Values that fit the history only when shifted by one column, or with two columns exchanged.

    Args:
        values: (..., q) gases of a sample in the order of their columns. [µL/L]
        reference: (..., q) what they usually are. [µL/L]

    Returns:
        Shift and exchanged columns. A shift needs four gases to compare, an exchange three.

    Notes:
        The misfit is the root mean square of ln((value + 1)/(reference + 1)). A rearrangement is named where it is at
        least four times better than the row as it stands and itself fits (misfit at most 0.35).

    References:
        1. IEEE Std C57.104-2019, 5.1 (shifted by one column, swapped); thresholds: common practice.
    """
    a, b = np.broadcast_arrays(np.asarray(values, dtype=np.float64), np.asarray(reference, dtype=np.float64))
    lead, q = a.shape[:-1], a.shape[-1]
    as_is = _misfit(a, b, 3)
    # compared without the column that fell off the end
    late, early = _misfit(a[..., 1:], b[..., :-1], 4), _misfit(a[..., :-1], b[..., 1:], 4)
    shift = np.where(_better(late, as_is), 1, np.where(_better(early, as_is), -1, 0))
    best = np.full(lead, np.inf)
    swapped = np.full((*lead, 2), -1, dtype=np.int8)
    for i in range(q):
        for j in range(i + 1, q):
            order = np.arange(q)
            order[[i, j]] = j, i
            misfit = _misfit(a[..., order], b, 3)
            found = _better(misfit, as_is) & (misfit < best)
            best = np.where(found, misfit, best)
            swapped[found] = (i, j)
    return Rearranged(np.asarray(shift, dtype=np.int8), swapped)


def _log_distance(values: ArrayLike, reference: ArrayLike) -> tuple[Floats, Bools]:
    floor = sign_parameters("scale")["floor"]
    a, b = np.broadcast_arrays(np.asarray(values, dtype=np.float64), np.asarray(reference, dtype=np.float64))
    both = (a >= 0.0) & (b >= 0.0) & np.isfinite(a) & np.isfinite(b)
    return np.log((np.where(both, a, 0.0) + floor) / (np.where(both, b, 0.0) + floor)), both


def _misfit(values: Floats, reference: Floats, fewest: int) -> Floats:
    away, both = _log_distance(values, reference)
    number = both.sum(axis=-1)
    rms = np.sqrt((away * away).sum(axis=-1) / np.maximum(number, 1))
    return np.asarray(np.where(number >= fewest, rms, np.inf))


def _better(misfit: Floats, as_is: Floats) -> Bools:
    c = sign_parameters("columns")
    return np.asarray(
        (misfit <= c["fit"]) & np.isfinite(as_is) & (as_is >= c["gain"] * misfit) & (as_is > c["fit"])
    )
