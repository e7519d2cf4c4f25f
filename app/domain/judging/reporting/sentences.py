"""The sentences of findings: each with its value, limit, unit and what it is compared with.

A sentence is made here and nowhere else, when a sample is judged, and stored beside the evidence it is made of. Pages,
mails, the command and the interface show it as it stands, with the finding's source.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from app.domain.findings import Trend
from app.domain.writing import interval, length_of, time_ahead, written

MONTH_BEFORE: Final = "the mean of the month that ended a month before"
"""What an on-line reading is compared with: see :mod:`app.domain.judging.rules.online`."""
CONFIRM_ONLINE: Final = "The change is new: it counts when readings a day later still show it."
SOONEST: Final = 4
"""The gravity that asks for action at once."""
CONFIRM_RATE: Final = (
    "Take another sample within a month: only a rate speaks for gassing, and its points do not bear it out."
)
DROPPED: Final = "A later sample did not confirm this one; it takes no part in later changes and rates."
RESTART: Final = (
    "All gases fell and stayed low, and no work on the oil is on record: was the oil treated? From here on the record "
    "is judged as a new baseline."
)
UNJUDGED: Final = "None of the seven norm gases has a number that can be judged."
UNMEASURABLE: Final = "any increase that can be measured counts"
"""Of a limit that the tables give as "any increase"."""


@dataclass(frozen=True, slots=True)
class Reference:
    """What a change is counted from: the month before, or one sample.

    ``at``: when that sample was taken; None: the month. ``below``: its detection limit [µL/L], where it found nothing.
    ``years``: how much older it is, where that is more than a change between samples is meant for.
    """

    at: datetime | None
    zone: ZoneInfo
    below: float | None = None
    years: float | None = None

    @property
    def words(self) -> str:
        if self.at is None:
            return MONTH_BEFORE
        limit = "" if self.below is None else f", which was below {written(self.below)} µL/L"
        age = "" if self.years is None else f", {written(self.years, 2)} years earlier"
        return f"{sample_of(self.at, self.zone)}{age}{limit}"


def compared_with(*, online: bool) -> str:
    """What the changes of a sample are counted from, where they are told together."""
    return f"against {MONTH_BEFORE}" if online else "since the last believed sample"


def new_gas(since: str, *, online: bool) -> str:
    """What is called the gas gained ``since_reference`` or ``since_baseline``."""
    return f"new gas {compared_with(online=online) if since == 'since_reference' else 'since the baseline'}"


def sample_of(at: datetime, zone: ZoneInfo) -> str:
    """A sample by its day at the site."""
    return f"the sample of {at.astimezone(zone).date().isoformat()}"


def level(symbol: str, value: float, limit: float, limit_words: str, column: str) -> str:
    """A level above its norm; ``column``: of the norm's tables, in words."""
    return f"{symbol} {written(value, 5)} µL/L is above {limit_words} of {written(limit, 6)} µL/L ({column})."


def undecided(symbol: str, value: float, limit: float) -> str:
    """A detection limit that is itself above the norm."""
    return (
        f"{symbol} is below a detection limit of {written(value, 6)} µL/L, which is above its norm of "
        f"{written(limit, 6)} µL/L: it cannot be judged."
    )


def blind(symbols: Sequence[str]) -> str:
    """Why a sample without a raised gas is not called low."""
    of = (
        "their detection limits are above their norms"
        if len(symbols) > 1
        else "its detection limit is above its norm"
    )
    return f"Not low: {', '.join(symbols)} cannot be judged, since {of}. Ask for a method that can see it."


def early(symbols: Sequence[str], *, young: bool) -> str:
    """On a unit that is in its first year (``young``) or in the first after work on it."""
    when = "The unit is in its first year" if young else "The unit was worked on less than a year ago"
    stand = f"{', '.join(symbols)} {'are' if len(symbols) > 1 else 'is'} above detection"
    return f"{when} and {stand}: another sample soon tells whether the gas rises."


def delta(symbol: str, value: float, limit: float | None, reference: Reference) -> str:
    """A change above its norm; ``limit`` None: any counts."""
    norm = UNMEASURABLE if limit is None else f"the norm is {written(limit, 6)} µL/L"
    return f"{_rose(symbol, value, reference)} ({norm})."


def rate(symbol: str, value: float, limit: float | None, points: str, days: float) -> str:
    """A multi-point rate above its norm; ``points``: how many of what; ``limit`` None: any counts."""
    norm = UNMEASURABLE if limit is None else f"the norm is {written(limit, 6)} µL/L a year"
    over = f"over {points} in {days:.0f} days"
    return f"The multi-point rate of {symbol} is {written(value)} µL/L a year {over} ({norm})."


def unborne(low: float, high: float) -> str:
    """Behind the sentence of a rate whose slope may as well be none."""
    ends = f"{interval(low, high)} µL/L a year"
    return f" Its own points do not bear it out (95 % interval {ends}): by itself it confirms no gassing."


def confirm(gravity: int) -> str:
    """Of a sample that is not believed yet, as soon as the course of the unit asks for it."""
    when = {SOONEST: "at once", SOONEST - 1: "within days"}.get(gravity, "within a month")
    return f"The change is not confirmed yet: take a confirmation sample {when}."


def extreme_level(symbol: str, value: float, limit: float, gravity: int = SOONEST) -> str:
    """A level that is extreme; ``gravity`` of the course, which a level that has not risen for long makes less."""
    return f"{symbol} stands at {written(value, 4)} µL/L, {_extreme(limit, gravity)}"


def extreme_delta(
    symbol: str, value: float, limit: float, reference: Reference, gravity: int = SOONEST
) -> str:
    """A change that is extreme."""
    return f"{_rose(symbol, value, reference)}, {_extreme(limit, gravity)}"


def extreme_rate(symbol: str, value: float, limit: float, gravity: int = SOONEST) -> str:
    """A rate that is extreme."""
    norm = f"extreme (from {written(limit, 6)} µL/L a year on)"
    return f"{symbol} rises by {written(value)} µL/L a year, which is {norm}: {_investigate(gravity)}."


def extreme_fault(symbol: str, value: float, limit: float, code: str, gravity: int = SOONEST) -> str:
    """A level with the pattern of a grave fault; ``code``: of that fault."""
    level = f"{symbol} stands at {written(value, 4)} µL/L, new or rising, in the pattern of {code}"
    return f"{level}, {_extreme(limit, gravity)}"


def extreme_trip(symbol: str, value: float, gravity: int = SOONEST) -> str:
    """Gas of arcing that was not there before a trip."""
    new = f"{symbol} {written(value, 4)} µL/L is new since the trip or through-fault on record"
    return f"{new}, which is extreme: it speaks of arcing in the tank; {_investigate(gravity)}."


@dataclass(frozen=True, slots=True)
class Record:
    """What a compartment without published norms is judged by.

    ``oil``: what it holds, in words. ``count``: samples or days of the record; ``online``: days.
    """

    oil: str
    count: int
    online: bool

    @property
    def words(self) -> str:
        one, many = ("day", "days") if self.online else ("sample", "samples")
        return f"its own record of {self.count} {one if self.count == 1 else many}"


OWN_WORDS: Final = {2: "stands out", 3: "is high", 4: "is extreme: investigate at once"}
"""How grave it is, by severity."""


def own_rise(symbol: str, value: float, usual: float, record: Record, severity: int) -> str:
    """A gas far above what is usual in its own oil."""
    before = f"{written(usual, 2)} µL/L is usual" if usual > 0 else "none is usual"
    return (
        f"No published norm for {record.oil}; against {record.words} {symbol} of {written(value)} µL/L, where "
        f"{before}, {OWN_WORDS[severity]}."
    )


def own_ratio(value: float, ratios: tuple[float, float], usual: float, record: Record, severity: int) -> str:
    """C2H4 that rose together with C2H4/C2H2; ``ratios``: now and usually, ``usual``: C2H4."""
    before = written(usual, 2) if usual > 0 else "none"
    return (
        f"No published norm for {record.oil}; against {record.words} C₂H₄ rose from {before} to "
        f"{written(value)} µL/L and C₂H₄/C₂H₂ from {written(ratios[1], 2)} to {written(ratios[0], 2)}: "
        f"contacts may be overheating or coking. This {OWN_WORDS[severity]}."
    )


def own_level(symbol: str, value: float, limit: float, oil: str, severity: int) -> str:
    """A gas far above anything ordinary, whatever its record says."""
    return (
        f"No published norm for {oil}; {symbol} of {written(value)} µL/L is far above anything ordinary (from "
        f"{written(limit, 6)} µL/L on) and {OWN_WORDS[severity]}."
    )


def own_owner(symbol: str, value: float, limit: float, words: str) -> str:
    """A gas above an owner's limit, where no published norm applies."""
    return f"{symbol} {written(value, 5)} µL/L is above {words} of {written(limit, 6)} µL/L."


def pace(symbol: str, trend: Trend) -> str:
    """How fast a gas rises since when, and where that leads."""
    text = f"{symbol} rises by {written(trend.per_year, 2)} µL/L a year since {trend.since}"
    if trend.low is not None and trend.high is not None:
        text += f" (95 % between {interval(trend.low, trend.high, 'and')})"
    if trend.acceleration is not None and trend.acceleration > 0:
        text += "; it is getting faster"
    leads = reach(trend)
    return f"{text}; at this pace it reaches {leads}." if leads else f"{text}."


def past_pace(symbol: str, trend: Trend) -> str:
    """Of a gas whose whole record rises, where the course says that the rise is over."""
    amount = f"{written(trend.per_year, 2)} µL/L a year"
    return (
        f"Over the record since {trend.since} as a whole {symbol} rose by {amount}, before it came to rest."
    )


def reach(trend: Trend) -> str:
    """When the next limit is reached at the pace of a trend; nothing where that cannot be said."""
    limit = None if trend.next_limit is None else f"{written(trend.next_limit, 6)} µL/L"
    if limit is not None and trend.days_to_limit is not None:
        return f"{limit} {time_ahead(trend.days_to_limit[0], trend.days_to_limit[2])} (80 %)"
    if limit is not None and trend.not_before_days is not None and trend.not_before_days >= 1.0:
        return f"{limit} not before {length_of(trend.not_before_days)} from the sample on"
    return ""


def confirmed(at: datetime, zone: ZoneInfo) -> str:
    """Of the sample that shows again what an earlier one showed."""
    return f"This sample confirms the change that {sample_of(at, zone)} showed."


def refuted(at: datetime, zone: ZoneInfo) -> str:
    """Of the sample that does not show what an earlier one showed."""
    return (
        f"This sample does not confirm {sample_of(at, zone)}, which takes no part in later changes and rates."
    )


def _rose(symbol: str, value: float, reference: Reference) -> str:
    least = "" if reference.below is None else "at least "
    return f"{symbol} rose by {least}{written(value)} µL/L against {reference.words}"


def _extreme(limit: float, gravity: int) -> str:
    return f"which is extreme (from {written(limit, 6)} µL/L on): {_investigate(gravity)}."


def _investigate(gravity: int) -> str:
    return "investigate at once" if gravity >= SOONEST else "investigate within days"
