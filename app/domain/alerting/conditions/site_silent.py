"""The instruments of a site fell silent together."""

from typing import Final
from zoneinfo import ZoneInfo

from app.domain.alerting.condition import Audience, SubjectKind
from app.domain.alerting.conditions.together import Together
from app.domain.alerting.notices import Facts, NextSteps


class SiteSilent(Together):
    """Its link, gateway or supply is the first suspect."""

    name = "site_silent"
    title = "Site silent"
    subject = SubjectKind.SITE
    about = "all instruments of a site"
    told = Audience.SITE
    cases = ("site_silent", "silent", "back")

    def steps_when_all_are_gone(self, facts: Facts, /) -> NextSteps:
        """Link and gateway, power, laboratory samples."""
        has = "has" if len(facts.gassing) == 1 else "have"
        return NextSteps("site_silent", {"units": ", ".join(facts.gassing), "has": has}, bool(facts.gassing))

    def place(self, facts: Facts, /) -> str:
        """The site's name."""
        return facts.instruments[0].instrument.site_name

    def zone(self, facts: Facts, /) -> ZoneInfo:
        """The site's."""
        return facts.zone


SITE_SILENT: Final = SiteSilent()
