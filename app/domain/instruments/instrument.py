"""An instrument as it is known to the watch, to mails and to pages."""

from dataclasses import dataclass

from app.domain.instruments.silence import Watched


@dataclass(frozen=True, slots=True)
class Instrument:
    """An instrument with the unit and site it is at, and what the watch needs of it."""

    code: str
    name: str
    asset_code: str
    asset_name: str
    site_code: str
    site_name: str
    time_zone: str
    learnt: bool
    """Its interval was not registered but learnt from its readings."""
    watched: Watched

    @property
    def id(self) -> int:
        return self.watched.id
