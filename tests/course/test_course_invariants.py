"""What must hold for any unit's course: diligence is not punished, nothing eases by itself, units do not matter."""

from collections.abc import Sequence
from decimal import Decimal
from itertools import pairwise
from typing import Final

import numpy as np
from engine_cast import judge
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from app.domain.findings import Assessment
from app.domain.judging.norms import span_column
from app.domain.judging.report import ReportOptions, report
from app.intake.units import UNITS, conversion
from app.science.quantities import FAULT_GASES, NORM_GASES

Course = list[tuple[float, dict[str, float]]]
"""(day, gases) of a laboratory's samples, oldest first."""
BRIEF: Final = ReportOptions(draws=20)
FIRST: Final = {"h2": 20.0, "ch4": 20.0, "c2h6": 20.0, "c2h4": 10.0, "c2h2": 0.5, "co": 300.0, "co2": 3000.0}
BACKGROUND: Final = {"o2": 1500.0, "n2": 55_000.0}
GRAVE: Final = 3
STEPS: Final = (1.0, 1.0, 1.0, 1.04, 0.96, 1.15, 1.5, 3.0, 10.0, 0.8, 0.2)
TWO_MONTHS: Final = 60.0


def gravity(assessment: Assessment) -> int:
    assert assessment.course is not None
    return assessment.course.gravity


def told(course: Sequence[tuple[float, dict[str, float]]], row: int) -> Assessment:
    """What is said of one sample, as it was known then."""
    known = [(day, BACKGROUND | gases) for day, gases in course[: row + 1]]
    return report(judge(known, age=15.0), row, BRIEF)


@st.composite
def courses(draw: st.DrawFn, *, steps: tuple[float, ...] = STEPS, least: int = 1, most: int = 8) -> Course:
    """Levels from a quiet unit's to far above the norms, in steps of any kind, at any pace."""
    gases = {
        gas: round(level * draw(st.sampled_from((0.3, 1.0, 4.0, 30.0))), 2) for gas, level in FIRST.items()
    }
    day, found = 0.0, list[tuple[float, dict[str, float]]]()
    for _ in range(draw(st.integers(least, most))):
        found.append((day, dict(gases)))
        day += draw(st.sampled_from((2.0, 14.0, 30.0, 91.0, 183.0, 365.0)))
        moving = draw(st.sets(st.sampled_from(NORM_GASES)))
        step = draw(st.sampled_from(steps))
        gases = {g: round(min(v * step, 1e5), 2) if g in moving else v for g, v in gases.items()}
    return found


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(courses(), st.floats(0.05, 0.95))
def test_an_earlier_sample_of_the_same_value_never_lowers_gravity(course: Course, share: float) -> None:
    last, gases = course[-1]
    gap = min(last - course[-2][0] if len(course) > 1 else TWO_MONTHS, TWO_MONTHS)
    earlier = (last - max(gap * share, 0.5), dict(gases))
    # a first sample has nothing before it
    more = [(day + TWO_MONTHS, g) for day, g in [*course[:-1], earlier, course[-1]]]
    assert gravity(told(more, len(more) - 1)) >= gravity(told(course, len(course) - 1))


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(courses(steps=tuple(s for s in STEPS if s >= 1.0), least=2))
def test_nothing_grave_eases_while_no_gas_falls_but_by_a_quiet_year(course: Course) -> None:
    """A year in which nothing rises by more than measurement explains eases what stands high; nothing else does."""
    before = 0
    for row in range(len(course)):
        now = gravity(told(course, row))
        assert now >= before or before < GRAVE or _quiet_year(course[: row + 1])
        before = now


def _quiet_year(course: Course) -> bool:
    """Three samples over 350 days up to the last one, between whose ends no gas rose by more than 32 %."""
    last, gases = course[-1]
    begins = [n for n, (day, _) in enumerate(course) if day <= last - 350.0]
    if not begins or len(course) - begins[-1] < 3:
        return False
    first = course[begins[-1]][1]
    return all(gases[gas] <= 1.32 * first[gas] for gas in gases)


@st.composite
def curves(draw: st.DrawFn) -> tuple[Course, Course]:
    """A curve that never slows down, and the same curve with a sample in the middle of each interval.

    Where a rise has stopped, the six latest points of dense samples rightly see the end of it sooner.
    """
    every = draw(st.sampled_from((60.0, 91.0, 183.0)))
    paces = sorted(draw(st.lists(st.sampled_from((0.0, 0.02, 0.1, 0.5, 2.0)), min_size=5, max_size=9)))
    moving = draw(st.sets(st.sampled_from([g for g in FAULT_GASES if g != "c2h2"]), min_size=1))
    first = {g: v if g != "c2h2" else 0.2 for g, v in FIRST.items()}
    factor, coarse = 1.0, [(0.0, dict(first))]
    for number, pace in enumerate(paces, 1):
        factor += pace
        coarse.append((every * number, {g: v * factor if g in moving else v for g, v in first.items()}))
    dense: Course = [coarse[0]]
    for (day, gases), (later, after) in pairwise(coarse):
        dense += [((day + later) / 2, {g: (gases[g] + after[g]) / 2 for g in gases}), (later, after)]
    return coarse, dense


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(curves())
def test_denser_samples_of_the_same_curve_never_lower_the_status(pair: tuple[Course, Course]) -> None:
    """But for the step of the guide's own table: over 4 to 9 months it allows more than twice the rate of more,
    so six dense points within nine months may keep to it where six of a longer time do not."""
    coarse, dense = pair
    for row in range(2, len(coarse)):
        assume(coarse[row][0] - coarse[0][0] >= 4 * 30.5)
        few, many = told(coarse, row), told(dense, 2 * row)
        assert few.status is not None
        assert many.status is not None
        if span_of(few) == span_of(many):
            assert many.status >= few.status, f"day {coarse[row][0]:.0f}"


def span_of(assessment: Assessment) -> int:
    """The column of Table 4 that the rates of a sample are judged by."""
    return max((int(span_column(np.array([r.span_days]))[0]) for r in assessment.rates.values()), default=0)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(courses(most=5), st.sampled_from(sorted(UNITS["h2"])))
def test_the_unit_of_a_file_changes_nothing(course: Course, unit: str) -> None:
    def through(gas: str, value: float) -> float:
        bring = conversion(gas, unit, 0.0)
        return bring.own(float(Decimal(str(value)) / Decimal(str(bring.factor))))

    foreign = [(day, {gas: through(gas, value) for gas, value in gases.items()}) for day, gases in course]
    row = len(course) - 1
    own, other = told(course, row), told(foreign, row)
    assert (other.status, other.suspect, other.course and other.course.state) == (
        own.status,
        own.suspect,
        own.course and own.course.state,
    )
    assert gravity(other) == gravity(own)
    assert [(f.rule, f.quantity) for f in other.findings] == [(f.rule, f.quantity) for f in own.findings]


def test_the_courses_hold_what_they_are_meant_to() -> None:
    """A grave course, so that the invariants above do not hold of quiet units alone."""
    course: Course = [(180.0 * i, dict(FIRST)) for i in range(4)]
    course += [(560.0, FIRST | {"c2h4": 900.0, "ch4": 700.0}), (570.0, FIRST | {"c2h4": 930.0, "ch4": 720.0})]
    assert gravity(told(course, 3)) <= 1
    assert gravity(told(course, 5)) == 4
