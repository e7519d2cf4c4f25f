"""Whether the clock of an instrument is to be believed.

A time that no instrument can mean is refused at the door whatever the rule says; see
:func:`app.intake.validate.check_time`.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from app.domain.model import SetAside


class OnDoubt(StrEnum):
    """What to do with a sample whose time is doubted."""

    REFUSE = "refuse"
    SET_ASIDE = "set_aside"
    JUDGE = "judge"


@dataclass(frozen=True, slots=True)
class ClockRule:
    """From when on a time is doubted, and what is done then (the owner's choice; defaults: our own, no source).

    Attributes:
        ahead: how far ahead of the server's clock a sample may be taken.
        on_ahead: for one further ahead. Never ``judge``: it would be the newest for as long as the clock is off.
        ancient: how old a sample may be. Ten years: a first load of history goes back years and is welcome,
            while a clock that lost its battery starts again at an epoch, often 2000-01-01.
        on_ancient: for one that is older.
    """

    ahead: timedelta = timedelta(minutes=60)
    on_ahead: OnDoubt = OnDoubt.SET_ASIDE
    ancient: timedelta = timedelta(days=3650)
    on_ancient: OnDoubt = OnDoubt.SET_ASIDE

    def __post_init__(self) -> None:
        if self.on_ahead is OnDoubt.JUDGE:
            raise ValueError("a sample ahead of the clock is refused or set aside, never judged")

    def undoubted(self, now: datetime) -> tuple[datetime, datetime]:
        """The first and the last time that raises no question."""
        return now - self.ancient, now + self.ahead

    def set_aside(self, taken_at: datetime, now: datetime) -> SetAside | None:
        """Why a sample of that time is kept but not judged; None when it is judged (or was to be refused)."""
        earliest, latest = self.undoubted(now)
        if taken_at > latest:
            return SetAside.CLOCK_AHEAD
        if taken_at < earliest and self.on_ancient is OnDoubt.SET_ASIDE:
            return SetAside.ANCIENT
        return None
