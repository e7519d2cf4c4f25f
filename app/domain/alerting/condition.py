"""What an alert condition is: everything that lists, decides, words or mails one asks it here.

A condition is one class with one instance in one file of :mod:`app.domain.alerting.conditions`. It belongs to one of
three families, by what raises it: samples, the look at an instrument's readings, the watch over silence.
"""

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import ClassVar

from app.domain.alerting.notices import Facts, NextSteps, Said
from app.domain.alerting.shown import Evidence, Shown
from app.domain.alerting.states import Change, Reason
from app.domain.findings import Assessment
from app.domain.instruments.agreement import Agreement
from app.domain.instruments.findings import InstrumentFinding


class SubjectKind(StrEnum):
    """What an alert may be about."""

    COMPARTMENT = "compartment"
    INSTRUMENT = "instrument"
    SITE = "site"
    FLEET = "fleet"


class RaisedBy(StrEnum):
    """Who says how a condition stands."""

    SAMPLES = "samples"
    READINGS = "readings"
    """The look at an instrument's readings."""
    SILENCE = "silence"
    """The watch over silence."""
    DAYS = "days"
    """The daily look at an instrument's days."""


class Audience(StrEnum):
    """Who is told."""

    SITE = "the contacts of its site"
    SITES = "the contacts of all sites concerned"


@dataclass(frozen=True, slots=True)
class Grade:
    """One severity: its word, as in "2 silent", and what it means."""

    severity: int
    word: str
    meaning: str


class Condition(ABC):
    """One thing that somebody must know of.

    Attributes:
        name: as it is stored, exported and counted.
        title: as pages and the help name it.
        about: what it is about, in words.
        grades: its severities, the mildest first.
        told: who is told of a change.
        cases: the rows of the table of next steps that it asks for; none where the steps follow from the sample.
    """

    name: ClassVar[str]
    title: ClassVar[str]
    subject: ClassVar[SubjectKind]
    about: ClassVar[str]
    raised_by: ClassVar[RaisedBy]
    grades: ClassVar[tuple[Grade, ...]]
    told: ClassVar[Audience]
    cases: ClassVar[tuple[str, ...]] = ()

    def __repr__(self) -> str:
        return f"<{self.name}>"

    def grade(self, severity: int) -> str:
        """The word of a severity; empty for none."""
        return next((g.word for g in self.grades if g.severity == severity), "")


class OfSamples(Condition):
    """Raised by what samples show; its next steps are those of the ladder of actions for the sample.

    Attributes:
        wants_watching: while it is open, an instrument of the unit that falls silent is more urgent.
        says_itself: reasons that are said by the subject line, and need not be named behind it.
    """

    subject = SubjectKind.COMPARTMENT
    about = "a compartment"
    raised_by = RaisedBy.SAMPLES
    wants_watching: ClassVar[bool] = False
    says_itself: ClassVar[frozenset[Reason]] = frozenset()

    @abstractmethod
    def shown(self, shown: Shown) -> Evidence | None:
        """What a sample says about it; None when it says nothing."""

    @abstractmethod
    def headline(self, assessment: Assessment) -> str:
        """One line for lists."""

    @abstractmethod
    def subject_line(self, assessment: Assessment) -> str:
        """What the subject of a mail says, without the reason."""

    @abstractmethod
    def sentence(self, change: Change, assessment: Assessment, /) -> str:
        """What changed, in a mail."""


class OfInstruments(Condition):
    """Told in a notice about one instrument or several."""

    @abstractmethod
    def said(self, facts: Facts) -> Said:
        """What a notice says."""

    @abstractmethod
    def steps(self, facts: Facts) -> NextSteps | None:
        """What to do next; None: nothing."""


@dataclass(frozen=True, slots=True)
class Look:
    """What a look at an instrument's readings saw."""

    findings: Sequence[InstrumentFinding]
    agreement: Sequence[Agreement]
    now: datetime


class OfReadings(OfInstruments):
    """Raised by the look at an instrument's readings.

    Attributes:
        over: its headline when it is back to normal.
        disputes_laboratory: it says that instrument and laboratory do not agree.
    """

    subject = SubjectKind.INSTRUMENT
    about = "an instrument"
    raised_by = RaisedBy.READINGS
    told = Audience.SITE
    over: ClassVar[str]
    disputes_laboratory: ClassVar[bool] = False

    @abstractmethod
    def seen(self, look: Look) -> tuple[int, str]:
        """Severity and headline; 0 and an empty one: nothing to tell."""
