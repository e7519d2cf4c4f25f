"""Normalized energy intensity: the energy that formed the gases found, per volume of oil.

Coefficients are read from ``tables/nei.csv``.
"""

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.tables import rows

Floats = NDArray[np.float64]


@cache
def _coefficients(index: str) -> dict[str, float]:
    return {row["quantity"]: float(row["coefficient"]) for row in rows("nei") if row["index"] == index}


def _intensity(index: str, **gases: ArrayLike) -> Floats:
    # µL/L times kJ/mol over L/mol is 1e-6 kJ per litre of oil, and a kL has 1000 litres
    scale = _coefficients("molar_volume")[""] * 1000.0
    coefficients = _coefficients(index)
    total = np.zeros(())
    for name, value in gases.items():
        total = total + coefficients[name] * np.asarray(value, dtype=np.float64)
    return np.asarray(total / scale)


def nei_oil(ch4: ArrayLike, c2h6: ArrayLike, c2h4: ArrayLike, c2h2: ArrayLike) -> Floats:
    """Normalized energy intensity of the oil.

    Args:
        ch4: methane. [µL/L]
        c2h6: ethane. [µL/L]
        c2h4: ethylene. [µL/L]
        c2h2: acetylene. [µL/L]

    Returns:
        NEI [kJ/kL], of the broadcast shape; NaN where a gas is missing.

    Notes:
        NEI = (77.7 CH4 + 93.5 C2H6 + 104.1 C2H4 + 278.3 C2H2)/22400, concentrations at 0 °C and 101.325 kPa. Hydrogen
        is not used. One utility takes an increase of 0.5 kJ/kL over any interval as a reason for concern.

    References:
        1. IEEE Std C57.104-2019, Annex F.
    """
    return _intensity("oil", ch4=ch4, c2h6=c2h6, c2h4=c2h4, c2h2=c2h2)


def nei_oil_without_ethane(ch4: ArrayLike, c2h4: ArrayLike, c2h2: ArrayLike) -> Floats:
    """Normalized energy intensity without ethane, for oil suspected of stray gassing.

    Args:
        ch4: methane. [µL/L]
        c2h4: ethylene. [µL/L]
        c2h2: acetylene. [µL/L]

    Returns:
        NEI [kJ/kL], of the broadcast shape; NaN where a gas is missing. One utility's reason for concern is an
        increase of 0.3 kJ/kL.

    References:
        1. IEEE Std C57.104-2019, Annex F.
    """
    return _intensity("oil", ch4=ch4, c2h4=c2h4, c2h2=c2h2)


def nei_paper(co: ArrayLike, co2: ArrayLike) -> Floats:
    """Normalized energy intensity of the paper.

    Args:
        co: carbon monoxide. [µL/L]
        co2: carbon dioxide. [µL/L]

    Returns:
        NEI [kJ/kL], of the broadcast shape; NaN where a gas is missing.

    Notes:
        NEI = (101.4 CO + 30.2 CO2)/22400, concentrations at 0 °C and 101.325 kPa.

    References:
        1. IEEE Std C57.104-2019, Annex F.
    """
    return _intensity("paper", co=co, co2=co2)
