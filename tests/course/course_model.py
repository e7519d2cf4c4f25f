"""What a course is: a unit, what becomes known of it move by move, and what is expected to be said of it.

Expectations are written down with the course, before anybody looks at what the engine says of it.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Final

Readings = Mapping[str, float | str]
"""By quantity, in the program's units; "<0.5" is below a detection limit."""
START: Final = datetime(2012, 3, 5, 9, tzinfo=UTC)
BOTTLE: Final = timedelta(days=3)
"""From the sampling to the laboratory's result."""


@dataclass(frozen=True)
class Unit:
    """The nameplate."""

    year_energized: int | None = 2000
    rated_kv: float = 132.0
    liquid: str = "mineral_oil"
    preservation: str = "sealed"
    tap_changer: str = "none"
    compartment: str = "main"
    monitored: bool = False


@dataclass(frozen=True)
class Sampled:
    """A laboratory sample, and when its result came where that was late."""

    at: datetime
    readings: Readings
    laboratory: str = "LAB"
    received: datetime | None = None

    @property
    def known_at(self) -> datetime:
        return self.received or self.at + BOTTLE


@dataclass(frozen=True)
class Posted:
    """Readings of the monitor that come together: a day's, or all that were there before the course begins."""

    readings: Sequence[tuple[datetime, Readings]]

    @property
    def at(self) -> datetime:
        return self.readings[-1][0]

    @property
    def known_at(self) -> datetime:
        return self.at + timedelta(minutes=10)


@dataclass(frozen=True)
class Recorded:
    """A service event that is recorded when it happens."""

    at: datetime
    kind: str

    @property
    def known_at(self) -> datetime:
        return self.at


@dataclass(frozen=True)
class Withdrawn:
    """The laboratory sample of a number (0 the first) is excluded."""

    at: datetime
    number: int

    @property
    def known_at(self) -> datetime:
        return self.at


@dataclass(frozen=True)
class Corrected:
    """The laboratory sample of a number gets other readings."""

    at: datetime
    number: int
    readings: Readings

    @property
    def known_at(self) -> datetime:
        return self.at


Move = Sampled | Posted | Recorded | Withdrawn | Corrected


@dataclass(frozen=True)
class Seen:
    """What the service says of the unit after a move."""

    number: int
    """Of the move, 0 the first."""
    at: datetime
    what: str
    """``sample``, ``readings``, or the kind of what was recorded."""
    status: int | None = None
    suspect: bool = False
    fault: str | None = None
    state: str | None = None
    """Of the course; None where it is not told."""
    gravity: int | None = None
    urgency: str = ""
    alerts: Mapping[str, int] = field(default_factory=dict)
    """Open alerts: severity by condition."""
    mails: tuple[str, ...] = ()
    """Subjects of the mails that this move sent."""
    steps: tuple[str, ...] = ()
    due: date | None = None
    """When the next sample is due."""
    rules: frozenset[str] = frozenset()
    """Names of the findings."""
    texts: tuple[str, ...] = ()
    """All sentences of the verdict, and of the course."""
    blind: bool = False
    """Whether the page says that an instrument's days are not watched yet, or for coarse steps only, and until when."""

    @property
    def worst(self) -> int:
        """The gravest of the open alerts."""
        return max(self.alerts.values(), default=0)

    @property
    def days(self) -> int | None:
        """From the sample to the day when the next one is due."""
        return None if self.due is None else (self.due - self.at.date()).days


@dataclass(frozen=True)
class Expect:
    """One thing that must be so. ``check`` says what is wrong, or nothing.

    ``part`` names who answers for it: trend, walk, course, oils, online, sure, advice.
    """

    words: str
    part: str
    check: Callable[[Sequence[Seen]], str]


@dataclass(frozen=True)
class Course:
    """A course of one unit. ``twin`` names its harmless twin; None for one that is harmless itself or has none."""

    name: str
    title: str
    moves: Sequence[Move]
    expects: tuple[Expect, ...]
    unit: Unit = Unit()
    twin: str | None = None

    def __post_init__(self) -> None:
        known = [move.known_at for move in self.moves]
        if known != sorted(known):
            raise ValueError(f"{self.name}: moves must stand in the order in which they become known")


# --- expectations -----------------------------------------------------------------------------------------


RISING: Final = frozenset({"rising", "confirmed", "accelerating"})
OF_GAS: Final = frozenset({"gassing", "own_record"})
"""Conditions that say that gas is there."""


def _all(words: str, part: str, first: int, last: int | None, wrong: Callable[[Seen], str]) -> Expect:
    """So at every move from ``first`` to ``last`` (both included, None: the end)."""

    def check(seen: Sequence[Seen]) -> str:
        for one in seen[first : None if last is None else last + 1]:
            if found := wrong(one):
                return f"move {one.number} ({one.at:%Y-%m-%d}): {found}"
        return ""

    return Expect(words, part, check)


def _once(words: str, part: str, last: int | None, right: Callable[[Seen], bool], first: int = 0) -> Expect:
    """So at some move from ``first`` to ``last``."""

    def check(seen: Sequence[Seen]) -> str:
        some = seen[first : None if last is None else last + 1]
        return "" if any(right(one) for one in some) else f"never: {_short(some)}"

    return Expect(words, part, check)


def _short(some: Sequence[Seen]) -> str:
    last = some[-1]
    stands = f"status {last.status}, {last.state}, gravity {last.gravity}, alerts {dict(last.alerts)}"
    return f"at move {last.number} {stands}"


def gravity_at_most(most: int, first: int = 0, last: int | None = None, part: str = "course") -> Expect:
    words = f"gravity {most} at most {_where(first, last)}"
    return _all(words, part, first, last, lambda s: _over(s.gravity, most, "gravity"))


def gravity_at_least(least: int, first: int, last: int | None = None, part: str = "course") -> Expect:
    words = f"gravity {least} at least {_where(first, last)}"
    return _all(words, part, first, last, lambda s: _under(s.gravity, least, "gravity"))


def gravity_by(by: int, least: int, part: str = "course", first: int = 0) -> Expect:
    words = f"gravity {least} by move {by} at the latest"
    return _once(words, part, by, lambda s: (s.gravity or 0) >= least, first)


def alarm_by(
    by: int, least: int, conditions: frozenset[str] = OF_GAS, part: str = "course", first: int = 0
) -> Expect:
    """An alert of one of the conditions is open, and somebody was mailed."""
    words = f"alert of severity {least} ({', '.join(sorted(conditions))}) and a mail by move {by}"

    def check(seen: Sequence[Seen]) -> str:
        some = seen[first : by + 1]
        if all(_severity(s, conditions) < least for s in some):
            return f"no alert: {_short(some)}"
        return "" if any(s.mails for s in some) else "no mail"

    return Expect(words, part, check)


def alarm_never_eases(
    conditions: frozenset[str] = OF_GAS, part: str = "course", first: int = 0, last: int | None = None
) -> Expect:
    """While the gas is there, the severity is never below what it was."""

    def check(seen: Sequence[Seen]) -> str:
        most = 0
        for one in seen[first : None if last is None else last + 1]:
            now = _severity(one, conditions)
            if now < most:
                return f"move {one.number} ({one.at:%Y-%m-%d}): severity {now} after {most}"
            most = max(most, now)
        return ""

    return Expect(f"alert ({', '.join(sorted(conditions))}) never eases {_where(first, last)}", part, check)


def no_alarm(
    least: int = 2,
    conditions: frozenset[str] | None = None,
    part: str = "course",
    first: int = 0,
    last: int | None = None,
) -> Expect:
    """No alert of the conditions (None: of any) of a severity or more."""
    named = "any condition" if conditions is None else ", ".join(sorted(conditions))
    return _all(
        f"no alert of severity {least} ({named}) {_where(first, last)}",
        part,
        first,
        last,
        lambda s: f"alerts {dict(s.alerts)}" if _severity(s, conditions) >= least else "",
    )


def state_by(by: int, states: frozenset[str], part: str = "course", first: int = 0) -> Expect:
    words = f"course {'/'.join(sorted(states))} by move {by}"
    return _once(words, part, by, lambda s: s.state in states, first)


def state_never(
    states: frozenset[str], first: int = 0, last: int | None = None, part: str = "course"
) -> Expect:
    words = f"course never {'/'.join(sorted(states))} {_where(first, last)}"
    return _all(words, part, first, last, lambda s: _state(s, s.state not in states))


def state_at_end(states: frozenset[str], part: str = "course") -> Expect:
    words = f"course {'/'.join(sorted(states))} at the end"
    return Expect(words, part, lambda seen: _state(seen[-1], seen[-1].state in states))


def status_is(
    statuses: frozenset[int | None], first: int = 0, last: int | None = None, part: str = "walk"
) -> Expect:
    words = f"status {'/'.join(str(s or 'none') for s in sorted(statuses, key=str))} {_where(first, last)}"
    return _all(words, part, first, last, lambda s: "" if s.status in statuses else f"status {s.status}")


def urgency_is_not(urgency: str, first: int = 0, last: int | None = None, part: str = "walk") -> Expect:
    words = f"urgency never {urgency} {_where(first, last)}"
    return _all(words, part, first, last, lambda s: s.urgency if s.urgency == urgency else "")


def due_within(days: int, first: int, last: int | None = None, part: str = "advice") -> Expect:
    words = f"next sample within {days} days {_where(first, last)}"

    def wrong(one: Seen) -> str:
        return "" if one.days is not None and one.days <= days else f"due in {one.days} days"

    return _all(words, part, first, last, wrong)


def due_after(days: int, first: int, last: int | None = None, part: str = "advice") -> Expect:
    words = f"next sample not before {days} days {_where(first, last)}"

    def wrong(one: Seen) -> str:
        return "" if one.days is not None and one.days >= days else f"due in {one.days} days"

    return _all(words, part, first, last, wrong)


def says(text: str, by: int | None = None, part: str = "course", first: int = 0) -> Expect:
    """Some sentence or step holds the text, capitals apart."""
    return _once(f"says “{text}”", part, by, lambda s: _holds(s, text), first)


def never_says(text: str, first: int = 0, last: int | None = None, part: str = "course") -> Expect:
    words = f"never says “{text}” {_where(first, last)}"
    return _all(words, part, first, last, lambda s: "it does" if _holds(s, text) else "")


def finding_never(rule: str, first: int = 0, last: int | None = None, part: str = "walk") -> Expect:
    words = f"no finding “{rule}” {_where(first, last)}"
    return _all(words, part, first, last, lambda s: "it is there" if rule in s.rules else "")


def mails_at_most(most: int, part: str = "course", first: int = 0) -> Expect:
    def check(seen: Sequence[Seen]) -> str:
        found = sum(len(s.mails) for s in seen[first:])
        return "" if found <= most else f"{found} mails"

    return Expect(f"{most} mails at most", part, check)


def _where(first: int, last: int | None) -> str:
    if last is None:
        return "throughout" if first == 0 else f"from move {first}"
    return f"at move {first}" if first == last else f"at moves {first} to {last}"


def _over(value: int | None, most: int, name: str) -> str:
    if value is None:
        return f"{name} is not told"
    return f"{name} {value}" if value > most else ""


def _under(value: int | None, least: int, name: str) -> str:
    if value is None:
        return f"{name} is not told"
    return f"{name} {value}" if value < least else ""


def _state(one: Seen, right: bool) -> str:
    if one.state is None:
        return "" if one.blind else "the course is not told"
    return "" if right else one.state


def _severity(one: Seen, conditions: frozenset[str] | None) -> int:
    return max((s for c, s in one.alerts.items() if conditions is None or c in conditions), default=0)


def _holds(one: Seen, text: str) -> bool:
    return any(text.lower() in said.lower() for said in (*one.texts, *one.steps))
