"""Every sentence of a finding, from its numbers."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from app.domain.findings import Trend
from app.domain.judging.reporting import sentences
from app.domain.judging.reporting.sentences import Reference
from app.domain.writing import duration, interval, local_time, signed, written

AT = datetime(2026, 3, 1, 23, 30, tzinfo=UTC)
HERE, UTC_ZONE = ZoneInfo("CET"), ZoneInfo("UTC")
SAMPLE, MONTH = Reference(AT, HERE), Reference(None, HERE)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (
            sentences.level("H₂", 1234.5, 100.0, "the 90th percentile", "age unknown"),
            "H₂ 1234.5 µL/L is above the 90th percentile of 100 µL/L (age unknown).",
        ),
        (
            sentences.undecided("C₂H₂", 5.0, 0.5),
            "C₂H₂ is below a detection limit of 5 µL/L, which is above its norm of 0.5 µL/L: it cannot be judged.",
        ),
        (
            sentences.delta("H₂", 55.04, 40.0, SAMPLE),
            "H₂ rose by 55 µL/L against the sample of 2026-03-02 (the norm is 40 µL/L).",
        ),
        (
            sentences.delta("H₂", 55.0, 40.0, Reference(AT, UTC_ZONE)),
            "H₂ rose by 55 µL/L against the sample of 2026-03-01 (the norm is 40 µL/L).",
        ),
        (
            sentences.delta("H₂", 55.0, 40.0, Reference(AT, HERE, below=5.0)),
            "H₂ rose by at least 55 µL/L against the sample of 2026-03-02, which was below 5 µL/L (the norm "
            "is 40 µL/L).",
        ),
        (
            sentences.delta("C₂H₂", 0.8, None, MONTH),
            "C₂H₂ rose by 0.8 µL/L against the mean of the month that ended a month before "
            "(any increase that can be measured counts).",
        ),
        (
            sentences.rate("H₂", 63.827, 20.0, "4 samples", 356.2),
            "The multi-point rate of H₂ is 63.8 µL/L a year over 4 samples in 356 days (the norm is 20 µL/L a year).",
        ),
        (
            sentences.rate("C₂H₂", 1.25, None, "99 daily medians", 130.0),
            "The multi-point rate of C₂H₂ is 1.25 µL/L a year over 99 daily medians in 130 days "
            "(any increase that can be measured counts).",
        ),
        (
            sentences.extreme_level("C₂H₆", 1200.0, 1000.0),
            "C₂H₆ stands at 1200 µL/L, which is extreme (from 1000 µL/L on): investigate at once.",
        ),
        (
            sentences.extreme_delta("C₂H₂", 40.0, 35.0, MONTH),
            "C₂H₂ rose by 40 µL/L against the mean of the month that ended a month before, which is extreme "
            "(from 35 µL/L "
            "on): investigate at once.",
        ),
        (
            sentences.confirmed(AT, HERE),
            "This sample confirms the change that the sample of 2026-03-02 showed.",
        ),
        (
            sentences.refuted(AT, HERE),
            "This sample does not confirm the sample of 2026-03-02, which takes no part in later changes and rates.",
        ),
        (sentences.confirm(2), "The change is not confirmed yet: take a confirmation sample within a month."),
        (
            sentences.past_pace("H₂", Trend(14.2, None, None, 0.001, 8, 900.0, True, "2015-01-01")),
            "Over the record since 2015-01-01 as a whole H₂ rose by 14 µL/L a year, before it came to rest.",
        ),
        (sentences.confirm(3), "The change is not confirmed yet: take a confirmation sample within days."),
        (sentences.confirm(4), "The change is not confirmed yet: take a confirmation sample at once."),
        (
            sentences.extreme_level("C₂H₆", 1200.0, 1000.0, 3),
            "C₂H₆ stands at 1200 µL/L, which is extreme (from 1000 µL/L on): investigate within days.",
        ),
        (sentences.CONFIRM_ONLINE, "The change is new: it counts when readings a day later still show it."),
        (
            sentences.DROPPED,
            "A later sample did not confirm this one; it takes no part in later changes and rates.",
        ),
        (sentences.new_gas("since_reference", online=False), "new gas since the last believed sample"),
        (
            sentences.new_gas("since_reference", online=True),
            "new gas against the mean of the month that ended a month before",
        ),
        (sentences.new_gas("since_baseline", online=True), "new gas since the baseline"),
    ],
)
def test_a_sentence(said: str, words: str) -> None:
    assert said == words


@pytest.mark.parametrize(
    ("value", "digits", "words"),
    [(0.0, 3, "+0"), (12.345, 3, "+12.3"), (-0.5, 3, "-0.5"), (2600.4, 3, "+2600"), (0.00004, 3, "+0.00004")],
)
def test_a_change_carries_its_sign(value: float, digits: int, words: str) -> None:
    assert signed(value, digits) == words
    assert written(value, digits) == words.removeprefix("+")


def test_times_and_lengths_of_time() -> None:
    assert local_time(AT, HERE) == "2026-03-02 00:30 CET"
    lengths = [
        duration(AT - AT.replace(day=1, hour=h, minute=m)) for h, m in ((23, 30), (22, 45), (20, 30), (20, 0))
    ]
    assert lengths == ["0 min", "45 min", "3 h", "3 h 30 min"]
    assert duration(AT - datetime(2026, 2, 26, 19, 30, tzinfo=UTC)) == "3 days 4 h"


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (-0.0097, 14.2, "0 to 14"),
        (-2.4, 18.4, "-2 to 18"),
        (123.4, 2345.0, "100 to 2300"),
        (-0.004, 0.0123, "-0.004 to 0.012"),
        (0.0, 0.0, "0 to 0"),
    ],
)
def test_both_ends_of_an_interval_are_as_fine_as_the_larger_bears(
    low: float, high: float, words: str
) -> None:
    assert interval(low, high) == words
