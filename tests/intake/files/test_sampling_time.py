"""When a sample was taken: declared formats, ambiguous dates told, real dates of workbooks, offsets."""

from datetime import UTC, date, datetime
from datetime import time as time_of_day

import pytest
from pydantic import ValidationError

from app.intake.files.grid import Cell
from app.intake.files.profile import SamplingTime
from app.intake.files.sampling_time import NoTimeError, TimeReader


def reader(*formats: str, zone: str = "UTC", assumed: str | None = None) -> TimeReader:
    return TimeReader(SamplingTime(date="D", time="T", formats=formats, assumed_time=assumed, zone=zone))


def naive(text: str) -> datetime:
    return datetime.fromisoformat(text)


BOTH = ("%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M")


def test_a_date_that_two_declared_formats_read_differently_is_refused_with_both_meanings() -> None:
    with pytest.raises(NoTimeError) as caught:
        reader(*BOTH).read("10/09/2016", "08:00")
    assert str(caught.value) == (
        "'10/09/2016 08:00' may be 10 September 2016 or 9 October 2016; write it so that only one is possible,"
        " or declare one format in the profile"
    )


@pytest.mark.parametrize(
    ("text", "day"),
    [("25/09/2016", "2016-09-25"), ("09/25/2016", "2016-09-25"), ("09/09/2016", "2016-09-09")],
)
def test_a_date_that_can_mean_one_day_only_is_taken(text: str, day: str) -> None:
    assert reader(*BOTH).read(text, "08:00") == naive(f"{day} 08:00")


@pytest.mark.parametrize(
    ("when", "clock", "taken"),
    [
        (date(2026, 2, 3), time_of_day(10, 15), "2026-02-03 10:15"),
        (naive("2026-02-03 00:00"), time_of_day(10, 15, 30), "2026-02-03 10:15:30"),
        (naive("2026-02-03 10:15"), "", "2026-02-03 10:15"),
        (date(2026, 2, 3), "10:15", "2026-02-03 10:15"),
        ("03/02/2026", time_of_day(10, 15), "2026-02-03 10:15"),
        (date(2026, 2, 3), naive("1899-12-31 10:15"), "2026-02-03 10:15"),
    ],
)
def test_real_dates_and_times_of_a_workbook_go_with_texts(when: Cell, clock: Cell, taken: str) -> None:
    assert reader("%d/%m/%Y %H:%M").read(when, clock) == naive(taken)


@pytest.mark.parametrize(
    ("when", "clock", "says", "of_the_clock"),
    [
        (46056.0, "", "'46056' is no date but a number", False),
        (time_of_day(10, 15), "", "is no date but a number or a time of day", False),
        (date(2026, 2, 3), "", "says no time of day; write it", True),
        (date(2026, 2, 3), 0.5, "'0.5' is not a time of day", True),
        (date(2026, 2, 3), "noon", "'noon' is not a time of day", True),
        ("2026-02-03", time_of_day(1), "'2026-02-03' is not a date", False),
        ("", "", "is empty; write when the sample was taken", False),
    ],
)
def test_what_says_no_time(when: Cell, clock: Cell, says: str, of_the_clock: bool) -> None:
    with pytest.raises(NoTimeError, match=says.replace(".", r"\.")) as caught:
        reader("%d/%m/%Y %H:%M").read(when, clock)
    assert caught.value.of_the_clock is of_the_clock


def test_a_day_alone_is_taken_at_the_declared_hour_text_or_real() -> None:
    days = reader("%d.%m.%Y", assumed="12:00")
    assert days.read("03.02.2026", "") == days.read(date(2026, 2, 3), "") == naive("2026-02-03 12:00")


def test_an_offset_is_read_where_it_is_declared_and_a_real_date_has_none() -> None:
    offset = reader("%Y-%m-%dT%H:%M%z", zone="offset")
    assert offset.read("2026-02-03T10:15+02:00", "").astimezone(UTC) == datetime(
        2026, 2, 3, 8, 15, tzinfo=UTC
    )
    with pytest.raises(NoTimeError, match="a real date has no UTC offset"):
        offset.read(date(2026, 2, 3), "")


@pytest.mark.parametrize(
    ("formats", "zone", "says"),
    [
        (("%d.%m.%Y",), "UTC", "needs assumed_time"),
        (("%d.%m.%Y %H:%M%z",), "UTC", "go together"),
        (("%d.%m.%Y %H:%M",), "offset", "go together"),
    ],
)
def test_formats_and_zone_must_fit(formats: tuple[str, ...], zone: str, says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        reader(*formats, zone=zone)
