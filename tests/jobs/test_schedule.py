"""When duties are due: each in its time, the longest overdue first, also after the clock was set back."""

from datetime import datetime, timedelta

from fleet_cast import T0

from app.jobs.schedule import Duty, Schedule

SECOND = timedelta(seconds=1)


def schedule(**every: int) -> Schedule:
    return Schedule([Duty(name, seconds * SECOND, lambda _now: None) for name, seconds in every.items()])


def taken(of: Schedule, at: datetime) -> list[str]:
    names = []
    while duty := of.take(at):
        names.append(duty.name)
    return names


def test_all_are_due_at_first_and_then_each_in_its_time() -> None:
    of = schedule(quick=5, slow=60)
    assert taken(of, T0) == ["quick", "slow"]
    assert taken(of, T0 + 4 * SECOND) == []
    assert taken(of, T0 + 5 * SECOND) == ["quick"]
    assert taken(of, T0 + 60 * SECOND) == ["quick", "slow"]


def test_the_longest_overdue_comes_first_so_that_none_starves() -> None:
    of = schedule(quick=5, slow=60)
    taken(of, T0)
    now, names = T0, []
    for _ in range(20):  # each takes ten seconds
        now += 10 * SECOND
        duty = of.take(now)
        assert duty is not None
        names.append(duty.name)
    assert [i for i, name in enumerate(names) if name == "slow"] == [6, 13]  # a turn late, each time


def test_a_clock_that_was_set_back_makes_them_due_and_not_late_by_hours() -> None:
    of = schedule(quick=5)
    taken(of, T0)
    assert taken(of, T0 - timedelta(hours=3)) == ["quick"]
    assert taken(of, T0 - timedelta(hours=3) + 4 * SECOND) == []


def test_what_could_not_be_done_is_due_at_once() -> None:
    of = schedule(rare=3600)
    (duty,) = (of.take(T0),)
    assert duty is not None
    assert of.take(T0 + SECOND) is None
    of.put_back(duty)
    assert of.take(T0 + SECOND) is duty
