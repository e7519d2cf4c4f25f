"""Gas of a compartment without published norms stands far above its own record, or above an owner's limit."""

from typing import Final

from app.domain.alerting.condition import Grade
from app.domain.alerting.conditions.of_findings import OfFindings


class OwnRecord(OfFindings):
    """Tap-changer oil, esters and other liquids, which have no status."""

    name = "own_record"
    title = "Gas against its own record"
    short = "gas against its own record"
    over = "Nothing stands out against its own record any more"
    grades = (
        Grade(2, "watch", "no published norm applies; a gas stands out against the record before it"),
        Grade(3, "high", "no published norm applies; a gas is far above the record before it"),
        Grade(4, "extreme", "no published norm applies; a gas calls for action at once"),
    )
    wants_watching = True


OWN_RECORD: Final = OwnRecord()
