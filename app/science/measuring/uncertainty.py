"""What is known of a measured value, and what a verdict is worth given that."""

from collections.abc import Callable, Sequence
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.tables import rows

Floats = NDArray[np.float64]


@cache
def _parameters() -> dict[str, float]:
    return {row["parameter"]: float(row["value"]) for row in rows("uncertainty")}


def parameter(name: str) -> float:
    """One number of ``tables/uncertainty.csv``.

    Raises:
        KeyError: if the table has no row for it.
    """
    return _parameters()[name]


LABORATORY_RELATIVE_SD: Final = _parameters()["laboratory_accuracy"] / _parameters()["coverage"]
"""0.075: the accuracy of ±15 % asked of laboratories, taken as two standard deviations. The 10-20 % between replicates
of accredited laboratories speak for more, the 1-10 % in-service scatter of published series for this or less."""
LABORATORY_BIAS_SD: Final = _parameters()["laboratory_bias"]
"""What all results of one laboratory for one gas share of it; it cancels in their changes."""
FLOOR_IN_DETECTION_LIMITS: Final = _parameters()["floor"]


@cache
def detection_limit(quantity: str, service: str = "in service") -> float:
    """Usual detection limit of a gas [µL/L] (IEC 60567, from memory); ``service`` may be ``factory``.

    Raises:
        KeyError: if the table has no row for it.
    """
    found = {(row["quantity"], row["service"]): float(row["limit"]) for row in rows("detection_limits")}
    return found[quantity, service]


def measurement_sd(
    values: ArrayLike, relative: ArrayLike = LABORATORY_RELATIVE_SD, floor: ArrayLike = 0.0
) -> Floats:
    """Standard deviation of a measured value.

    Args:
        values: measured values. [µL/L]
        relative: relative standard deviation of the source, e.g. 0.075 for a laboratory of ±15 %. [1]
        floor: standard deviation near detection, usually half the detection limit. [µL/L]

    Returns:
        sd [µL/L], of the broadcast shape.

    Notes:
        sd² = (relative value)² + floor². With a floor of half the detection limit, two sd are ±25 % at five times the
        limit, where the guide says confidence becomes low, and ±100 % at the limit.

    References:
        1. IEEE Std C57.104-2019, 5.2.1 (±15 %; low confidence below about five times the detection limit).
        2. The reading of ±15 % as two sd and the floor: common practice, no source.
    """
    value = np.asarray(values, dtype=np.float64)
    relative_part = np.asarray(relative, dtype=np.float64) * np.abs(value)
    return np.asarray(np.hypot(relative_part, np.asarray(floor, dtype=np.float64)))


def draws(
    values: ArrayLike, below: ArrayLike, relative: ArrayLike, floor: ArrayLike, n: int, seed: int
) -> Floats:
    """Values that could have led to the numbers reported.

    Args:
        values: measured values, or the limit where below, shape (..., q), the last axis being quantities. [µL/L]
        below: where the number is a detection limit, shape (..., q).
        relative: relative standard deviation, broadcastable to (..., q); one per source and quantity. [1]
        floor: standard deviation near detection, broadcastable to (..., q). [µL/L]
        n: number of draws.
        seed: of the generator; the same seed gives the same draws.

    Returns:
        Array (n, ..., q) [µL/L], never negative; NaN where the value is.

    Raises:
        ValueError: if n is not positive.

    Notes:
        A measured value is normal about what was reported with :func:`measurement_sd`, cut off at zero; a value below
        a limit is uniform between zero and the limit. All samples share the same underlying deviates, so a sample's
        result does not depend on which others are in the batch, and samples compare without the noise of drawing.

    References:
        1. JCGM 101:2008 (propagation of distributions); the distributions chosen: common practice.
    """
    if n < 1:
        raise ValueError(f"draws: n must be at least 1, got {n}")
    value = np.asarray(values, dtype=np.float64)
    quantities = value.shape[-1]
    generator = np.random.default_rng(seed)
    lead = (n, *([1] * (value.ndim - 1)), quantities)
    normal = generator.standard_normal((n, quantities)).reshape(lead)
    uniform = generator.random((n, quantities)).reshape(lead)
    measured = np.maximum(value + measurement_sd(value, relative, floor) * normal, 0.0)
    return np.asarray(np.where(np.asarray(below, dtype=np.bool_), uniform * value, measured))


def zone_probabilities(
    method: Callable[..., NDArray[np.int8]], zones: Sequence[str], drawn: Floats
) -> Floats:
    """Share of draws that a zone method puts into each zone.

    Args:
        method: a zone method such as ``duval_triangle_1``; takes one array per gas.
        zones: its zone names.
        drawn: draws (n, ..., q), gases last, in the order of the method's arguments.

    Returns:
        Probabilities (..., zones). They sum to less than 1 where draws have no zone (no gas at all), to 0 where a gas
        is missing.

    References:
        1. JCGM 101:2008 (propagation of distributions).
    """
    zone = method(*np.moveaxis(drawn, -1, 0))
    return np.stack([(zone == number).mean(axis=0) for number in range(len(zones))], axis=-1)
