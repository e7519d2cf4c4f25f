"""The states of an alert, why it changes, and the words for both.

States after ANSI/ISA-18.2: ``normal``, ``unacknowledged``, ``acknowledged``, ``returned`` (to normal, not yet
acknowledged) and ``shelved``.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class State(StrEnum):
    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"
    SHELVED = "shelved"


class Reason(StrEnum):
    """Why an alert changed."""

    RAISED = "raised"
    WORSENED = "worsened"
    FAULT_CHANGED = "fault_changed"
    STEPPED_UP = "stepped_up"
    """The course of the unit went a step further at the same severity."""
    STEPPED_DOWN = "stepped_down"
    EASED = "eased"
    RETURNED = "returned"
    ACKNOWLEDGED = "acknowledged"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"


OPEN_STATES: Final = (State.UNACKNOWLEDGED, State.RETURNED, State.ACKNOWLEDGED, State.SHELVED)
"""In which somebody may still have to do something, the most urgent first."""
STATE_WORDS: Final = {
    State.UNACKNOWLEDGED: "unacknowledged",
    State.ACKNOWLEDGED: "acknowledged",
    State.RETURNED: "returned to normal, unacknowledged",
    State.SHELVED: "shelved",
    State.NORMAL: "normal",
}
REASON_WORDS: Final = {
    Reason.RAISED: "raised",
    Reason.WORSENED: "worsened",
    Reason.FAULT_CHANGED: "the fault pattern changed",
    Reason.STEPPED_UP: "one step further",
    Reason.STEPPED_DOWN: "one step less",
    Reason.EASED: "eased",
    Reason.RETURNED: "back to normal",
    Reason.UNSHELVED: "the shelving has ended",
    Reason.ACKNOWLEDGED: "acknowledged",
    Reason.SHELVED: "shelved",
}
"""Of a subject line: why the mail comes now."""


@dataclass(frozen=True, slots=True)
class Change:
    """What happened to an alert, as far as words need it. ``before``: its severity before; None: there was none.

    ``steps``: names of the steps of the course that were taken with it.
    """

    reason: Reason
    severity: int
    before: int | None = None
    steps: tuple[str, ...] = ()
