"""Instruments that fell silent together: what the conditions of a site and of the whole fleet share."""

from abc import abstractmethod
from collections.abc import Sequence
from zoneinfo import ZoneInfo

from app.domain.alerting.condition import Grade, OfInstruments, RaisedBy
from app.domain.alerting.notices import Facts, NextSteps, Said
from app.domain.alerting.states import Reason
from app.domain.instruments.silence import Group
from app.domain.writing import local_time

PARTLY = 1
"""Severity when some are back and some are not."""


class Together(OfInstruments):
    """Told as one: what they share is more likely at fault than each of them."""

    raised_by = RaisedBy.SILENCE
    grades = (
        Grade(PARTLY, "partly back", "some of them are heard again"),
        Grade(2, "silent", "none of them has been heard since they fell silent together"),
    )

    def headline(self, group: Group, before: Group | None, codes: Sequence[str], zone: ZoneInfo) -> str:
        """One line for lists; ``codes``: of the instruments of the group, ``before``: the group as it was told."""
        count = len(group.members)
        if not group.severity:
            return f"All {count} instruments are heard again"
        if group.severity == PARTLY:
            return f"{count} of {len(before.members) if before else count} still silent: {', '.join(codes)}"
        return f"{count} instruments fell silent together, last heard {local_time(group.last, zone)}"

    def said(self, facts: Facts) -> Said:
        """How many, since when, and what that means."""
        short, what = self._words(facts)
        line = f"{self.place(facts)}: {short}"
        return Said(line, line, what)

    def steps(self, facts: Facts) -> NextSteps | None:
        """What they share first."""
        if facts.change.reason is Reason.RETURNED:
            return NextSteps("back") if any(m.missing for m in facts.instruments) else None
        if facts.change.severity == PARTLY:
            units = sorted({m.instrument.asset_code for m in facts.gone})
            gassing = [unit for unit in units if unit in facts.gassing]
            return NextSteps("silent", {"units": ", ".join(gassing or units)}, bool(gassing))
        return self.steps_when_all_are_gone(facts)

    @abstractmethod
    def steps_when_all_are_gone(self, facts: Facts, /) -> NextSteps:
        """What is looked at first."""

    @abstractmethod
    def place(self, facts: Facts, /) -> str:
        """Where they are."""

    @abstractmethod
    def zone(self, facts: Facts, /) -> ZoneInfo:
        """The time zone that a notice is written in."""

    def _words(self, facts: Facts) -> tuple[str, str]:
        some, now, zone = facts.instruments, facts.now, self.zone(facts)
        last = local_time(max(m.last_heard(now) for m in some), zone)
        if facts.change.reason is Reason.RETURNED:
            expected, came = sum(m.expected for m in some), sum(m.came for m in some)
            again = local_time(max(m.instrument.watched.heard_at or now for m in some), zone)
            return f"all {len(some)} instruments are heard again", (
                f"They were silent from {last} on; the last of them is heard again since {again}."
                f" Of about {expected} readings of that time {came} have come in so far."
            )
        if facts.change.severity == PARTLY:
            return f"{len(some) - len(facts.gone)} of {len(some)} instruments are heard again", (
                f"Still silent: {', '.join(m.instrument.code for m in facts.gone)}. The others had time to come back;"
                " what is left is told here and not one by one."
            )
        return f"{len(some)} instruments fell silent together", (
            f"Since {last} none of them has been heard; what they share is more likely at fault than each of them."
            " Until they are heard again they do not watch their units; this says nothing about the units themselves,"
            " neither good nor bad. Those that join or come back are told together, not one by one."
        )
