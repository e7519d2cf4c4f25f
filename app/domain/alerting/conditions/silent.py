"""An instrument is not heard."""

from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from app.domain.alerting.condition import Audience, Grade, OfInstruments, RaisedBy, SubjectKind
from app.domain.alerting.conditions.of_one import said_of
from app.domain.alerting.notices import Facts, Missed, NextSteps, Said
from app.domain.alerting.states import Reason
from app.domain.instruments.instrument import Instrument
from app.domain.instruments.silence import Absence
from app.domain.writing import duration, local_time

NO_VERDICT: Final = "This says nothing about the unit itself, neither good nor bad."


class Silent(OfInstruments):
    """Late, silent, or never heard though it has a key."""

    name = "silent"
    title = "Instrument silent"
    subject = SubjectKind.INSTRUMENT
    about = "an instrument"
    raised_by = RaisedBy.SILENCE
    grades = (
        Grade(1, "late", "about two intervals have passed since its last post"),
        Grade(
            2,
            "silent",
            "about four have, or it has a key and was never heard: nobody watches the unit on-line",
        ),
    )
    told = Audience.SITE
    cases = ("late", "silent", "never_heard", "back")

    def headline(self, one: Instrument, severity: int, absence: Absence | None, now: datetime) -> str:
        """One line for lists."""
        if absence is not None and absence.never:
            return _headline_of_unheard(one, severity, absence)
        last = absence.heard_at if absence else one.watched.heard_at
        when = local_time(last, ZoneInfo(one.time_zone)) if last else "never"
        if not severity:
            return f"Heard again after {duration((one.watched.heard_at or now) - (last or now))}"
        word = self.grade(severity).capitalize()
        return f"{word}: last heard {when}, expected every {duration(one.watched.interval)}"

    def said(self, facts: Facts) -> Said:
        """When it was heard last, and what that means."""
        missed, now, zone = facts.only, facts.now, facts.zone
        one = missed.instrument
        if missed.absence is not None and missed.absence.never:
            return _never_heard(facts, missed.absence.heard_at)
        last = missed.last_heard(now)
        if facts.change.reason is Reason.RETURNED:
            again = one.watched.heard_at or now
            long = duration(again - last)
            times = f"from {local_time(last, zone)} to {local_time(again, zone)}"
            what = f"It was silent for {long}, {times}. {_backlog(missed)}"
            return said_of(facts, f"is heard again after {long}", what)
        what = (
            f"Its last post came {local_time(last, zone)}, {duration(now - last)} ago; one is expected every"
            f" {duration(one.watched.interval)}. Until it is heard again it does not watch {one.asset_code}."
            f" {NO_VERDICT}"
        )
        return said_of(facts, f"is {self.grade(facts.change.severity)}", what)

    def steps(self, facts: Facts) -> NextSteps | None:
        """Power, link, gateway; then laboratory samples. Of one never heard: key, address, network, clock."""
        missed = facts.only
        watched, unit = missed.instrument.watched, missed.instrument.asset_code
        if facts.change.reason is Reason.RETURNED:
            return NextSteps("back") if missed.missing else None
        if missed.absence is not None and missed.absence.never:
            return NextSteps("never_heard", {"unit": unit})
        if facts.change.severity < 2 and watched.heard_at:
            rule = facts.rule
            at = watched.heard_at + max(rule.silent_intervals * watched.interval + rule.grace, rule.least)
            return NextSteps("late", {"silent_at": local_time(at, facts.zone)})
        return NextSteps("silent", {"units": unit}, bool(facts.gassing))


def _headline_of_unheard(one: Instrument, severity: int, absence: Absence) -> str:
    if severity:
        when = local_time(absence.heard_at, ZoneInfo(one.time_zone))
        return f"Never heard: waited for since {when}, expected every {duration(one.watched.interval)}"
    if one.watched.heard_at is None:
        return "Never heard, and not waited for any more: it has no valid key"
    return f"Heard for the first time, after {duration(one.watched.heard_at - absence.heard_at)}"


def _never_heard(facts: Facts, since: datetime) -> Said:
    """Of one that has never posted, and was waited for since then."""
    one, now, zone = facts.only.instrument, facts.now, facts.zone
    heard_at = one.watched.heard_at
    if facts.change.reason is not Reason.RETURNED:
        what = (
            f"It has a key since {local_time(since, zone)}, {duration(now - since)} ago, and no post of it was ever"
            f" taken; one is expected every {duration(one.watched.interval)}. It does not watch {one.asset_code}"
            f" yet. {NO_VERDICT}"
        )
        return said_of(facts, "was never heard", what)
    if heard_at is None:
        what = "It was never heard, and it has no valid key any more."
        return said_of(facts, "is not waited for any more", what)
    waited = duration(heard_at - since)
    what = f"Its first post came {local_time(heard_at, zone)}, {waited} after it was first waited for."
    return said_of(facts, "is heard for the first time", what)


def _backlog(missed: Missed) -> str:
    expected, came = missed.expected, missed.came
    if not expected:
        return "No reading was due in that time."
    if came >= expected:
        return f"The readings of that time have come in: {came} of about {expected}."
    if came:
        return f"Of about {expected} readings of that time {came} have come in so far."
    return f"Of the readings of that time, about {expected}, none has come in so far."


SILENT: Final = Silent()
