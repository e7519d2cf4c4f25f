"""Signs that a sample is not what it seems: air in it, gas that escaped, more than the oil can hold, an outlier.

A sign is a reason to look, never a reason to throw a sample away. Thresholds are read from
``tables/quality_signs.csv``; most are common practice. Slips of writing are in :mod:`app.science.measuring.slips`.
"""

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.diagnosis.ratios import ratio
from app.science.oil.volumes import air_saturation
from app.science.tables import rows

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@cache
def sign_parameters(name: str) -> dict[str, float]:
    """Thresholds of one sign, parameter to value, from ``tables/quality_signs.csv``."""
    return {r["parameter"]: float(r["value"]) for r in rows("quality_signs") if r["sign"] == name}


def air_exposure(
    h2: ArrayLike, h2_before: ArrayLike, oxygen_ratio: ArrayLike, oxygen_ratio_before: ArrayLike
) -> Bools:
    """Air got into the sample: hydrogen fell to half or less while O2/N2 rose by 0.1 or more.

    Args:
        h2: hydrogen. [µL/L]
        h2_before: hydrogen of the sample before. [µL/L]
        oxygen_ratio: O2/N2. [1]
        oxygen_ratio_before: O2/N2 of the sample before. [1]

    Returns:
        Of the broadcast shape; False where an input is missing.

    References:
        1. IEEE Std C57.104-2019, 5.1 (the sign); thresholds: common practice.
    """
    c = sign_parameters("air")
    fell = ratio(h2, h2_before) <= c["hydrogen_left"]
    rise = np.asarray(oxygen_ratio, dtype=np.float64) - np.asarray(oxygen_ratio_before, dtype=np.float64)
    return np.asarray(fell & (rise >= c["oxygen_ratio_rise"]))


def gas_loss(h2: ArrayLike, h2_before: ArrayLike, ch4: ArrayLike, ch4_before: ArrayLike) -> Bools:
    """Hydrogen fell to half or less while methane kept 80 % or more: lost from a container or by breathing.

    All in µL/L; False where an input is missing. Thresholds: common practice.
    """
    c = sign_parameters("gas_loss")
    fell = ratio(h2, h2_before) <= c["hydrogen_left"]
    return np.asarray(fell & (ratio(ch4, ch4_before) >= c["methane_left"]))


def oversaturated(o2: ArrayLike, n2: ArrayLike, relative_saturation: ArrayLike) -> Bools:
    """More than the oil can hold: oxygen, nitrogen, water.

    Args:
        o2: oxygen. [µL/L]
        n2: nitrogen. [µL/L]
        relative_saturation: of water. [%]

    Returns:
        Broadcast shape plus a last axis (oxygen, nitrogen, water); False where missing.

    Notes:
        Oxygen and nitrogen against saturation under air at 25 °C with a margin of 30 % for temperature and pressure;
        nitrogen against pure nitrogen, since a blanket may be there.

    References:
        1. IEEE Std C57.104-2019, 5.1 (O2 or N2 above saturation). 2. DiGiorgio, 2005 (solubility).
    """
    margin = sign_parameters("saturation")["margin"]
    oxygen, nitrogen, water = np.broadcast_arrays(
        *(np.asarray(x, dtype=np.float64) for x in (o2, n2, relative_saturation))
    )
    pure_nitrogen = air_saturation("n2") / (sign_parameters("air_content")["nitrogen"] / 100.0)
    return np.stack(
        [oxygen > margin * air_saturation("o2"), nitrogen > margin * pure_nitrogen, water > 100.0], axis=-1
    )


def near_detection(values: ArrayLike, detection_limits: ArrayLike) -> Bools:
    """Values of low confidence: below about five times their detection limit (IEEE Std C57.104-2019, 5.2.1).

    Both in µL/L; False where missing.
    """
    factor = sign_parameters("detection")["doubtful_below"]
    limit = np.asarray(detection_limits, dtype=np.float64)
    return np.asarray(np.asarray(values, dtype=np.float64) < factor * limit)


def outlier_score(values: ArrayLike, history: ArrayLike, valid: ArrayLike, floor: ArrayLike) -> Floats:
    """How many robust standard deviations a value lies from the median of its history.

    Args:
        values: shape (...). [any unit]
        history: earlier values, shape (..., k). [same unit]
        valid: which of them take part, shape (..., k).
        floor: least standard deviation to assume, usually that of the measurement, shape (...). [same unit]

    Returns:
        Signed score, shape (...); NaN with fewer than four earlier values. :func:`is_outlier` has the threshold.

    Notes:
        The standard deviation is 1.4826 times the median absolute deviation, at least the floor. A trend makes scores
        of its own: judge detrended values where there is one.

    References:
        1. Median absolute deviation: common practice.
    """
    past = np.asarray(history, dtype=np.float64)
    use = np.broadcast_to(np.asarray(valid, dtype=np.bool_), past.shape) & np.isfinite(past)
    middle = _median(past, use)
    deviation = 1.4826 * _median(np.abs(past - middle[..., None]), use)
    scale = np.maximum(deviation, np.asarray(floor, dtype=np.float64))
    enough = (use.sum(axis=-1) >= 4) & (scale > 0.0)
    off = np.asarray(values, dtype=np.float64) - middle
    return np.asarray(np.where(enough, off, np.nan) / np.where(enough, scale, 1.0))


def is_outlier(score: ArrayLike) -> Bools:
    """Whether a score of :func:`outlier_score` is four or more either way (common practice)."""
    return np.asarray(np.abs(np.asarray(score, dtype=np.float64)) >= sign_parameters("outlier")["deviations"])


def repeated_jumps(values: ArrayLike, valid: ArrayLike) -> Bools:
    """Results that jump by 30 % up and down again, twice or more: sampling or laboratory error.

    Args:
        values: consecutive results of one gas, shape (..., k). [µL/L]
        valid: which take part, shape (..., k).

    References:
        1. IEEE Std C57.104-2019, 5.2.1 (30 %); how often is repeatedly: common practice.
    """
    c = sign_parameters("jump")
    y = np.asarray(values, dtype=np.float64)
    use = np.broadcast_to(np.asarray(valid, dtype=np.bool_), y.shape) & (y > 0.0)
    # valid values moved together, so that a gap does not hide a jump
    order = np.argsort(~use, axis=-1, kind="stable")
    y, use = np.take_along_axis(y, order, axis=-1), np.take_along_axis(use, order, axis=-1)
    step = np.diff(np.log(np.where(use, y, 1.0)), axis=-1)
    jump = np.where(use[..., 1:] & (np.abs(step) >= np.log1p(c["relative"])), np.sign(step), 0.0)
    turned = (jump[..., 1:] * jump[..., :-1] < 0.0).sum(axis=-1)
    return np.asarray(turned >= c["fewest"])


def hydrogen_never_seen(h2: ArrayLike, hydrocarbons: ArrayLike) -> Bools:
    """Hydrogen always near zero while the other gases are not: lost, or not measured.

    Args:
        h2: consecutive results, shape (..., k). [µL/L]
        hydrocarbons: sum of the hydrocarbons in the same samples, shape (..., k). [µL/L]

    Returns:
        Leading shape; False with fewer than three samples that have both.

    References:
        1. IEEE Std C57.104-2019, 5.1; thresholds: common practice.
    """
    c = sign_parameters("hydrogen")
    hydrogen, other = np.broadcast_arrays(
        np.asarray(h2, dtype=np.float64), np.asarray(hydrocarbons, dtype=np.float64)
    )
    both = ~np.isnan(hydrogen) & ~np.isnan(other)
    absent = ((hydrogen <= c["near_zero"]) & (other >= c["others"])) | ~both
    return np.asarray(absent.all(axis=-1) & (both.sum(axis=-1) >= 3))


def _median(values: Floats, use: Bools) -> Floats:
    """Median of the used values along the last axis; NaN where none is used."""
    ordered = np.sort(np.where(use, values, np.inf), axis=-1)
    count = use.sum(axis=-1)
    low = np.maximum(count - 1, 0) // 2
    high = np.minimum(count // 2, max(values.shape[-1] - 1, 0))
    if values.shape[-1] == 0:
        return np.full(count.shape, np.nan)
    pair = np.take_along_axis(ordered, np.stack([low, high], axis=-1), axis=-1)
    return np.where(count > 0, np.where(np.isfinite(pair), pair, 0.0).mean(axis=-1), np.nan)
