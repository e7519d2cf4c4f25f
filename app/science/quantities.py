"""The quantities a sample can carry: names, symbols, units and physical kind.

The order of :data:`QUANTITIES` is the column order of every array, table and bit mask in the program;
new quantities are appended, never inserted.
"""

from dataclasses import dataclass
from typing import Final

__all__ = [
    "BY_NAME",
    "DAY_COLUMNS",
    "DAY_QUANTITIES",
    "FAULT_GASES",
    "GASES",
    "INDEX",
    "LIMITED",
    "LOW_IS_BAD",
    "NAMES",
    "NORM_GASES",
    "OIL_TESTS",
    "QUANTITIES",
    "Quantity",
]


@dataclass(frozen=True, slots=True)
class Quantity:
    """One measurable quantity.

    Attributes:
        name: identifier used in code, tables, payloads and files, e.g. ``c2h2``.
        symbol: how people write it, e.g. ``C₂H₂``.
        label: full English name, e.g. ``acetylene``.
        unit: the one unit used inside the program, e.g. ``µL/L``.
        minimum: smallest physically possible value in that unit, or None.
        maximum: largest physically possible value in that unit, or None.
    """

    name: str
    symbol: str
    label: str
    unit: str
    minimum: float | None = 0.0
    maximum: float | None = None


_PPM = 1_000_000.0  # a volume fraction cannot exceed this many µL/L

QUANTITIES: Final = (
    Quantity("h2", "H₂", "hydrogen", "µL/L", maximum=_PPM),
    Quantity("ch4", "CH₄", "methane", "µL/L", maximum=_PPM),
    Quantity("c2h6", "C₂H₆", "ethane", "µL/L", maximum=_PPM),
    Quantity("c2h4", "C₂H₄", "ethylene", "µL/L", maximum=_PPM),
    Quantity("c2h2", "C₂H₂", "acetylene", "µL/L", maximum=_PPM),
    Quantity("co", "CO", "carbon monoxide", "µL/L", maximum=_PPM),
    Quantity("co2", "CO₂", "carbon dioxide", "µL/L", maximum=_PPM),
    Quantity("o2", "O₂", "oxygen", "µL/L", maximum=_PPM),
    Quantity("n2", "N₂", "nitrogen", "µL/L", maximum=_PPM),
    Quantity("c3h6", "C₃H₆", "propylene", "µL/L", maximum=_PPM),
    Quantity("c3h8", "C₃H₈", "propane", "µL/L", maximum=_PPM),
    Quantity("water", "H₂O", "water", "mg/kg", maximum=_PPM),
    Quantity("oil_temperature", "oil temp.", "oil temperature", "°C", minimum=-60.0, maximum=250.0),
    Quantity("ambient_temperature", "ambient", "ambient temperature", "°C", minimum=-70.0, maximum=70.0),
    Quantity("load", "load", "load", "× rating", maximum=10.0),
    Quantity("breakdown_voltage", "BDV", "breakdown voltage", "kV", maximum=200.0),
    Quantity("acidity", "acidity", "acidity", "mg KOH/g", maximum=50.0),
    Quantity("interfacial_tension", "IFT", "interfacial tension", "mN/m", maximum=100.0),
    Quantity("dissipation_factor", "tan δ", "dissipation factor", "fraction", maximum=10.0),
    Quantity("furfural", "2-FAL", "furfural", "mg/kg", maximum=10_000.0),
    Quantity("relative_saturation", "RS", "relative saturation of water", "%", maximum=200.0),
)

NAMES: Final = tuple(q.name for q in QUANTITIES)
BY_NAME: Final = {q.name: q for q in QUANTITIES}
INDEX: Final = {name: i for i, name in enumerate(NAMES)}

GASES: Final = ("h2", "ch4", "c2h6", "c2h4", "c2h2", "co", "co2", "o2", "n2", "c3h6", "c3h8")
NORM_GASES: Final = ("h2", "ch4", "c2h6", "c2h4", "c2h2", "co", "co2")
"""The seven gases IEEE C57.104-2019 gives norms for, in table order (they are columns 0-6)."""
FAULT_GASES: Final = ("h2", "ch4", "c2h6", "c2h4", "c2h2")
"""The five gases of the pentagon and the ratio methods (columns 0-4)."""
OIL_TESTS: Final = ("breakdown_voltage", "acidity", "interfacial_tension", "dissipation_factor")
"""Tests of the oil that have limits by voltage."""
LOW_IS_BAD: Final = frozenset({"breakdown_voltage", "interfacial_tension"})
DAY_QUANTITIES: Final = (*NORM_GASES, "water", "oil_temperature", "relative_saturation")
"""Those whose daily medians the engine reads."""
DAY_COLUMNS: Final = tuple(INDEX[name] for name in DAY_QUANTITIES)
LIMITED: Final = (*NORM_GASES, *OIL_TESTS, "water", "relative_saturation", "furfural")
"""What an owner may set limits for."""
