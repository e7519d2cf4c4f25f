"""Which instruments are late or silent, and which of them fell silent together. Pure: ``now`` is an argument.

Silence is counted from the time a post was last taken, by the server's clock: an instrument's own clock may be
wrong. All figures here are common practice, no source.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import pairwise
from typing import Final

LEARNT_FROM: Final = 20
"""Spaces between readings that an interval is learnt from where none was registered."""
FEWEST_LEARNT_FROM: Final = 4
UNKNOWN_INTERVAL: Final = timedelta(days=1)
"""Taken where there are fewer: late for a fast monitor, but no false alarm for a slow one."""
TOGETHER: Final = 2
"""Instruments, at least, that make a group."""


class Heard(StrEnum):
    """How an instrument stands with its expected interval."""

    ON_TIME = "on_time"
    LATE = "late"
    SILENT = "silent"
    MAINTENANCE = "maintenance"
    NEVER = "never_heard"


@dataclass(frozen=True, slots=True)
class SilenceRule:
    """When silence is told."""

    late_intervals: float = 2.0
    silent_intervals: float = 4.0
    grace: timedelta = timedelta(minutes=15)
    least: timedelta = timedelta(hours=1)
    """Nothing is silent before, however short its interval."""
    share: float = 0.8
    """Of the instruments of a site: so many must be quiet for the site to be told as one."""
    first: timedelta | None = timedelta(days=7)
    """One that has a key and was never heard is told after so long; None: never."""
    gap: timedelta = timedelta(minutes=10)
    """Looks further apart mean that the service itself did not listen, or that its clock jumped."""


@dataclass(frozen=True, slots=True)
class Watched:
    """One instrument as the record knows it."""

    id: int
    site: int
    interval: timedelta
    heard_at: datetime | None
    """When a post of it was last taken; None: never."""
    newest_taken_at: datetime | None = None
    """The newest time its readings were taken at."""
    maintenance: bool = False
    excused_until: datetime | None = None
    """The end of its last maintenance: what came before says nothing."""
    awaited_since: datetime | None = None
    """When the first of the keys that it can post with was issued; None: it has none."""


@dataclass(frozen=True, slots=True)
class Absence:
    """A silence that is told already: what was known when it began, and when it was first heard again.

    Of one that was never heard ``heard_at`` is since when it was waited for.
    """

    heard_at: datetime
    newest_taken_at: datetime | None
    again_at: datetime | None = None
    never: bool = False


@dataclass(frozen=True, slots=True)
class Group:
    """Instruments that are told as one.

    ``severity``: 2 all of the place are quiet, 1 some are back, 0 over. ``last``: when the last of them was heard
    before. ``back_since``: since when some are back though it is not told yet.
    """

    members: frozenset[int]
    last: datetime
    severity: int = 2
    back_since: datetime | None = None


@dataclass(frozen=True, slots=True)
class Known:
    """What has been told so far. Groups by site id; the whole fleet's has the key None."""

    absences: Mapping[int, Absence] = field(default_factory=dict)
    severities: Mapping[int, int] = field(default_factory=dict)
    groups: Mapping[int | None, Group] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Picture:
    """What is to be told now. Instruments that are not named in ``severities`` stay as they are."""

    severities: Mapping[int, int]
    absences: Mapping[int, Absence]
    groups: Mapping[int | None, Group]


def learnt_interval(taken_at: Iterable[datetime]) -> timedelta:
    """The median space between the newest readings; a day where there are too few of them."""
    times = sorted(set(taken_at))[-LEARNT_FROM - 1 :]
    spaces = sorted(b - a for a, b in pairwise(times))
    if len(spaces) < FEWEST_LEARNT_FROM:
        return UNKNOWN_INTERVAL
    return max(spaces[len(spaces) // 2], timedelta(minutes=1))


def listening_since(
    checked_at: datetime | None, since: datetime | None, now: datetime, rule: SilenceRule
) -> datetime:
    """Since when posts could come without a break, told by when the watch looked last.

    After a break, and after the clock was set back or far forward, it begins anew.
    """
    if checked_at is None or since is None or not checked_at <= now <= checked_at + rule.gap:
        return now
    return since


def heard(one: Watched, now: datetime, rule: SilenceRule, since: datetime | None = None) -> Heard:
    """How it stands. An instrument gets its interval and the grace anew after a maintenance and after the service
    itself did not listen (``since``); a clock that went back before the last post says nothing."""
    if one.maintenance:
        return Heard.MAINTENANCE
    if one.heard_at is None:
        return Heard.NEVER
    age = now - one.heard_at
    if _has_a_chance(one, now, rule, since):
        return Heard.ON_TIME
    if age > max(rule.silent_intervals * one.interval + rule.grace, rule.least):
        return Heard.SILENT
    return Heard.LATE if age > rule.late_intervals * one.interval + rule.grace else Heard.ON_TIME


def _has_a_chance(one: Watched, now: datetime, rule: SilenceRule, since: datetime | None) -> bool:
    """Whether it could not have been heard yet: nobody listened, it was worked on, or the time is out of joint."""
    if one.heard_at is None or now < one.heard_at:
        return True
    for begin in (since, one.excused_until):
        if begin is not None and begin > one.heard_at and now - begin <= one.interval + rule.grace:
            return True
    return False


def overdue_since(
    one: Watched, now: datetime, rule: SilenceRule, since: datetime | None = None
) -> datetime | None:
    """Since when an instrument that was never heard has been waited for, once that is too long; else None."""
    if one.heard_at is not None or one.maintenance or one.awaited_since is None or rule.first is None:
        return None
    if since is not None and now - since <= one.interval + rule.grace:
        return None  # the service itself has only begun to listen
    begin = max(one.awaited_since, one.excused_until or one.awaited_since)
    most = max(rule.first, rule.silent_intervals * one.interval + rule.grace)
    return begin if now - begin > most else None


def _missed(one: Watched, now: datetime, rule: SilenceRule, since: datetime | None) -> bool:
    """Whether one post at least did not come: the mark by which a whole site is seen to be quiet."""
    if one.maintenance or one.heard_at is None or _has_a_chance(one, now, rule, since):
        return False
    return now - one.heard_at > one.interval + rule.grace / 2


def look(
    instruments: Sequence[Watched],
    known: Known,
    now: datetime,
    rule: SilenceRule,
    since: datetime | None = None,
) -> Picture:
    """What is to be told of all instruments at a time, given what has been told."""
    stands = {one.id: heard(one, now, rule, since) for one in instruments}
    severities: dict[int, int] = {}
    absences: dict[int, Absence] = {}
    for one in instruments:
        if one.heard_at is None:
            severity, absence = _of_one_unheard(one, overdue_since(one, now, rule, since), known)
        else:
            severity, absence = _of_one(one, stands[one.id], known, now, rule)
        if severity is not None:
            severities[one.id] = severity
        if absence is not None:
            absences[one.id] = absence
    quiet = _Quiet(
        missed=frozenset(one.id for one in instruments if _missed(one, now, rule, since)),
        told=frozenset(i for i, stand in stands.items() if stand in {Heard.LATE, Heard.SILENT}),
        open=frozenset(i for i, s in {**known.severities, **severities}.items() if s),
    )
    places: dict[int | None, dict[int, Watched]] = {key: {} for key in known.groups}
    for one in instruments:
        if one.heard_at is not None and not one.maintenance:
            for key in (one.site, None):
                places.setdefault(key, {})[one.id] = one
    groups: dict[int | None, Group] = {}
    for key, place in places.items():
        before = known.groups.get(key)
        if before is not None:
            groups[key] = _next_group(place, quiet, before, now, rule)
        elif found := _new_group(place, quiet, rule, fleet=key is None):
            groups[key] = found
    return Picture(severities, absences, groups)


@dataclass(frozen=True, slots=True)
class _Quiet:
    """Instruments that missed a post, those that are late or silent, those whose silence is told and not over."""

    missed: frozenset[int]
    told: frozenset[int]
    open: frozenset[int]


def _of_one_unheard(
    one: Watched, overdue: datetime | None, known: Known
) -> tuple[int | None, Absence | None]:
    """As :func:`_of_one`. It is over once nothing is waited for any more: its keys were revoked or have expired."""
    told = known.absences.get(one.id)
    if overdue is not None:
        return 2, told or Absence(overdue, None, never=True)
    if told is not None and known.severities.get(one.id) and one.awaited_since is None:
        return 0, told
    return None, told


def _of_one(
    one: Watched, stands: Heard, known: Known, now: datetime, rule: SilenceRule
) -> tuple[int | None, Absence | None]:
    """(what to tell, or None to leave it as it is; its absence)."""
    told, severity = known.absences.get(one.id), known.severities.get(one.id, 0)
    if stands in {Heard.LATE, Heard.SILENT} and one.heard_at is not None:
        absence = told or Absence(one.heard_at, one.newest_taken_at)
        now_told = 2 if stands is Heard.SILENT else 1
        return max(now_told, severity), replace(absence, again_at=None)
    if told is None or not severity:
        return None, None
    if one.heard_at is None or one.heard_at <= told.heard_at:
        return None, told  # only being heard ends it: not a clock that went back, nor a maintenance
    again = told.again_at or now
    caught_up = one.newest_taken_at is not None and now - one.newest_taken_at <= one.interval + rule.grace
    if caught_up or now - again >= rule.grace or now < again:
        return 0, replace(told, again_at=again)
    return None, replace(told, again_at=again)


def _new_group(
    place: Mapping[int, Watched], quiet: _Quiet, rule: SilenceRule, *, fleet: bool
) -> Group | None:
    """Instruments of a place that fell silent at one time, when all (or the share of the rule) did."""
    missing = [one for one in place.values() if one.id in quiet.missed]
    if len(missing) < TOGETHER:
        return None
    last = _last_heard(missing)
    together = [one for one in missing if _due(one, rule) >= last]
    if len(together) < TOGETHER or not any(one.id in quiet.told for one in together):
        return None
    if fleet and len({one.site for one in together}) < TOGETHER:
        return None
    others = len(place) - len(missing) if fleet else _speaking(place, missing, last)
    if len(together) < rule.share * (len(together) + others):
        return None
    return Group(frozenset(one.id for one in together), last)


def _next_group(
    place: Mapping[int, Watched], quiet: _Quiet, before: Group, now: datetime, rule: SilenceRule
) -> Group:
    """A group goes on until all of it are back, also those that were back and fell silent once more."""
    left = [place[i] for i in before.members & place.keys() if _is_gone(place[i], quiet, before)]
    if not left:
        return Group(before.members, before.last, 0)
    last = max(before.last, _last_heard(left))
    joining = [
        one
        for one in place.values()
        if one.id in quiet.missed and one.id not in before.members and _due(one, rule) >= last
    ]
    missing = [*left, *joining]
    others = _speaking(place, missing, _last_heard(missing))
    if len(missing) >= TOGETHER and len(missing) >= rule.share * (len(missing) + others):
        return Group(before.members | {one.id for one in missing}, before.last)
    remaining = frozenset(one.id for one in left)
    if before.severity == 1:
        return Group(remaining, before.last, 1)
    since = before.back_since or now
    settled = max(one.interval for one in left) + rule.grace
    if now - since >= settled or now < since:
        return Group(remaining, before.last, 1)
    return Group(
        before.members, before.last, 2, since
    )  # the others get their turn before it is told who is left


def _is_gone(one: Watched, quiet: _Quiet, group: Group) -> bool:
    """Back is only who was heard since, and whose own silence is over."""
    not_heard = one.heard_at is not None and one.heard_at <= group.last
    return not_heard or one.id in quiet.missed or one.id in quiet.open


def _due(one: Watched, rule: SilenceRule) -> datetime:
    """When its next post was due at the latest: who was overdue before the others fell silent is no part of it."""
    assert one.heard_at is not None
    return one.heard_at + one.interval + rule.grace


def _last_heard(some: Iterable[Watched]) -> datetime:
    return max(one.heard_at for one in some if one.heard_at is not None)


def _speaking(place: Mapping[int, Watched], missing: Iterable[Watched], last: datetime) -> int:
    """How many were heard since the others fell silent; whose next post is not due yet says nothing either way."""
    gone = {one.id for one in missing}
    return sum(1 for o in place.values() if o.id not in gone and o.heard_at is not None and o.heard_at > last)
