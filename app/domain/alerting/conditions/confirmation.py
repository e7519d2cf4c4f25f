"""A laboratory sample shows a change, or is in doubt itself: a confirmation sample is wanted."""

from typing import Final

from app.domain.alerting.condition import Audience, Grade, OfSamples
from app.domain.alerting.conditions.gassing import status_in_short
from app.domain.alerting.shown import Evidence, Shown
from app.domain.alerting.states import Change, Reason
from app.domain.findings import Assessment
from app.domain.judging.status_words import STATUS_MEANING, STATUS_WORDS


class Confirmation(OfSamples):
    """As severe as the status that the sample has if it is confirmed, at least 2."""

    name = "confirmation"
    title = "Confirmation sample wanted"
    grades = (
        Grade(2, STATUS_WORDS[2], f"if the sample is right: {STATUS_MEANING[2]}"),
        Grade(3, STATUS_WORDS[3], f"if the sample is right: {STATUS_MEANING[3]}"),
    )
    told = Audience.SITE
    says_itself = frozenset({Reason.RETURNED})

    def shown(self, shown: Shown) -> Evidence | None:
        """Of laboratories only. While an earlier suspect waits for its gases, it stays as it is.

        Of a unit that is sampled every month nobody is asked for the sample that is taken anyway.
        """
        by = shown.speaker
        if by.online or shown.waiting or not shown.status:
            return None
        asked = max(2, shown.status) if shown.suspect and not shown.soon else 0
        gases = ", ".join(shown.raising) if asked else ""
        return Evidence(by.source, by.online, asked, gases or None, by.at)

    def headline(self, assessment: Assessment) -> str:
        """Whether it is asked for or has come."""
        return f"Confirmation sample {'asked for' if assessment.suspect else 'received'}"

    def subject_line(self, assessment: Assessment) -> str:
        """What to do, or what the confirmation sample found."""
        if assessment.suspect:
            return "take a confirmation sample"
        rules = {f.rule for f in assessment.findings}
        found = "confirmation sample"
        if "confirmed" in rules:
            found = "change confirmed"
        elif "refuted" in rules:
            found = "change not confirmed"
        return f"{found}, {status_in_short(assessment)}"

    def sentence(self, change: Change, assessment: Assessment, /) -> str:
        """What is not sure yet, or what the confirmation sample says of it."""
        rules = {f.rule for f in assessment.findings}
        if change.reason is not Reason.RETURNED:
            unsure = (
                "The sample itself is in doubt" if assessment.doubtful else "The change is not confirmed yet"
            )
            acting = " Until then, act on it as if it were true." if (assessment.status or 0) >= 3 else ""
            return f"{unsure}: take a confirmation sample.{acting}"
        if "confirmed" in rules:
            return "The confirmation sample confirms the change: it is taken as real."
        if "refuted" in rules:
            return "The confirmation sample does not show the change."
        return "A confirmation sample has come: no other is asked for."


CONFIRMATION: Final = Confirmation()
