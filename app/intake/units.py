"""Foreign units and what they are in the program's own: every conversion of the program stands here.

``own = (foreign + offset) * factor``. A gas volume is also brought to 0 °C and 101.325 kPa.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from app.intake.text import folded
from app.science.quantities import GASES, NAMES

ZERO_CELSIUS_K: Final = 273.15
OWN_GAS_TEMPERATURE: Final = 0.0
"""Gas volumes inside the program are at 0 °C and 101.325 kPa, as ASTM D3612 reports them and IEEE C57.104-2019
Annex F reckons with; IEC 60567 reports at 20 °C, which is 7 % more for the same gas."""


@dataclass(frozen=True, slots=True)
class Conversion:
    factor: float = 1.0
    offset: float = 0.0

    def own(self, foreign: float) -> float:
        """The number in the program's unit."""
        return (foreign + self.offset) * self.factor


_SAME: Final = Conversion()
_GAS: Final = {"µL/L": _SAME, "ppm": _SAME, "%": Conversion(10_000.0), "mL/L": Conversion(1_000.0)}
_MASS: Final = {
    "mg/kg": _SAME,
    "ppm": _SAME,
    "µg/g": _SAME,
    "µg/kg": Conversion(0.001),
    "ppb": Conversion(0.001),
}
_TEMPERATURE: Final = {"°C": _SAME, "°F": Conversion(5.0 / 9.0, -32.0), "K": Conversion(1.0, -ZERO_CELSIUS_K)}

UNITS: Final[Mapping[str, Mapping[str, Conversion]]] = {
    **dict.fromkeys(GASES, _GAS),
    "water": _MASS,
    "furfural": _MASS,
    "oil_temperature": _TEMPERATURE,
    "ambient_temperature": _TEMPERATURE,
    "load": {"× rating": _SAME, "%": Conversion(0.01)},
    "breakdown_voltage": {"kV": _SAME},
    "acidity": {"mg KOH/g": _SAME},
    "interfacial_tension": {"mN/m": _SAME, "dyn/cm": _SAME},
    "dissipation_factor": {"fraction": _SAME, "%": Conversion(0.01)},
    "relative_saturation": {"%": _SAME, "fraction": Conversion(100.0)},
}
"""By quantity, the units a file may declare for it."""

assert set(UNITS) == set(NAMES)

_SPELLINGS: Final = {
    "ul/l": "µL/L",
    "ppmv": "ppm",
    "vol%": "%",
    "vol.%": "%",
    "% v/v": "%",
    "c": "°C",
    "deg c": "°C",
    "f": "°F",
    "ug/g": "µg/g",
    "ug/kg": "µg/kg",
    "mgkoh/g": "mg KOH/g",
}
"""Other spellings of the same units; none of them can mean another unit."""


@lru_cache(maxsize=1024)
def unit_named(quantity: str, text: str) -> str | None:
    """The unit of ``UNITS[quantity]`` that a text names, in any case, spacing and either mu; None if none."""
    wanted = folded(text)
    for unit in UNITS[quantity]:
        if folded(unit) == wanted:
            return unit
    spelled = _SPELLINGS.get(wanted)
    return spelled if spelled in UNITS[quantity] else None


def conversion(quantity: str, unit: str, gas_temperature: float) -> Conversion:
    """How to bring a quantity in a declared unit to the program's.

    Args:
        quantity: name of the quantity.
        unit: a key of ``UNITS[quantity]``.
        gas_temperature: the temperature that gas volumes are reported at [°C].

    Raises:
        KeyError: if the quantity does not come in that unit.
    """
    found = UNITS[quantity][unit]
    if quantity not in GASES:
        return found
    to_own = (ZERO_CELSIUS_K + OWN_GAS_TEMPERATURE) / (ZERO_CELSIUS_K + gas_temperature)
    return Conversion(found.factor * to_own, found.offset)
