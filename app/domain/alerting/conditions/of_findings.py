"""What conditions share that findings raise by themselves, whether or not the sample has a status."""

from typing import ClassVar

from app.domain.alerting.condition import Audience, OfSamples
from app.domain.alerting.conditions.gassing import VERBS
from app.domain.alerting.shown import Evidence, Shown
from app.domain.alerting.states import Change
from app.domain.findings import Assessment, Finding


class OfFindings(OfSamples):
    """As severe as the gravest finding of the rule that bears its name.

    Attributes:
        over: its headline when nothing is found any more.
        short: what the subject of a mail calls it.
    """

    told = Audience.SITE
    over: ClassVar[str]
    short: ClassVar[str]

    def shown(self, shown: Shown) -> Evidence | None:
        """Nothing where a sample measured nothing that it could be judged by.

        What readings themselves raise is over when they have fallen back, after a recorded act, or after a year: a
        record that has caught up with the gas eases nothing.
        """
        stands, by = shown.standing.get(self.name), shown.speaker
        if stands is None:
            return None
        return Evidence(
            *(by.source, by.online, stands.severity, None, by.at, stands.raising, stands.judged),
            readings=stands.readings,
            returns={stands.severity: stands.back} if stands.severity and stands.back else {},
            left={grade.severity: {} for grade in self.grades} if stands.readings else {},
            acted_at=by.acted_at,
        )

    def headline(self, assessment: Assessment) -> str:
        """The gravest finding in its own words."""
        gravest = self._gravest(assessment)
        return gravest.text.removesuffix(".") if gravest else self.over

    def subject_line(self, assessment: Assessment) -> str:
        """What it is about and how grave it is."""
        gravest = self._gravest(assessment)
        return f"{self.short}, {self.grade(gravest.severity)}" if gravest else self.over.lower()

    def sentence(self, change: Change, _assessment: Assessment, /) -> str:
        """What became of it, and how severe it is and was."""
        was = f", it was {change.before} {self.grade(change.before)}".rstrip() if change.before else ""
        now = (
            f"{change.severity} {self.grade(change.severity)}"
            if change.severity
            else "nothing is found any more"
        )
        return f'The alert "{self.title}" {VERBS[change.reason]} ({now}{was}).'

    def _gravest(self, assessment: Assessment) -> Finding | None:
        found = [f for f in assessment.findings if f.rule == self.name and f.severity > 0]
        return max(found, key=lambda f: f.severity, default=None)
