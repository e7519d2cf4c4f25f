"""A finding about an instrument: one statement about one quantity, with its figures and what to do about it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum


class Kind(StrEnum):
    """What may be wrong with a sensor."""

    STUCK = "stuck"
    SPIKE = "spike"
    STEP = "step"
    DRIFT = "drift"
    SATURATED = "saturated"
    NEGATIVE = "negative"
    MISSING = "missing"
    DAILY_CYCLE = "daily_cycle"


@dataclass(frozen=True, slots=True)
class InstrumentFinding:
    """One statement about the instrument. It never changes what is said of the transformer.

    Attributes:
        kind: which sign. quantity: a name of ``QUANTITIES``.
        begins_at: since when (UTC). ends_at: until when; None while it lasts.
        sentence: what, since when, how much, and what to do, with :data:`SINCE` in the place of the time: a finding
            that goes on keeps the time it began at, while the look that continues it sees some weeks only.
        figures: numbers behind it, by name with the unit in the name where it has one.
        explained_by: the kind of a service event that accounts for it; it then asks for nothing.
    """

    kind: Kind
    quantity: str
    begins_at: datetime
    ends_at: datetime | None
    sentence: str
    figures: Mapping[str, float] = field(default_factory=dict)
    explained_by: str | None = None

    @property
    def text(self) -> str:
        """The sentence with its time."""
        return self.sentence.replace(SINCE, self.begins_at.strftime("%Y-%m-%d %H:%M UTC"))


SINCE = "{since}"

CHECK_FIRST = (
    "Compare with a laboratory sample, then have the instrument checked or calibrated as its manufacturer says. "
    "Alerts about the unit stand as they are: a finding about the instrument is no all-clear."
)
"""What to do about most findings."""
YARD = (
    "Whoever goes to it works by the local rules and permits: the unit is energized, oil and sampling lines may be "
    "under pressure or draw air, oil may be hot, carrier or calibration gas may be explosive."
)
"""The usual cautions, shown once beside the findings."""
