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
