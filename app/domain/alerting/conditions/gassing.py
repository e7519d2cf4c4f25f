"""A unit makes gas: levels, changes or rates above their norms."""

from typing import Final

from app.domain.alerting.condition import Audience, Grade, OfSamples
from app.domain.alerting.shown import Evidence, Shown
from app.domain.alerting.states import Change, Reason
from app.domain.findings import Assessment
from app.domain.judging.status_words import STATUS_MEANING, STATUS_WORDS

EXTREME: Final = 4
"""Severity of an extreme result: one rung above status 3."""
VERBS: Final = {
    Reason.RAISED: "is raised",
    Reason.WORSENED: "has worsened",
    Reason.FAULT_CHANGED: "stays, but the fault pattern has changed",
    Reason.EASED: "has eased",
    Reason.RETURNED: "is back to normal",
    Reason.UNSHELVED: "is back, since its shelving has ended",
    Reason.ACKNOWLEDGED: "is acknowledged",
    Reason.SHELVED: "is shelved",
}


class Gassing(OfSamples):
    """As severe as the status of the worst source."""

    name = "gassing"
    title = "Gassing"
    grades = (
        Grade(2, STATUS_WORDS[2], STATUS_MEANING[2]),
        Grade(3, STATUS_WORDS[3], STATUS_MEANING[3]),
        Grade(EXTREME, "extreme", "a result that calls for action at once"),
    )
    told = Audience.SITE
    wants_watching = True

    def shown(self, shown: Shown) -> Evidence | None:
        """A doubtful sample raises it by what is not in doubt, or extreme, and never clears it; one without a status
        says nothing of it."""
        if not shown.status:
            return None
        severity, by = _severity(shown), shown.speaker
        if shown.doubtful and not severity:
            return None
        fault = shown.fault if severity else None
        return Evidence(by.source, by.online, severity, fault, by.at, shown.raising, shown.judged)

    def headline(self, assessment: Assessment) -> str:
        """Its status, what that means, and the fault."""
        if assessment.status is None:
            return f"Not judged: {'; '.join(assessment.status_reasons) or 'no norm gas was measured'}"
        line = f"Status {assessment.status}, {STATUS_MEANING[assessment.status]}"
        return f"{line}: {assessment.fault.name}" if assessment.fault else line

    def subject_line(self, assessment: Assessment) -> str:
        """The status in short."""
        return status_in_short(assessment)

    def sentence(self, change: Change, _assessment: Assessment, /) -> str:
        """What became of it, and how severe it is and was."""
        was = f", it was {_stands(change.before)}" if change.before else ""
        return f"The gassing alert {VERBS[change.reason]} (status {_stands(max(change.severity, 1))}{was})."


def status_in_short(assessment: Assessment) -> str:
    """``status 3 extreme, thermal fault above 700 °C``."""
    if assessment.status is None:
        return "; ".join(("no status", *assessment.status_reasons[:1]))
    rules = {f.rule for f in assessment.findings}
    status = f"status {assessment.status}{' extreme' if 'extreme' in rules else ''}"
    if assessment.status == 1:
        return f"{status}, normal"
    if assessment.fault:
        return f"{status}, {assessment.fault.name}"
    return f"{status}, {'gas' if 'level' in rules else 'change'} above its norms"


def _severity(shown: Shown) -> int:
    """0 below status 2; the levels alone while the change is suspect, since it is not believed yet; above status 3
    where a result is extreme, believed or not: danger does not wait for its confirmation."""
    if shown.extreme:
        return EXTREME
    status = shown.by_level if shown.suspect else shown.status
    return status if status >= 2 else 0


def _stands(severity: int) -> str:
    """A severity as people say it: above status 3 there is only "extreme"."""
    return "3, extreme" if severity >= EXTREME else str(severity)


GASSING: Final = Gassing()
