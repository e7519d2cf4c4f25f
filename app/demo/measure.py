"""What a laboratory or an instrument makes of the truth: scatter, bias, detection limits, rounding."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from app.domain.model import Reading

SIGNIFICANT_DIGITS = 3


@dataclass(frozen=True, slots=True)
class Meter:
    """How a source measures.

    Attributes:
        scatter: relative standard deviation of a gas reading.
        bias: relative standard deviation of the constant error of one such meter.
        limits: detection limit by quantity; only quantities named here are measured [the quantity's unit].
        spread: absolute standard deviation near zero, as a share of the detection limit.
    """

    scatter: float
    bias: float
    limits: Mapping[str, float]
    spread: float = 0.12


LABORATORY: Final = Meter(
    scatter=0.05,  # nearly always within the ±15 % that IEEE C57.104-2019, 5.2.1 recommends
    bias=0.0,
    limits={
        "h2": 3.0, "ch4": 1.0, "c2h6": 1.0, "c2h4": 1.0, "c2h2": 0.5, "co": 10.0, "co2": 20.0,
        "o2": 500.0, "n2": 2_000.0, "water": 2.0,
    },
)  # fmt: skip
NINE_GAS: Final = Meter(
    scatter=0.03,
    bias=0.04,
    limits={
        "h2": 5.0, "ch4": 2.0, "c2h6": 2.0, "c2h4": 1.0, "c2h2": 0.5, "co": 15.0, "co2": 25.0,
        "o2": 500.0, "n2": 2_000.0, "water": 1.0,
    },
)  # fmt: skip
FIVE_GAS: Final = Meter(
    scatter=0.03,
    bias=0.05,
    limits={"h2": 5.0, "ch4": 3.0, "c2h4": 2.0, "c2h2": 0.5, "co": 20.0},
)
HYDROGEN: Final = Meter(scatter=0.03, bias=0.05, limits={"h2": 4.0, "water": 1.0})

METERS: Final[Mapping[str, Meter]] = {
    "QUE-T1-M": NINE_GAS,
    "QUE-T2-M": NINE_GAS,
    "ZEP-T2-M": FIVE_GAS,
    "OST-T1-M": HYDROGEN,
}
"""By instrument code of the demo fleet."""

PLAIN: Final = ("oil_temperature", "ambient_temperature", "load")
"""Quantities every instrument sends as they are, rounded."""


def measure(
    meter: Meter, truth: Mapping[str, float], bias: Mapping[str, float], rng: np.random.Generator
) -> dict[str, Reading]:
    """One measurement. ``truth`` in the program's units; ``bias`` are factors by quantity."""
    readings = {}
    for quantity, limit in meter.limits.items():
        noise, floor = rng.standard_normal(2)
        value = truth[quantity] * bias[quantity] * (1.0 + meter.scatter * noise)
        value += meter.spread * limit * floor
        readings[quantity] = (
            Reading(quantity, below=limit)
            if value < limit
            else Reading(quantity, value=significant(value, SIGNIFICANT_DIGITS))
        )
    return readings


def biases(meter: Meter, seed: int) -> dict[str, float]:
    """The constant factors of one particular meter, by quantity."""
    errors = np.random.default_rng(seed).standard_normal(len(meter.limits))
    return {q: 1.0 + meter.bias * float(e) for q, e in zip(meter.limits, errors, strict=True)}


def significant(value: float, digits: int) -> float:
    """Rounded to significant digits, as reports print it."""
    return float(f"{value:.{digits}g}")
