"""Water in paper, the temperature of bubble inception, and the ageing of paper. All of it is an estimate.

Coefficients are read from ``tables/moisture_models.csv`` and ``tables/furans.csv``; most are from memory, and pages
that show a result say so.
"""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.oil.moisture import ZERO_CELSIUS, model_coefficients, relative_saturation
from app.science.tables import TableError, rows

Floats = NDArray[np.float64]

ATMOSPHERE_MPA: Final = 0.101325
ATMOSPHERE_MMHG: Final = 760.0

PAPER_ESTIMATE: Final = ("applicable", "too few readings", "too cold", "not steady")
"""Why water in paper can be estimated (0) or not (1-3); see :func:`paper_estimate_state`."""
FEWEST_TEMPERATURES: Final = 3
"""Readings of the oil's temperature that such an estimate needs."""


def saturation_pressure(temperature_c: ArrayLike) -> Floats:
    """Vapour pressure of water at saturation.

    Args:
        temperature_c: temperature, 0 to 370. [°C]

    Returns:
        Pressure [atm], of the same shape.

    Notes:
        ln(p/pc) = Tc/T (a1 v + a2 v^1.5 + a3 v^3 + a4 v^3.5 + a5 v^4 + a6 v^7.5), v = 1 - T/Tc.

    References:
        1. IAPWS SR1-86 (coefficients from memory; checked against steam tables in the tests).
    """
    c = model_coefficients("saturation_pressure")
    kelvin = np.asarray(temperature_c, dtype=np.float64) + ZERO_CELSIUS
    v = 1.0 - kelvin / c["critical_temperature"]
    powers = (1.0, 1.5, 3.0, 3.5, 4.0, 7.5)
    total = sum((c[f"a{i}"] * v**power for i, power in enumerate(powers, 1)), np.zeros(v.shape))
    pressure = c["critical_pressure"] * np.exp(c["critical_temperature"] / kelvin * total)
    return np.asarray(pressure / ATMOSPHERE_MPA)


def water_in_paper(
    water: ArrayLike, temperature_c: ArrayLike, a: float | None = None, b: float | None = None
) -> Floats:
    """Apparent water in paper, as if oil and paper were in equilibrium.

    Args:
        water: water in oil. [mg/kg]
        temperature_c: oil temperature. [°C]
        a: constant A of the oil's solubility; new mineral oil where None.
        b: constant B of the oil's solubility. [K]

    Returns:
        Water in paper [% by mass], of the broadcast shape. Ask :func:`paper_estimate_state` first: equilibrium is
        hardly ever reached in a loaded unit, and a result from cold oil is wrong, not rough.

    Notes:
        C = 2.173e-7 p^0.6685 exp(4725.6/T), p the vapour pressure of water [atm] = RS/100 psat(T), T in kelvin.

    References:
        1. Fessler et al., equilibrium of water in paper (coefficients and title from memory).
    """
    c = model_coefficients("fessler")
    pressure = relative_saturation(water, temperature_c, a, b) / 100.0 * saturation_pressure(temperature_c)
    kelvin = np.asarray(temperature_c, dtype=np.float64) + ZERO_CELSIUS
    fraction = c["scale"] * pressure ** c["exponent"] * np.exp(c["temperature"] / kelvin)
    return np.asarray(100.0 * fraction)


def paper_estimate_state(days: ArrayLike, temperature_c: ArrayLike, valid: ArrayLike) -> NDArray[np.int8]:
    """Whether the oil was warm and steady enough to estimate the water in the paper.

    Args:
        days: times of the oil temperatures, the last being now, shape (..., k). [days]
        temperature_c: oil temperatures, shape (..., k). [°C]
        valid: which readings take part, shape (..., k).

    Returns:
        Index into :data:`PAPER_ESTIMATE`, of the leading shape.

    Notes:
        The readings of the last three days count; they must reach back over them (at least three readings, the first
        two days before the last or more), all be above 50 °C and within 10 K.

    References:
        1. 50 °C: from memory. What is taken as steady: common practice, no source.
    """
    c = model_coefficients("paper_estimate")
    t, y, use = np.broadcast_arrays(
        np.asarray(days, dtype=np.float64),
        np.asarray(temperature_c, dtype=np.float64),
        np.asarray(valid, dtype=np.bool_),
    )
    use = use & np.isfinite(t) & np.isfinite(y)
    last = np.where(use, t, -np.inf).max(axis=-1, keepdims=True, initial=-np.inf)
    last = np.where(np.isfinite(last), last, 0.0)
    use = use & (t >= last - c["steady_days"])
    first = np.where(use, t, np.inf).min(axis=-1, initial=np.inf)
    coldest = np.where(use, y, np.inf).min(axis=-1, initial=np.inf)
    hottest = np.where(use, y, -np.inf).max(axis=-1, initial=-np.inf)
    few = (use.sum(axis=-1) < FEWEST_TEMPERATURES) | (last[..., 0] - first < c["steady_days"] * 2.0 / 3.0)
    swing = np.where(few, 0.0, hottest) - np.where(few, 0.0, coldest)
    state = np.select([few, coldest <= c["lowest_temperature"], swing > c["greatest_swing"]], [1, 2, 3], 0)
    return np.asarray(state, dtype=np.int8)


def bubble_inception(
    water_in_paper_percent: ArrayLike, gas_percent: ArrayLike, pressure_mmhg: ArrayLike = ATMOSPHERE_MMHG
) -> Floats:
    """Hot-spot temperature at which bubbles of vapour form in wet paper.

    Args:
        water_in_paper_percent: water in paper, above 0. [% by mass]
        gas_percent: gas content of the oil. [% by volume]
        pressure_mmhg: absolute pressure at the hot spot. [mmHg]

    Returns:
        Temperature [°C], of the broadcast shape; NaN where the water is not above zero.

    Notes:
        T = 6996.7/(22.454 + 1.4495 ln W - ln P) - exp(0.473 W) g^1.585/30, T in kelvin. Not an operating limit.

    References:
        1. T. V. Oommen, S. R. Lindgren, bubble evolution from transformer overload (from memory).
    """
    c = model_coefficients("bubble")
    water = np.asarray(water_in_paper_percent, dtype=np.float64)
    water = np.where(water > 0.0, water, np.nan)
    gas = np.asarray(gas_percent, dtype=np.float64)
    pressure = np.asarray(pressure_mmhg, dtype=np.float64)
    vapour = c["numerator"] / (c["constant"] + c["water"] * np.log(water) - np.log(pressure))
    lowered = np.exp(c["gas_exponent"] * water) * gas ** c["gas_power"] / c["gas_divisor"]
    return np.asarray(vapour - lowered - ZERO_CELSIUS)


def degree_of_polymerization(furfural: ArrayLike, model: str) -> Floats:
    """Mean degree of polymerization of the paper by one formula, from 2-furfural in the oil.

    Args:
        furfural: 2-furfural. [mg/kg]
        model: a name in ``tables/furans.csv``; the table says for which paper it is.

    Returns:
        DP, of the same shape; NaN where furfural is not above zero. Oil that was changed or reclaimed has lost its
        furans and says nothing. One formula is never told alone: see :func:`dp_band`.

    Raises:
        TableError: if there is no such model.

    Notes:
        logarithm: DP = (a - log10(scale F))/b; ratio: DP = a/(b + F).

    References:
        1. Formulas from memory.
    """
    row = next((row for row in rows("furans") if row["model"] == model), None)
    if row is None:
        raise TableError(f"furans.csv has no model {model!r}")
    f = np.asarray(furfural, dtype=np.float64)
    f = np.where(f > 0.0, f, np.nan)
    a, b = float(row["a"]), float(row["b"])
    if row["form"] == "ratio":
        return np.asarray(a / (b + f))
    return np.asarray((a - np.log10(float(row["scale"]) * f)) / b)


DP_OF_NEW_PAPER: Final = 1200.0


def dp_band(furfural: ArrayLike, paper: str) -> tuple[Floats, Floats]:
    """The band of the mean degree of polymerization: no formula is right for every unit.

    Args:
        furfural: 2-furfural. [mg/kg]
        paper: ``plain``, ``upgraded``, or ``unknown`` for the formulas of both.

    Returns:
        Lowest and highest DP of the formulas marked for the band, of the same shape, between 0 and that of new paper;
        NaN where furfural is not above zero.

    References:
        1. Formulas from memory; which make up the band is ours: Chendong, Burton and De Pablo's second for plain paper,
           Stebbins' for upgraded.
    """
    wanted = ("plain", "upgraded") if paper == "unknown" else (paper,)
    found = [
        degree_of_polymerization(furfural, row["model"])
        for row in rows("furans")
        if row["band"] == "yes" and row["paper"] in wanted
    ]
    bands = np.clip(np.stack(found), 0.0, DP_OF_NEW_PAPER)
    return np.asarray(bands.min(axis=0)), np.asarray(bands.max(axis=0))
