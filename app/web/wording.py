"""The words the pages use for statuses, states, reasons and rules. One place, so that pages agree."""

from typing import Final

from app.domain.norms import NORM_SET_NAMES

STATUS_WORDS: Final = {1: "low", 2: "intermediate", 3: "high"}
STATUS_MEANING: Final = {
    1: "low gas, no sign of gassing",
    2: "intermediate gas or possible gassing",
    3: "high gas or probable active gassing",
}
"""After IEEE C57.104-2019, 6.1, in our words."""

SEVERITY_WORDS: Final = {0: "information", 1: "normal", 2: "intermediate", 3: "high"}

STATE_WORDS: Final = {
    "unacknowledged": "unacknowledged",
    "acknowledged": "acknowledged",
    "returned": "returned to normal, unacknowledged",
    "shelved": "shelved",
    "normal": "normal",
}
OPEN_STATES: Final = ("unacknowledged", "acknowledged", "returned", "shelved")

CONDITION_WORDS: Final = {"gassing": "Gassing", "confirmation": "Confirmation sample wanted"}

METHOD_WORDS: Final = {
    "duval_triangle_1": "Duval triangle 1",
    "duval_triangle_4": "Duval triangle 4",
    "duval_triangle_5": "Duval triangle 5",
    "duval_pentagon_1": "Duval pentagon 1",
    "duval_pentagon_2": "Duval pentagon 2",
    "iec_60599_ratios": "IEC 60599 ratios",
    "rogers_ratios": "Rogers ratios",
    "doernenburg_ratios": "Doernenburg ratios",
    "key_gas": "Key gas",
}


def status_word(status: int | None) -> str:
    """``3 high``; ``not judged`` when there is no status."""
    return "not judged" if status is None else f"{status} {STATUS_WORDS[status]}"


def method(name: str) -> str:
    """A method's name for people."""
    return METHOD_WORDS.get(name, name.replace("_", " "))


def norm_set(name: str) -> str:
    """A norm set's name for people."""
    return NORM_SET_NAMES.get(name, name.replace("_", " "))


def condition(name: str) -> str:
    """An alert condition's name for people."""
    return CONDITION_WORDS.get(name, name.replace("_", " ").capitalize())
