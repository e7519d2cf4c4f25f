"""Every course is told as was expected of it before anybody looked; the parts that tell courses do as they say."""

from pathlib import Path

import pytest
from course_list import COURSES
from course_model import Seen, alarm_never_eases, gravity_at_least, no_alarm, state_by
from course_stage import broken, play_on_copy
from course_table import changing, table
from fleet_cast import PROJECT

BY_NAME = {course.name: course for course in COURSES}


@pytest.mark.parametrize("name", list(BY_NAME))
def test_a_course_is_told_as_expected(name: str, migrated_sqlite: Path) -> None:
    course = BY_NAME[name]
    wrong = [f"{words}: {what}" for _, words, what in broken(course, play_on_copy(course, migrated_sqlite))]
    assert wrong == []


def test_every_twin_is_a_course_and_no_name_stands_twice() -> None:
    assert len(BY_NAME) == len(COURSES)
    assert {course.twin for course in COURSES} <= {None, *BY_NAME}


def test_the_page_of_courses_has_them_all() -> None:
    page = (PROJECT / "docs" / "courses.md").read_text(encoding="utf-8")
    assert [line.removeprefix("## ") for line in page.splitlines() if line.startswith("## ")] == list(BY_NAME)
    assert "Not as expected" not in page


def _seen(number: int, severity: int, gravity: int | None = None, state: str | None = None) -> Seen:
    at = BY_NAME["first_quiet"].moves[0].at
    alerts = {"gassing": severity} if severity else {}
    return Seen(number, at, "sample", alerts=alerts, gravity=gravity, state=state, mails=("a mail",))


def test_expectations_that_are_not_met_say_so() -> None:
    eased = [_seen(0, 0), _seen(1, 3, 3, "confirmed"), _seen(2, 2, 2, "quiet")]
    assert "severity 2 after 3" in alarm_never_eases().check(eased)
    assert alarm_never_eases(last=1).check(eased) == ""
    assert "gravity is not told" in gravity_at_least(1, 0).check(eased)
    assert "gravity 2" in gravity_at_least(3, 1).check(eased)
    assert no_alarm(4).check(eased) == ""
    assert "gassing" in no_alarm(3).check(eased)
    assert state_by(0, frozenset({"confirmed"})).check(eased).startswith("never")
    assert state_by(1, frozenset({"confirmed"})).check(eased) == ""


def test_the_table_shows_where_something_changes() -> None:
    course = BY_NAME["first_quiet"]
    seen = [_seen(0, 0), _seen(1, 0), _seen(2, 3, 3)]
    quiet = [seen[0], Seen(1, seen[0].at, "sample"), seen[2]]
    assert [one.number for one in changing(quiet)] == [0, 2]
    lines = list(table(course, quiet))
    assert any("gassing 3" in line for line in lines)
    assert lines[-1].startswith("\nNot as expected")
