"""A unit leaves its own on-line record, before any limit is reached."""

from typing import Final

from app.domain.alerting.condition import Audience, Grade, OfInstruments, RaisedBy, SubjectKind
from app.domain.alerting.notices import Facts, NextSteps, Said
from app.domain.alerting.states import Reason
from app.domain.watching.change import CHANGED, FAST

NO_STATUS: Final = "It raises no status: no limit need be reached for it."


class OnlineChange(OfInstruments):
    """Asks to look and to take a laboratory sample. Severities are our own choice."""

    name = "online_change"
    title = "On-line change"
    subject = SubjectKind.COMPARTMENT
    about = "a compartment"
    raised_by = RaisedBy.DAYS
    grades = (
        Grade(
            CHANGED,
            "changed",
            "a gas, or all together, left its own record by more than its scatter explains",
        ),
        Grade(FAST, "fast", "it did by half as much again or more"),
    )
    told = Audience.SITE
    cases = ("online_change", "online_change_fast")
    over: Final = "Back to its own record, or its level was reviewed"

    def said(self, facts: Facts) -> Said:
        """Which gases, how much, since when."""
        unit = facts.instruments[0].instrument.asset_code
        codes = ", ".join(m.instrument.code for m in facts.instruments)
        if facts.change.reason is Reason.RETURNED:
            what = (
                f"The daily values of {codes} are back to what its own record lets expect, or a review or other"
                " recorded act has set a new level."
            )
            return Said(
                f"{unit}: on-line gas is back to its own record", f"{unit}: back to its own record", what
            )
        how = "fast" if facts.change.severity >= FAST else "a change"
        what = (
            f"{facts.headline}. By the daily values of {codes}, against the unit's own record; what oil temperature and"
            f" load explain is taken out where they are known. {NO_STATUS}"
        )
        return Said(
            f"{unit}: on-line gas leaves its own record, {how}",
            f"{unit}: on-line gas leaves its record",
            what,
        )

    def steps(self, facts: Facts) -> NextSteps | None:
        """Look, take a laboratory sample, record a review when the cause is known."""
        if facts.change.reason is Reason.RETURNED:
            return None
        case = "online_change_fast" if facts.change.severity >= FAST else "online_change"
        return NextSteps(case, {"unit": facts.instruments[0].instrument.asset_code}, bool(facts.gassing))


ONLINE_CHANGE: Final = OnlineChange()
