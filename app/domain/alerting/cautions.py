"""The usual cautions. They stand wherever somebody may go to a unit or draw a sample because of what is said."""

from typing import Final

ENERGIZED: Final = (
    "The unit is energized. Look from outside first; nobody opens live equipment, and work at the instrument, its"
    " supply or its oil connections is for qualified people, under local rules, permits and the maker's instructions."
)
OIL_VALVE: Final = "Touch no oil valve to find out why an instrument is silent."
SAMPLING: Final = (
    "Before sampling, check that the oil at the valve is under positive pressure: under negative pressure air is "
    "drawn into an energized unit.",
    "The unit is energized and the oil may be hot. Keep the safety distances; follow local rules and permits.",
    "Hydrogen and acetylene are explosive, in relay gas and headspace too: no flame, no hot work.",
    "Treat the oil of an untested unit as containing PCB.",
)
GENERAL: Final = (
    "Ullage advises and clears nobody to work: the decision is for a qualified person, under the owner's rules and "
    "the manufacturer's instructions."
)
CAUTIONS: Final = {
    "energized": (ENERGIZED,),
    "oil_valve": (OIL_VALVE,),
    "sampling": SAMPLING,
    "general": (GENERAL,),
}
"""By the names that the table of next steps uses, in the order in which they are shown."""
