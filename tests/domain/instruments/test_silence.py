"""Late, silent, back; together or alone; never because of a clock, a maintenance or the service's own absence.

The figures of the rule are common practice, no source; what is checked here is that they are kept.
"""

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from fleet_cast import T0
from hypothesis import given, settings
from hypothesis import strategies as st

from app.domain.instruments.silence import (
    UNKNOWN_INTERVAL,
    Absence,
    Group,
    Heard,
    Known,
    Picture,
    SilenceRule,
    Watched,
    heard,
    learnt_interval,
    look,
)

RULE = SilenceRule()
HOUR = timedelta(hours=1)
MINUTE = timedelta(minutes=1)


def monitor(number: int, heard_at: datetime | None, site: int = 1, hours: float = 4.0) -> Watched:
    return Watched(number, site, hours * HOUR, heard_at, heard_at)


def learn(known: Known, picture: Picture) -> Known:
    """What is known once a picture was told."""
    severities = {**known.severities, **picture.severities}
    return Known(
        {i: a for i, a in picture.absences.items() if severities.get(i)},
        severities,
        {key: group for key, group in picture.groups.items() if group.severity},
    )


class Told:
    """Looks again and again, as the service does, and keeps what it was told."""

    def __init__(self, rule: SilenceRule = RULE) -> None:
        self.known = Known()
        self.rule = rule

    def look(self, some: list[Watched], now: datetime, since: datetime | None = None) -> Picture:
        picture = look(some, self.known, now, self.rule, since)
        self.known = learn(self.known, picture)
        return picture

    def group(self, key: int | None) -> Group | None:
        return self.known.groups.get(key)


@pytest.mark.parametrize(
    ("after", "stands"),
    [
        (8 * HOUR + 15 * MINUTE, Heard.ON_TIME),
        (8 * HOUR + 16 * MINUTE, Heard.LATE),
        (16 * HOUR + 15 * MINUTE, Heard.LATE),
        (16 * HOUR + 16 * MINUTE, Heard.SILENT),
        (-5 * HOUR, Heard.ON_TIME),
    ],
)
def test_late_after_two_intervals_and_silent_after_four(after: timedelta, stands: Heard) -> None:
    assert heard(monitor(1, T0), T0 + after, RULE) is stands


def test_a_fast_instrument_is_silent_after_an_hour_at_the_earliest() -> None:
    fast = monitor(1, T0, hours=1 / 60)
    assert heard(fast, T0 + 18 * MINUTE, RULE) is Heard.LATE
    assert heard(fast, T0 + 60 * MINUTE, RULE) is Heard.LATE
    assert heard(fast, T0 + 61 * MINUTE, RULE) is Heard.SILENT


def test_one_never_heard_and_one_in_maintenance_are_not_told() -> None:
    some = [monitor(1, None), replace(monitor(2, T0), maintenance=True)]
    picture = look(some, Known(), T0 + 400 * HOUR, RULE)
    assert picture == Picture({}, {}, {})
    assert [heard(one, T0 + 400 * HOUR, RULE) for one in some] == [Heard.NEVER, Heard.MAINTENANCE]


def test_one_that_has_a_key_and_was_never_heard_is_told_after_a_week() -> None:
    told = Told()
    one = replace(monitor(1, None), awaited_since=T0)
    assert told.look([one], T0 + 168 * HOUR) == Picture({}, {}, {})
    late = told.look([one], T0 + 168 * HOUR + MINUTE)
    assert late == Picture({1: 2}, {1: Absence(T0, None, never=True)}, {})
    assert told.look([one], T0 + 1000 * HOUR) == late
    first = replace(monitor(1, T0 + 1001 * HOUR), awaited_since=T0)
    back = told.look([first], T0 + 1001 * HOUR + MINUTE)
    assert back.severities == {1: 0}
    assert told.look([first], T0 + 1001 * HOUR + 2 * MINUTE) == Picture({}, {}, {})


def test_one_is_not_waited_for_without_a_key_nor_while_it_is_worked_on() -> None:
    told = Told()
    one = replace(monitor(1, None), awaited_since=T0)
    worked_on = replace(one, excused_until=T0 + 400 * HOUR)
    assert told.look([worked_on], T0 + 568 * HOUR) == Picture({}, {}, {})
    assert told.look([replace(one, maintenance=True)], T0 + 9000 * HOUR) == Picture({}, {}, {})
    assert told.look([worked_on], T0 + 569 * HOUR).severities == {1: 2}
    assert told.look([replace(one, awaited_since=None)], T0 + 570 * HOUR).severities == {1: 0}
    assert told.look([replace(one, awaited_since=None)], T0 + 571 * HOUR) == Picture({}, {}, {})


def test_a_slow_instrument_gets_four_intervals_and_a_service_that_was_down_one_to_begin() -> None:
    slow = replace(monitor(1, None, hours=720.0), awaited_since=T0)
    assert look([slow], Known(), T0 + 2880 * HOUR, RULE).severities == {}
    assert look([slow], Known(), T0 + 2881 * HOUR, RULE).severities == {1: 2}
    fast = replace(monitor(1, None), awaited_since=T0)
    up = T0 + 400 * HOUR
    assert look([fast], Known(), up + 4 * HOUR, RULE, since=up).severities == {}
    assert look([fast], Known(), up + 5 * HOUR, RULE, since=up).severities == {1: 2}
    assert look([fast], Known(), T0 + 9000 * HOUR, replace(RULE, first=None)).severities == {}


def test_it_gets_its_interval_anew_after_a_maintenance() -> None:
    one = replace(monitor(1, T0), excused_until=T0 + 100 * HOUR)
    assert heard(one, T0 + 104 * HOUR, RULE) is Heard.ON_TIME
    assert heard(one, T0 + 104 * HOUR + 16 * MINUTE, RULE) is Heard.SILENT


def test_it_gets_its_interval_anew_after_the_service_did_not_listen() -> None:
    up = T0 + 100 * HOUR
    assert heard(monitor(1, T0), up + 4 * HOUR, RULE, since=up) is Heard.ON_TIME
    assert heard(monitor(1, T0), up + 4 * HOUR + 16 * MINUTE, RULE, since=up) is Heard.SILENT
    assert heard(monitor(1, up + HOUR), up + 10 * HOUR, RULE, since=up) is Heard.LATE


def test_late_then_silent_then_back_with_what_was_known_when_it_began() -> None:
    told = Told()
    assert told.look([monitor(1, T0)], T0 + 9 * HOUR).severities == {1: 1}
    assert told.look([monitor(1, T0)], T0 + 17 * HOUR).severities == {1: 2}
    back = told.look([monitor(1, T0 + 20 * HOUR)], T0 + 20 * HOUR + MINUTE)
    assert back.severities == {1: 0}
    assert back.absences[1] == Absence(T0, T0, T0 + 20 * HOUR + MINUTE)


def test_one_that_sends_its_backlog_first_is_back_when_it_has_caught_up() -> None:
    told = Told()
    told.look([monitor(1, T0)], T0 + 17 * HOUR)
    begun = Watched(1, 1, 4 * HOUR, T0 + 20 * HOUR, T0 + 4 * HOUR)
    assert told.look([begun], T0 + 20 * HOUR + MINUTE).severities == {}
    done = Watched(1, 1, 4 * HOUR, T0 + 20 * HOUR + 2 * MINUTE, T0 + 20 * HOUR)
    assert told.look([done], T0 + 20 * HOUR + 3 * MINUTE).severities == {1: 0}


def test_one_whose_own_clock_is_wrong_is_back_after_the_grace() -> None:
    told = Told()
    told.look([monitor(1, T0)], T0 + 17 * HOUR)
    odd = Watched(1, 1, 4 * HOUR, T0 + 20 * HOUR, T0 - 9000 * HOUR)
    assert told.look([odd], T0 + 20 * HOUR + MINUTE).severities == {}
    assert told.look([odd], T0 + 20 * HOUR + 17 * MINUTE).severities == {1: 0}


def test_only_being_heard_ends_a_silence() -> None:
    for change in (
        {"maintenance": True},
        {"excused_until": T0 + 16 * HOUR},
        {},  # the clock goes back
    ):
        told = Told()
        told.look([monitor(1, T0)], T0 + 17 * HOUR)
        picture = told.look([replace(monitor(1, T0), **change)], T0 + (17 if change else -3) * HOUR)
        assert picture.severities in ({}, {1: 2})
        assert told.known.severities[1] == 2


def site(last: datetime, count: int = 5, of: int = 1, hours: float = 4.0) -> list[Watched]:
    """Instruments of a site that was cut off at ``last``: each was heard at its own turn in the interval before."""
    return [
        monitor(of * 100 + i, last - i * hours * HOUR / count, site=of, hours=hours) for i in range(count)
    ]


def first_told(some: list[Watched]) -> datetime:
    """When the first of them is late."""
    return min(o.heard_at for o in some if o.heard_at) + 2 * some[0].interval + RULE.grace + MINUTE


def test_a_site_that_falls_silent_is_one_group_before_the_second_is_late() -> None:
    some = site(T0)
    told = Told()
    assert told.look(some, first_told(some) - 2 * MINUTE) == Picture({}, {}, {})
    picture = told.look(some, first_told(some))
    assert len(picture.severities) == 1
    assert picture.groups == {1: Group(frozenset(o.id for o in some), T0)}
    for hours in range(10, 60, 3):
        told.look(some, T0 + hours * HOUR)
    assert told.group(1) == picture.groups[1]


def test_fast_ones_are_a_group_before_the_slow_ones_are_due_and_these_join_it() -> None:
    fast = [monitor(i, T0 - i * MINUTE, hours=1 / 6) for i in range(3)]
    slow = [monitor(10 + i, T0 - i * HOUR) for i in range(3)]
    told = Told()
    told.look([*fast, *slow], T0 + 40 * MINUTE)
    assert told.group(1) == Group(frozenset({0, 1, 2}), T0)
    for minutes in range(45, 600, 5):
        told.look([*fast, *slow], T0 + minutes * MINUTE)
    assert told.group(1) == Group(frozenset({0, 1, 2, 10, 11, 12}), T0)


def test_one_that_was_told_alone_is_part_of_the_group_that_comes_after() -> None:
    fast, slow = monitor(1, T0, hours=1 / 6), [monitor(10 + i, T0 - i * HOUR) for i in range(3)]
    told = Told()
    assert told.look([fast, *slow], T0 + 40 * MINUTE).severities == {1: 1}
    assert told.group(1) is None
    told.look([fast, *slow], T0 + 6 * HOUR + 30 * MINUTE)
    assert told.group(1) == Group(frozenset({1, 10, 11, 12}), T0)


def test_two_of_three_are_told_alone_and_four_of_five_together() -> None:
    for count, grouped in ((3, False), (5, True)):
        some = site(T0, count)
        now = T0 + 12 * HOUR
        some[0] = monitor(some[0].id, now - HOUR)
        assert (1 in look(some, Known(), now, RULE).groups) is grouped


def test_one_that_was_silent_before_is_no_part_of_the_group_and_does_not_keep_it_open() -> None:
    long_gone = monitor(900, T0 - 500 * HOUR)
    some = site(T0)
    told = Told()
    told.look([*some, long_gone], T0 + 9 * HOUR)
    assert told.group(1) == Group(frozenset(o.id for o in some), T0)
    now = T0 + 30 * HOUR
    told.look([*(monitor(o.id, now) for o in some), long_gone], now + MINUTE)
    assert told.group(1) is None
    assert told.known.severities[900] == 2


def test_a_group_eases_to_those_remaining_once_all_had_their_turn_and_ends_with_the_last() -> None:
    some = site(T0)
    told = Told()
    told.look(some, T0 + 17 * HOUR)
    everyone = frozenset(o.id for o in some)
    back = T0 + 20 * HOUR
    partly = [monitor(o.id, back) if i < 3 else o for i, o in enumerate(some)]
    told.look(partly, back + MINUTE)
    waiting = told.group(1)
    assert waiting is not None
    assert (waiting.severity, waiting.members) == (2, everyone)
    now = back + 4 * HOUR + 20 * MINUTE
    partly = [monitor(o.id, now) if i < 3 else o for i, o in enumerate(some)]
    told.look(partly, now)
    assert told.group(1) == Group(frozenset({103, 104}), T0, 1)
    told.look([monitor(o.id, now + HOUR) for o in some], now + HOUR + MINUTE)
    assert told.group(1) is None
    assert not any(told.known.severities.values())


def test_a_group_whose_members_all_come_back_in_their_turn_never_eases() -> None:
    some = site(T0)
    told = Told()
    told.look(some, T0 + 17 * HOUR)
    begin = T0 + 20 * HOUR
    seen = set()
    for step in range(0, 5 * 60, 5):
        now = begin + step * MINUTE
        turns = [begin + i * 48 * MINUTE for i in range(5)]
        now_heard = [monitor(o.id, turns[i]) if turns[i] <= now else o for i, o in enumerate(some)]
        told.look(now_heard, now)
        group = told.group(1)
        seen.add(group.severity if group else 0)
    assert seen == {2, 0}


def test_the_whole_fleet_is_one_group_over_those_of_the_sites() -> None:
    some = [one for number in range(1, 5) for one in site(T0, 3, of=number)]
    picture = look(some, Known(), first_told(some), RULE)
    assert set(picture.groups) == {1, 2, 3, 4, None}
    assert picture.groups[None].members == {o.id for o in some}


def test_one_site_of_several_is_not_the_fleet() -> None:
    now = T0 + 9 * HOUR
    some = [*site(T0), *(monitor(200 + i, now - HOUR, site=2) for i in range(5))]
    assert set(look(some, Known(), now, RULE).groups) == {1}


def test_a_restart_of_the_service_does_not_end_a_group() -> None:
    some = site(T0)
    told = Told()
    told.look(some, T0 + 17 * HOUR)
    before = told.group(1)
    told.look(some, T0 + 20 * HOUR, since=T0 + 20 * HOUR)
    assert told.group(1) == before


def test_an_interval_is_learnt_as_the_median_and_not_from_a_few() -> None:
    even = [T0 + i * HOUR for i in range(10)]
    assert learnt_interval(even) == HOUR
    assert learnt_interval([*even, T0 + 500 * HOUR]) == HOUR
    assert learnt_interval(even[:4]) == UNKNOWN_INTERVAL


ages = st.floats(min_value=-50, max_value=400).map(lambda hours: hours * HOUR)
fleets = st.lists(
    st.builds(
        Watched,
        id=st.integers(0, 10_000),
        site=st.integers(1, 3),
        interval=st.floats(min_value=1 / 60, max_value=48).map(lambda hours: hours * HOUR),
        heard_at=st.one_of(st.none(), ages.map(lambda age: T0 - age)),
        newest_taken_at=st.one_of(st.none(), ages.map(lambda age: T0 - age)),
        maintenance=st.booleans(),
        excused_until=st.one_of(st.none(), ages.map(lambda age: T0 - age)),
    ),
    max_size=12,
    unique_by=lambda one: one.id,
)


@given(some=fleets, since=st.one_of(st.none(), ages.map(lambda age: T0 - age)))
@settings(deadline=None, max_examples=300)
def test_looking_twice_tells_nothing_new(some: list[Watched], since: datetime | None) -> None:
    told = Told()
    told.look(some, T0, since)
    once = told.known
    told.look(some, T0, since)
    assert told.known == once


@given(some=fleets)
@settings(deadline=None, max_examples=300)
def test_who_is_heard_is_told_of_nothing_and_groups_hold_who_is_quiet(some: list[Watched]) -> None:
    picture = look(some, Known(), T0, RULE)
    by_id: Mapping[int, Watched] = {one.id: one for one in some}
    for number, severity in picture.severities.items():
        one = by_id[number]
        assert one.heard_at is not None
        assert not one.maintenance
        assert severity == 2 or T0 - one.heard_at > 2 * one.interval
    for key, group in picture.groups.items():
        assert len(group.members) >= 2
        for number in group.members:
            one = by_id[number]
            assert one.heard_at is not None
            assert T0 - one.heard_at > one.interval
            assert key is None or one.site == key


@given(
    some=fleets,
    jumps=st.lists(st.floats(min_value=-9000, max_value=9000).map(lambda h: h * HOUR), max_size=6),
)
@settings(deadline=None, max_examples=200)
def test_a_clock_that_jumps_tells_nothing_when_each_jump_is_taken_for_an_absence_of_the_service(
    some: list[Watched], jumps: list[timedelta]
) -> None:
    fresh = [replace(o, heard_at=T0, newest_taken_at=T0, maintenance=False, excused_until=None) for o in some]
    told = Told()
    for jump in jumps:
        assert told.look(fresh, T0 + jump, since=T0 + jump) == Picture({}, {}, {})
