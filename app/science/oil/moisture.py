"""Water in oil: solubility and relative saturation. Water in paper is in :mod:`app.science.oil.paper`.

Constants are read from ``tables/water_solubility.csv`` and ``tables/moisture_models.csv``.
"""

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.tables import TableError, rows

Floats = NDArray[np.float64]

ZERO_CELSIUS: Final = 273.15


@cache
def solubility_constants(liquid: str = "mineral_oil") -> tuple[float, float]:
    """(A, B) of log10 S = A - B/T for a liquid; the row marked default, or else the liquid's first.

    Raises:
        TableError: if the table has no row for the liquid.
    """
    found = [row for row in rows("water_solubility") if row["liquid"] == liquid]
    if not found:
        raise TableError(f"water_solubility.csv has no row for {liquid!r}")
    chosen = next((row for row in found if row["default"] == "yes"), found[0])
    return float(chosen["a"]), float(chosen["b"])


def solubility(temperature_c: ArrayLike, a: ArrayLike | None = None, b: ArrayLike | None = None) -> Floats:
    """Water that oil can dissolve.

    Args:
        temperature_c: oil temperature. [°C]
        a: constant A; new mineral oil where None.
        b: constant B. [K]

    Returns:
        S [mg/kg], of the same shape.

    Raises:
        ValueError: if only one of a and b is given (pairs must not be mixed).

    Notes:
        log10 S = A - B/T, T in kelvin; A = 7.0895 and B = 1567 for mineral oil, within 1 % of a published table from 10
        to 100 °C, 2.4 % above it at 0 °C. Aged oil dissolves more; give a pair of its own.

    References:
        1. T. V. Oommen's constants, checked against a published table of solubility.
    """
    if (a is None) != (b is None):
        raise ValueError("solubility: give both a and b, or neither; constants come in pairs")
    default_a, default_b = solubility_constants()
    big_a, big_b = (default_a, default_b) if a is None or b is None else (np.asarray(a), np.asarray(b))
    kelvin = np.asarray(temperature_c, dtype=np.float64) + ZERO_CELSIUS
    return np.asarray(10.0 ** (big_a - big_b / kelvin))


def relative_saturation(
    water: ArrayLike, temperature_c: ArrayLike, a: ArrayLike | None = None, b: ArrayLike | None = None
) -> Floats:
    """Relative saturation of water in oil.

    Args:
        water: water in oil. [mg/kg]
        temperature_c: oil temperature. [°C]
        a: constant A of the oil; new mineral oil where None.
        b: constant B of the oil. [K]

    Returns:
        RS [%], of the broadcast shape; NaN where an input is missing. Above 100 the water is not all dissolved, or
        an input is wrong.

    Notes:
        RS = 100 water/S(T). It falls and rises with the temperature at constant water (by 1.2-1.6 in a day on two
        real units): compare at equal temperature, and never alarm on one hour.

    References:
        1. As :func:`solubility`.
    """
    return np.asarray(100.0 * np.asarray(water, dtype=np.float64) / solubility(temperature_c, a, b))


def water_at(
    water: ArrayLike,
    temperature_c: ArrayLike,
    reference_c: float = 20.0,
    a: float | None = None,
    b: float | None = None,
) -> Floats:
    """Water content scaled to a reference temperature at equal relative saturation.

    Args:
        water: water in oil. [mg/kg]
        temperature_c: oil temperature at sampling. [°C]
        reference_c: temperature to compare at. [°C]
        a: constant A of the oil; new mineral oil where None.
        b: constant B of the oil. [K]

    Returns:
        Water [mg/kg], of the broadcast shape; NaN where an input is missing.

    Notes:
        water S(reference)/S(T). The factor of IEC 60422 (from memory: 2.24 exp(-0.04 T) to 20 °C) is within 1.5 % of it
        at 20-40 °C and 18 % lower at 70 °C.

    References:
        1. As :func:`solubility`.
    """
    return np.asarray(relative_saturation(water, temperature_c, a, b) / 100.0 * solubility(reference_c, a, b))


def solubility_of(liquid: str) -> tuple[float, float]:
    """(A, B) of a liquid; NaN where nothing is known of it."""
    try:
        return solubility_constants(liquid)
    except TableError:
        return np.nan, np.nan


def saturation_temperature(water: ArrayLike, a: ArrayLike, b: ArrayLike) -> Floats:
    """Temperature at which oil can just hold its water: below it water comes out.

    Args:
        water: water in oil. [mg/kg]
        a: constant A of the oil.
        b: constant B of the oil. [K]

    Returns:
        T [°C], of the broadcast shape; NaN where there is no water.

    Notes:
        S(T) = water solved for T: T = B/(A - log10 water).

    References:
        1. As :func:`solubility`.
    """
    content = np.asarray(water, dtype=np.float64)
    content = np.where(content > 0.0, content, np.nan)
    kelvin = np.asarray(b, dtype=np.float64) / (np.asarray(a, dtype=np.float64) - np.log10(content))
    return np.asarray(kelvin - ZERO_CELSIUS)


@cache
def model_coefficients(model: str) -> dict[str, float]:
    """Coefficients of one model of ``tables/moisture_models.csv``.

    Raises:
        TableError: if the table has no such model.
    """
    found = {r["coefficient"]: float(r["value"]) for r in rows("moisture_models") if r["model"] == model}
    if not found:
        raise TableError(f"moisture_models.csv has no model {model!r}")
    return found
