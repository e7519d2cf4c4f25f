"""What is known of the instruments that a notice is about, and what it says of them."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from zoneinfo import ZoneInfo

from app.domain.alerting.states import Change
from app.domain.instruments.instrument import Instrument
from app.domain.instruments.silence import Absence, SilenceRule


@dataclass(frozen=True, slots=True)
class Missed:
    """One instrument of a notice. ``absence``: of what was known when it fell silent; None: it did not."""

    instrument: Instrument
    absence: Absence | None = None
    back: bool = False
    came: int = 0
    """Readings of the time of its silence that are here."""

    @property
    def expected(self) -> int:
        """Readings that were due in the time of its silence."""
        again = self.instrument.watched.heard_at
        if self.absence is None or self.absence.never or again is None:
            return 0
        return max(int((again - self.absence.heard_at) / self.instrument.watched.interval) - 1, 0)

    @property
    def missing(self) -> int:
        """Those of them that have not come."""
        return max(self.expected - self.came, 0)

    def last_heard(self, now: datetime) -> datetime:
        """When it was heard last before its silence."""
        return self.absence.heard_at if self.absence else (self.instrument.watched.heard_at or now)


@dataclass(frozen=True, slots=True)
class Facts:
    """One change of one alert about instruments: a single one, those of a site, or of the whole fleet.

    Attributes:
        headline: as it stands in the list of alerts.
        gassing: codes of the units concerned with an open alert that wants them watched.
    """

    change: Change
    headline: str
    instruments: tuple[Missed, ...]
    now: datetime
    rule: SilenceRule = field(default_factory=SilenceRule)
    gassing: tuple[str, ...] = ()

    @property
    def only(self) -> Missed:
        """The one instrument of a notice about one."""
        (found,) = self.instruments
        return found

    @property
    def gone(self) -> tuple[Missed, ...]:
        """Those that are not back."""
        return tuple(m for m in self.instruments if not m.back)

    @property
    def zone(self) -> ZoneInfo:
        """The time zone of the site, where all are at one."""
        return ZoneInfo(self.instruments[0].instrument.time_zone)


@dataclass(frozen=True, slots=True)
class Said:
    """``subject``: of the mail. ``headline``: what is the matter, with whom. ``what``: all that is known of it."""

    subject: str
    headline: str
    what: str


@dataclass(frozen=True, slots=True)
class NextSteps:
    """Which rows of the table of next steps are asked for, and what stands in the gaps of their text.

    ``gassing``: some of the units have an open alert that wants them watched; the steps are then due sooner.
    """

    case: str
    fills: Mapping[str, str] = field(default_factory=dict)
    gassing: bool = False
