"""A unit makes gas: levels, changes or rates above their norms."""

from collections.abc import Sequence
from typing import Final

from app.domain.alerting.condition import Audience, Grade, OfSamples
from app.domain.alerting.shown import Evidence, Shown
from app.domain.alerting.states import REASON_WORDS, Change, Reason
from app.domain.findings import Assessment, Course
from app.domain.judging.course.states import GRAVITY_WORDS, STEP_WORDS, Step, state_words
from app.domain.judging.status_words import STATUS_MEANING

EXTREME: Final = 4
"""Severity of an extreme result: one rung above status 3."""
MEANING: Final = {
    2: "gas above its norms, or a rise, that asks for steps within weeks",
    3: "high gas or active gassing that asks for steps within days",
    EXTREME: "a result that calls for action at once",
}
VERBS: Final = {
    Reason.RAISED: "is raised",
    Reason.WORSENED: "has worsened",
    Reason.FAULT_CHANGED: "stays, but the fault pattern has changed",
    Reason.STEPPED_UP: "goes one step further",
    Reason.STEPPED_DOWN: "goes one step down",
    Reason.EASED: "has eased",
    Reason.RETURNED: "is back to normal",
    Reason.UNSHELVED: "is back, since its shelving has ended",
    Reason.ACKNOWLEDGED: "is acknowledged",
    Reason.SHELVED: "is shelved",
}


class Gassing(OfSamples):
    """As severe as the course of the unit by its laboratories is grave, or as what an instrument reads, the worse."""

    name = "gassing"
    title = "Gassing"
    grades = (*(Grade(s, GRAVITY_WORDS[s], MEANING[s]) for s in MEANING),)
    told = Audience.SITE
    wants_watching = True

    def shown(self, shown: Shown) -> Evidence | None:
        """By the gravity of the course; where there is none, by the status. One with neither says nothing of it.

        Without a course a doubtful sample raises it by what is not in doubt, or extreme, and never clears it.
        """
        if not shown.status and shown.gravity is None:
            return None
        severity, by = _severity(shown), shown.speaker
        if shown.doubtful and shown.gravity is None and not severity:
            return None
        return Evidence(
            by.source,
            by.online,
            severity,
            shown.fault if severity else None,
            by.at,
            shown.raising,
            # a course knows what was measured: what it says has eased has eased
            shown.judged if shown.gravity is None else None,
            shown.steps,
            shown.readings if by.online else {},
            shown.returns,
            shown.levels,
            shown.left if by.online else {},
            by.acted_at,
        )

    def headline(self, assessment: Assessment) -> str:
        """Its status, what that means, and the fault."""
        if assessment.status is None:
            return f"Not judged: {'; '.join(assessment.status_reasons) or 'no norm gas was measured'}"
        line = f"Status {assessment.status}, {STATUS_MEANING[assessment.status]}"
        line = f"{line}: {assessment.fault.name}" if assessment.fault else line
        return f"{line}. Course: {course_in_short(assessment.course)}" if assessment.course else line

    def subject_line(self, assessment: Assessment) -> str:
        """The status in short."""
        return status_in_short(assessment)

    def sentence(self, change: Change, _assessment: Assessment, /) -> str:
        """What became of it, and how severe it is and was."""
        told = change.before is not None and 1 < change.before != change.severity
        was = f"; it was {_stands(change.before or 0)}" if told else ""
        now = _stands(change.severity) if change.severity > 1 else "below gravity 2"
        return f"The gassing alert {VERBS[change.reason]}{steps_in_words(change.steps)} ({now}{was})."


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
    if shown.gravity is not None:
        return shown.gravity if shown.gravity >= 2 else 0
    if shown.extreme:
        return EXTREME
    status = shown.by_level if shown.suspect else shown.status
    return status if status >= 2 else 0


def _stands(severity: int) -> str:
    """A severity as people say it."""
    return f"gravity {severity}, {GRAVITY_WORDS[severity]}"


def course_in_short(course: Course) -> str:
    """``rising since 2024-05-01, gravity 2, act in weeks``."""
    return f"{state_words(course)}, gravity {course.gravity}, {GRAVITY_WORDS[course.gravity]}"


def reason_words(change: Change) -> str:
    """Why a mail comes now, behind its subject: the steps of the course where it is they alone."""
    if change.reason in {Reason.STEPPED_UP, Reason.STEPPED_DOWN} and change.steps:
        return steps_in_words(change.steps).removeprefix(": ")
    return REASON_WORDS[change.reason]


def steps_in_words(steps: Sequence[str]) -> str:
    """``: gassing confirmed, rate doubled``; empty without any."""
    words = ", ".join(STEP_WORDS[Step(name)] for name in steps)
    return f": {words}" if words else ""


GASSING: Final = Gassing()
