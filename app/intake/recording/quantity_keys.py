"""Under which keys a posted sample names its quantities: our own names and those of IEC 61850-7-4."""

from difflib import get_close_matches
from functools import lru_cache
from typing import Final

from app.intake.numbers import shown
from app.science.quantities import INDEX, NAMES, QUANTITIES

IEC_61850: Final = {
    "H2ppm": "h2",
    "CH4ppm": "ch4",
    "C2H6ppm": "c2h6",
    "C2H4ppm": "c2h4",
    "C2H2ppm": "c2h2",
    "COppm": "co",
    "CO2ppm": "co2",
    "O2ppm": "o2",
    "N2ppm": "n2",
    "H2O": "relative_saturation",
    "Tmp": "oil_temperature",
}
"""Data objects of the logical node SIML (insulation medium, liquid) of IEC 61850-7-4 edition 2, written as the
standard writes them. C2H6ppm and O2ppm are confirmed, the rest are from memory; so are the meanings of H2O
(relative saturation of the liquid in %, not mg/kg) and Tmp (temperature of the liquid in °C)."""

KEYS: Final = INDEX | {alias: INDEX[name] for alias, name in IEC_61850.items()}
"""The column of each key that names a quantity."""
BESIDE: Final = ("taken_at", "compartment", "quality")
"""The keys of a sample that name no quantity."""

_KNOWN: Final = ("taken_at", "compartment", *NAMES, "quality")
_MEANT: Final = {q.label: q.name for q in QUANTITIES} | {
    alias.lower(): name for alias, name in IEC_61850.items() if alias != "H2O"
}


@lru_cache(maxsize=256)
def unknown_key(name: str) -> str:
    """Why a key is refused, with the one that may have been meant."""
    if name == "readings":
        return f"unknown key {shown(name)}; put each quantity beside 'taken_at', e.g. \"h2\": 41.2"
    lowered = name[:60].lower()
    if lowered == "cmbugas":
        return f"unknown key {shown(name)}; a sum of gases is not kept, send the gases themselves"
    if lowered == "h2o":
        return f"unknown key {shown(name)}; write 'water' in mg/kg or 'relative_saturation' in %"
    meant = _MEANT.get(lowered)
    near = [meant] if meant else get_close_matches(lowered, _KNOWN, 1)
    hint = f"did you mean '{near[0]}'?" if near else f"known are {', '.join(_KNOWN)}"
    return f"unknown key {shown(name)}; {hint}"
