"""What the course believes of changes, rates and levels that the guide's tables find above their norms."""

from collections.abc import Sequence

import numpy as np
import pytest
from engine_cast import QUIET, frame

from app.domain.judging.engine import Judgement, assess
from app.science.trends.rates import LineSums, line_through, slope_probability

BASE = {"h2": 20.0, "ch4": 117.0, "c2h6": 60.0, "c2h4": 30.0, "c2h2": 0.0, "co": 200.0, "co2": 2000.0}
"""Methane at 1.3 times Table 1 of a sealed unit of 10 to 30 years."""
HALF_YEAR = 182.0


def course(methane: Sequence[float], every: float = HALF_YEAR) -> Judgement:
    rows = [
        (i * every, {**QUIET, **BASE, "ch4": value, "co": 200.0 + i % 11}) for i, value in enumerate(methane)
    ]
    return assess(frame(rows))


def states(judged: Judgement) -> list[str]:
    return [str(judged.courses.state_of(row)) for row in range(len(judged.frame))]


@pytest.mark.parametrize("before", [1, 2, 4, 9])
def test_a_step_of_half_is_confirmed_by_the_next_sample(before: int) -> None:
    judged = course([117.0] * before + [175.5, 175.5])
    assert "confirmed" not in states(judged)[: before + 1]
    assert states(judged)[before + 1] == "confirmed"
    assert judged.courses.since[before + 1] == judged.frame.at[before]


def test_one_low_reference_makes_no_change() -> None:
    """The guide compares with the newest sample, which is 20 % too low here; the record shows the same as ever."""
    judged = course([117.0, 121.0, 112.0, 119.0, 116.0, 95.0, 128.0, 127.0, 118.0])
    assert judged.changes.confirmed[7]
    assert judged.changes.status[7] == 3
    assert "confirmed" not in states(judged)
    assert judged.courses.gravity[7] <= 2


def test_a_change_too_small_to_be_believed_at_once_is_looked_at_again() -> None:
    judged = course([117.0] * 8 + [155.0, 155.0, 155.5, 155.0])
    assert judged.changes.confirmed[9]
    assert states(judged)[9] != "confirmed"
    assert states(judged)[10] == "confirmed"
    assert judged.courses.since[10] == judged.frame.at[8]


def test_a_level_a_little_above_table_2_is_graver_once_it_is_sure() -> None:
    high = float(course([117.0]).levels.high[0, 1])
    judged = course([1.12 * high] * 2)
    assert list(judged.changes.status) == [3, 3]
    assert list(judged.courses.gravity) == [2, 3]


def test_far_above_table_2_is_as_grave_at_once() -> None:
    high = float(course([117.0]).levels.high[0, 1])
    assert course([1.2 * high]).courses.gravity[0] == 3


def test_the_probability_of_a_slope() -> None:
    """Five points on a line of one a year with known noise: 14 - 1 degrees of freedom."""
    day = 365.25 * np.linspace(0.0, 4.0, 5)
    sums = LineSums.terms(day, np.linspace(10.0, 14.0, 5)).sum(axis=0)
    line = line_through(LineSums(sums), 1.0)
    # s² = 10 / 13, the spread of the times 10 years², so t = 1 / sqrt(10 / 13 / 10) = 3.606
    assert slope_probability(line.per_year, line.low, 5) == pytest.approx(0.0016, abs=0.0001)
    assert np.isnan(slope_probability(1.0, np.nan, 2))
