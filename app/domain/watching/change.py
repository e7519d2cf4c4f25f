"""Whether a unit leaves its own record, gas by gas and jointly, and whether the watch can see that at all yet."""

from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property
from typing import Any, Final, Self

import numpy as np

from app.domain.judging.frame import Floats, Integers
from app.domain.watching.record import DayRecord, day_of
from app.domain.writing import signed
from app.science.quantities import BY_NAME
from app.science.sequential.parameters import WatchParameters
from app.science.sequential.steps import Steps, coarse_steps
from app.science.sequential.watch import Watched, watch

CHANGED, FAST = 1, 2
FAST_PERCENT: Final = 50.0
"""A change is fast from this size on, as a coarse step is (ours)."""
_SIZE_DAYS: Final = 7
"""The size of a change is the median of the newest so many days."""


@dataclass(frozen=True, slots=True)
class GasChange:
    """One gas that stands out. ``percent``: over what its own record lets expect; ``coarse``: seen as a coarse step."""

    gas: str
    since: str
    percent: float
    coarse: bool

    @property
    def words(self) -> str:
        """``H₂ +18 %``."""
        return f"{BY_NAME[self.gas].symbol} {signed(self.percent, 2)} %"


@dataclass(frozen=True, slots=True)
class OnlineWatch:
    """What the watch says at the end of a day.

    Attributes:
        day: the last day looked at. since: the first day of the baseline.
        learned, needed: days learned, and how many make it see small changes. explained: temperature or load take part.
        watched: gases that are watched for small changes; none while it is blind.
        severity: 0 nothing, 1 changed, 2 fast. gases: those that stand out. jointly: all together do.
        began: ISO date of the first of it.
    """

    day: str
    since: str
    learned: int
    needed: int
    explained: bool
    watched: tuple[str, ...]
    severity: int = 0
    gases: tuple[GasChange, ...] = ()
    jointly: bool = False
    began: str | None = None

    @property
    def blind(self) -> bool:
        """Whether only coarse steps are seen."""
        return not self.watched

    @property
    def blind_until(self) -> str | None:
        """ISO date at which enough will be learned, if no day is missed; None where it sees."""
        if not self.blind:
            return None
        ahead = max(self.needed - self.learned, 1)
        return (date.fromisoformat(self.day) + timedelta(days=ahead)).isoformat()

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Self:
        """The inverse of ``dataclasses.asdict``."""
        gases = tuple(GasChange(**one) for one in data["gases"])
        return cls(**{**data, "gases": gases, "watched": tuple(data["watched"])})


@dataclass(frozen=True)
class Looked:
    """What the numbers say of a record, day by day."""

    record: DayRecord
    watched: Watched
    steps: Steps

    @property
    def level_free(self) -> Floats:
        """(n, g) logarithms less what temperature and load explain."""
        return self.record.logarithms - self.watched.effect

    @cached_property
    def alarm(self) -> Integers:
        """(n,) severity of each day; one that has been fast stays so until all is over."""
        gases = self.watched.excess.shape[1]
        sizes = running_medians(self.watched.excess, _SIZE_DAYS)
        large = self.watched.alarm[:, :gases] & (100.0 * np.expm1(sizes) >= FAST_PERCENT)
        now = np.where(self.watched.alarm.any(axis=1), CHANGED, 0)
        now = np.where(large.any(axis=1) | self.steps.alarm.any(axis=1), FAST, now)
        for t in range(1, len(now)):
            if now[t]:
                now[t] = max(now[t], now[t - 1])
        return now.astype(np.int64)


def running_medians(values: Floats, days: int) -> Floats:
    """(n, g) medians of so many days up to each; NaN where none is known."""
    padded = np.concatenate([np.full((days - 1, values.shape[1]), np.nan), values])
    if not len(values):
        return values
    return medians(np.lib.stride_tricks.sliding_window_view(padded, days, axis=0))


def medians(values: Floats) -> Floats:
    """Medians along the last axis of what is known; NaN where nothing is."""
    known = np.isfinite(values).any(axis=-1)
    found = np.full(known.shape, np.nan)
    found[known] = np.nanmedian(values[known], axis=-1)
    return found


def look(record: DayRecord) -> Looked:
    """Watch a record from its beginning."""
    columns = record.columns
    return Looked(
        record,
        watch(record.logarithms, record.drivers, record.reviewed),
        coarse_steps(record.values[:, columns], record.limits[:, columns], record.detection, record.reviewed),
    )


def online_watch(looked: Looked) -> OnlineWatch:
    """What stands at the end of the record."""
    record, found = looked.record, looked.watched
    last = len(record) - 1
    seen = np.isfinite(found.limit[last]) if last >= 0 else np.zeros(0, dtype=np.bool_)
    explained = bool(found.explained[last]) if seen.any() else _known_drivers(record)
    case = ("explained" if explained else "unexplained") + ("" if len(record.gases) > 1 else "_alone")
    said = OnlineWatch(
        day=record.ends.isoformat(),
        since=record.begins.isoformat(),
        learned=int(found.learned[last]) if last >= 0 else 0,
        needed=WatchParameters.read().learning(case)[0],
        explained=explained,
        watched=tuple(gas for i, gas in enumerate(record.gases) if seen[i]) if seen.any() else (),
    )
    return said if last < 0 else _with_changes(said, looked, last)


def _with_changes(said: OnlineWatch, looked: Looked, last: int) -> OnlineWatch:
    record, found, steps = looked.record, looked.watched, looked.steps
    changes, begins = [], []
    for i, gas in enumerate(record.gases):
        coarse, small = bool(steps.alarm[last, i]), bool(found.alarm[last, i])
        if not (coarse or small):
            continue
        since = min(
            *([int(steps.since[last, i])] if coarse else []),
            *([int(found.since[last, i])] if small else []),
            last,
        )
        begins.append(since)
        changes.append(
            GasChange(gas, day_of(record.first + since).isoformat(), _percent(looked, last, i), coarse)
        )
    jointly = found.alarm.shape[1] > len(record.gases) and bool(found.alarm[last, -1])
    if jointly:
        begins.append(int(found.since[last, -1]))
    if not begins:
        return said
    return OnlineWatch(
        said.day,
        said.since,
        said.learned,
        said.needed,
        said.explained,
        said.watched,
        severity=int(looked.alarm[last]),
        gases=tuple(sorted(changes, key=lambda c: -c.percent)),
        jointly=jointly,
        began=day_of(record.first + min(begins)).isoformat(),
    )


def _percent(looked: Looked, last: int, gas: int) -> float:
    """How much a gas is above what is expected [%]: by the fit, or by the days before a coarse step."""
    record, steps = looked.record, looked.steps
    days = slice(max(last - _SIZE_DAYS + 1, 0), last + 1)
    size = _size(looked.watched.excess[days, gas])
    if steps.alarm[last, gas]:
        base = np.log(steps.reference[last, gas] + record.detection[gas])
        size = max(
            size,
            _size(record.logarithms[max(days.start, int(steps.since[last, gas])) : days.stop, gas] - base),
        )
    return float(100.0 * np.expm1(size))


def _size(days: Floats) -> float:
    known = days[np.isfinite(days)]
    return float(np.median(known)) if len(known) else 0.0


def _known_drivers(record: DayRecord) -> bool:
    """Whether temperature or load have been known on enough days so far."""
    measured = np.isfinite(record.values).any(axis=1)
    if not measured.any():
        return False
    share = np.isfinite(record.drivers[measured]).mean(axis=0)
    moved = np.array(
        [np.ptp(c[np.isfinite(c)]) > 0.0 if np.isfinite(c).any() else False for c in record.drivers.T]
    )
    return bool(((share >= WatchParameters.read().known_share) & moved).any())


# --- in words ---------------------------------------------------------------------------------------------


def changed_words(said: OnlineWatch) -> str:
    """``H₂ +18 %, CH₄ +12 % since 2026-11-03``; empty where nothing stands out."""
    if not said.severity:
        return ""
    named = ", ".join(change.words for change in said.gases)
    if said.jointly:
        named = f"{named}, and all gases together" if named else "all gases together, none alone"
    return f"{named} since about {said.began}"


NOT_LOOKED: Final = (
    "No day of the instrument's readings of this oil has been looked at yet: each is looked at once it is over. The"
    " watch is blind until then, and for small changes until enough days are learned."
)


def blind_words(said: OnlineWatch) -> str:
    """How long the watch is blind, and for what."""
    return (
        f"The watch is still blind for small changes, until about {said.blind_until}: {said.learned} of {said.needed}"
        " days are learned. Until then only coarse steps are seen: one and a half times the month before, on three days"
        " in a row."
    )


def watching_words(said: OnlineWatch) -> str:
    """What the watch can see: since when it learns, and how long it is still blind."""
    with_what = "oil temperature or load taken out" if said.explained else "without oil temperature and load"
    if said.blind:
        return f"Watching since {said.since}, {with_what}. {blind_words(said)}"
    symbols = ", ".join(BY_NAME[gas].symbol for gas in said.watched)
    learned = f"{said.learned} days are learned"
    return f"Watching {symbols} since {said.since} against its own record, {with_what}: {learned}."
