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
LIVE_OIL: Final = (
    "Drying, filtering or reclaiming the oil of an energized unit can bring air, water or a low level with it: it is"
    " work for qualified people, by the maker's instructions and local rules."
)
MOVE_NOTHING: Final = (
    "Where contacts or windings may arc or overheat, nobody operates the tap changer or switches the unit to find out:"
    " that is for a qualified person to decide, with everybody away from the unit."
)
TAP_CHANGER_OIL: Final = (
    "Oil of a tap changer is drawn by the maker's instructions: of many types only with the unit switched off and"
    " earthed, and nobody operates the tap changer meanwhile."
)
WET: Final = (
    "A wet unit that has cooled may hold free water at its bottom: test the oil there before it is energized again, and"
    " avoid overload, under which wet paper gives off bubbles."
)
OLD_PAPER: Final = (
    "Aged paper stands a short circuit badly: a unit that has had one is not energized again untested."
)
GENERAL: Final = (
    "Ullage advises and clears nobody to work: the decision is for a qualified person, under the owner's rules and "
    "the manufacturer's instructions."
)
OF_RULES: Final = {
    "own_record": (MOVE_NOTHING,),
    "water": (WET, LIVE_OIL),
    "oil": (LIVE_OIL,),
    "paper": (OLD_PAPER,),
}
"""Beside those of sampling, by the rule that found something."""
CAUTIONS: Final = {
    "energized": (ENERGIZED,),
    "oil_valve": (OIL_VALVE,),
    "sampling": SAMPLING,
    "general": (GENERAL,),
}
"""By the names that the table of next steps uses, in the order in which they are shown."""
