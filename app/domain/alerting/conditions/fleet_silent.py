"""The instruments of all sites fell silent together."""

from typing import Final
from zoneinfo import ZoneInfo

from app.domain.alerting.condition import Audience, SubjectKind
from app.domain.alerting.conditions.together import Together
from app.domain.alerting.notices import Facts, NextSteps


class FleetSilent(Together):
    """This service itself is the first suspect."""

    name = "fleet_silent"
    title = "Whole fleet silent"
    subject = SubjectKind.FLEET
    about = "all instruments"
    told = Audience.SITES
    cases = ("fleet_silent", "silent", "back")

    def steps_when_all_are_gone(self, _facts: Facts, /) -> NextSteps:
        """This service, then the link that the sites share."""
        return NextSteps("fleet_silent")

    def place(self, _facts: Facts, /) -> str:
        """Everywhere."""
        return "Whole fleet"

    def zone(self, _facts: Facts, /) -> ZoneInfo:
        """The sites may be in several."""
        return ZoneInfo("UTC")


FLEET_SILENT: Final = FleetSilent()
