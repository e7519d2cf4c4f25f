"""The registry of alert conditions, in the order in which they are listed."""

from typing import Final

from app.domain.alerting.condition import Condition, OfReadings, OfSamples, RaisedBy
from app.domain.alerting.conditions.agreement import AGREEMENT
from app.domain.alerting.conditions.confirmation import CONFIRMATION
from app.domain.alerting.conditions.data_quality import DATA_QUALITY
from app.domain.alerting.conditions.fleet_silent import FLEET_SILENT
from app.domain.alerting.conditions.gassing import GASSING
from app.domain.alerting.conditions.oil import OIL
from app.domain.alerting.conditions.online_change import ONLINE_CHANGE
from app.domain.alerting.conditions.own_record import OWN_RECORD
from app.domain.alerting.conditions.paper import PAPER
from app.domain.alerting.conditions.silent import SILENT
from app.domain.alerting.conditions.site_silent import SITE_SILENT
from app.domain.alerting.conditions.water import WATER
from app.domain.alerting.shown import Evidence, Shown

CONDITIONS: Final[tuple[Condition, ...]] = (
    GASSING,
    CONFIRMATION,
    OWN_RECORD,
    WATER,
    OIL,
    PAPER,
    ONLINE_CHANGE,
    SILENT,
    AGREEMENT,
    DATA_QUALITY,
    SITE_SILENT,
    FLEET_SILENT,
)
OF_SAMPLES: Final = tuple(c for c in CONDITIONS if isinstance(c, OfSamples))
OF_READINGS: Final = tuple(c for c in CONDITIONS if isinstance(c, OfReadings))
OF_SILENCE: Final = tuple(c for c in CONDITIONS if c.raised_by is RaisedBy.SILENCE)

_BY_NAME: Final = {c.name: c for c in CONDITIONS}


def condition_of(name: str) -> Condition:
    """The condition of a stored name.

    Raises:
        KeyError: there is none of that name.
    """
    return _BY_NAME[name]


def evidence(shown: Shown | None) -> dict[OfSamples, Evidence]:
    """What a sample says about each condition; one that shows nothing says nothing."""
    if shown is None:
        return {}
    said = ((condition, condition.shown(shown)) for condition in OF_SAMPLES)
    return {condition: one for condition, one in said if one is not None}
