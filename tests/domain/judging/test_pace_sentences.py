"""What is said of a pace and of where it leads: rounded to what it can bear, and never "inf"."""

from dataclasses import replace

import pytest

from app.domain.findings import Trend
from app.domain.judging.reporting.sentences import pace, reach
from app.domain.writing import length_of, time_ahead

RISING = Trend(
    per_year=12.34,
    low=8.21,
    high=17.9,
    p=0.001,
    points=9,
    span_days=700.0,
    rising=True,
    since="2026-10-18",
    next_limit=95.0,
)


@pytest.mark.parametrize(
    ("early", "late", "words"),
    [
        (125.0, 185.0, "in 4 to 7 months"),
        (14.2, 20.1, "in 14 to 21 days"),
        (0.0, 4.0, "within 4 days"),
        (0.4, 0.9, "within 1 day"),
        (30.0, 60.0, "in 4 to 9 weeks"),
        (5.0, 60.0, "within 9 weeks"),
        (800.0, 2600.0, "in 2 to 8 years"),
        (426.2, 426.2, "in 14 to 15 months"),
    ],
)
def test_a_time_ahead_is_rounded_outwards(early: float, late: float, words: str) -> None:
    assert time_ahead(early, late) == words


def test_a_length_is_rounded_down() -> None:
    assert [length_of(days) for days in (1.0, 20.0, 60.0, 300.0, 1200.0)] == [
        "1 day",
        "20 days",
        "8 weeks",
        "9 months",
        "3 years",
    ]


def test_a_rise_tells_its_pace_first_and_since_when() -> None:
    assert pace("C₂H₄", replace(RISING, days_to_limit=(125.0, 150.0, 185.0))) == (
        "C₂H₄ rises by 12 µL/L a year since 2026-10-18 (95 % between 8 and 18); at this pace it reaches 95 µL/L in "
        "4 to 7 months (80 %)."
    )


def test_where_no_forecast_can_be_borne_only_the_earliest_time_is_told() -> None:
    assert reach(replace(RISING, not_before_days=300.0)) == "95 µL/L not before 9 months from the sample on"
    assert reach(replace(RISING, not_before_days=0.4)) == ""
    assert reach(RISING) == ""
    assert pace("H₂", replace(RISING, low=None, high=None)) == "H₂ rises by 12 µL/L a year since 2026-10-18."
    faster = pace("H₂", replace(RISING, low=None, acceleration=3.0))
    assert faster == "H₂ rises by 12 µL/L a year since 2026-10-18; it is getting faster."
