"""Who samples more often is not punished for it: rates, deltas and what confirms them, over whole courses.

The guide (IEEE C57.104-2019, 6.1.1) takes the last six points and compares successive samples, whenever they were
taken. Where that would let a status fall because samples were taken often, the engine reads it otherwise; those
readings are ours.
"""

import numpy as np
import pytest
from engine_cast import QUIET, frame, judge, last, steady
from hypothesis import given, settings
from hypothesis import strategies as st

from app.domain.alerting.advice import urgency
from app.domain.alerting.shown import Speaker, of_assessment
from app.domain.judging.engine import Judgement, assess
from app.domain.judging.norms import LONGEST_SPAN_DAYS, norms_2019
from app.domain.judging.report import ReportOptions, report
from app.science.quantities import NORM_GASES

C2H4 = NORM_GASES.index("c2h4")
BRIEF = ReportOptions(detailed=False)


def line(days: list[float], per_year: float, gas: str = "c2h4", start: float = 3.0) -> Judgement:
    """A quiet unit of which one gas rises in a straight line."""
    return judge([(day, QUIET | {gas: start + per_year * day / 365.0}) for day in days], age=20.0)


def test_a_confirmed_sample_counts_in_the_rate_of_the_one_that_confirms_it() -> None:
    days, levels = (0.0, 180.0, 360.0, 390.0), (3.0, 3.0, 30.0, 31.0)
    judgement = judge([(d, QUIET | {"c2h4": v}) for d, v in zip(days, levels, strict=True)], age=20.0)
    changes = judgement.changes
    assert changes.confirmed.tolist() == [False, False, False, True]
    assert changes.rate_points[3, C2H4] == 4
    assert changes.rate[3, C2H4] == pytest.approx(np.polyfit(days, levels, 1)[0] * 365.0)


def test_a_refuted_sample_does_not_count() -> None:
    changes = judge(
        [(0.0, QUIET), (180.0, QUIET), (360.0, QUIET | {"c2h4": 30.0}), (390.0, QUIET), (500.0, QUIET)],
        age=20.0,
    ).changes
    assert changes.dropped.tolist() == [False, False, True, False, False]
    assert changes.rate_points[4, C2H4] == 4
    assert changes.rate[4, C2H4] == pytest.approx(0.0, abs=1e-9)


def test_six_points_of_a_few_weeks_reach_back_until_they_span_four_months() -> None:
    weekly = [7.0 * i for i in range(30)]
    changes = line(weekly, 12.0).changes
    assert changes.rate_span[-1, C2H4] >= 4 * 365.25 / 12
    assert changes.rate[-1, C2H4] == pytest.approx(12.0)
    assert changes.rate_exceeds[-1, C2H4]


def test_a_rise_too_slow_for_the_short_span_is_found_over_the_long_one_however_often_samples_come() -> None:
    """H2 +30 a year is above Table 4 for 10 to 24 months (20), not for 4 to 9 (50)."""
    yearly = line([0.0, 365.0, 700.0], 30.0, "h2", 10.0).changes
    monthly = line([30.0 * i for i in range(24)], 30.0, "h2", 10.0).changes
    assert yearly.status[-1] == monthly.status[-1] == 3
    assert monthly.rate_points[-1, 0] == 24
    assert monthly.rate_limit[-1, 0] == 20.0


def test_a_change_cut_into_small_ones_within_four_months_counts_as_one() -> None:
    """C2H4 +24 in three months: one delta above Table 3 (20), or six of 4."""
    once = line([0.0, 90.0], 24.0 * 365 / 90).changes
    often = line([15.0 * i for i in range(7)], 24.0 * 365 / 90).changes
    assert once.status.tolist() == [1, 2]
    assert often.status[-1] == 2
    assert often.delta[-1, C2H4] == pytest.approx(4.0), "against the last sample it is small"
    found = report(line([15.0 * i for i in range(7)], 24.0 * 365 / 90), 6, BRIEF)
    text = next(f.text for f in found.findings if f.rule == "delta")
    assert text.startswith("C₂H₄ rose by 24 µL/L against the sample of 2015-01-01")


RISES = st.tuples(*(st.floats(0.0, 3.0).map(lambda part: round(part, 2) + 0.00137) for _ in NORM_GASES))
"""Rates of the gases in parts of Table 4, never right at a limit."""


@settings(max_examples=150, deadline=None, derandomize=True)
@given(
    gaps=st.lists(st.integers(20, 700), min_size=1, max_size=7),
    between=st.lists(st.floats(0.02, 0.98), max_size=25),
    rises=RISES,
    oxygen=st.sampled_from([1000.0, 20_000.0]),
    start=st.floats(0.1, 1.5),
)
def test_denser_samples_of_the_same_straight_course_never_lower_a_status(
    gaps: list[int], between: list[float], rises: tuple[float, ...], oxygen: float, start: float
) -> None:
    """Gaps of up to 700 days: beyond two years the guide knows no rate, and only the delta is left."""
    side = 0 if oxygen < 10_000 else 1
    first = norms_2019().typical[side, 2] * start
    slope = norms_2019().rate[side, 1] * np.array(rises)
    slope[NORM_GASES.index("c2h2")] = rises[4]
    few = np.concatenate([[0.0], np.cumsum(gaps)]).astype(float)
    more = np.unique(np.concatenate([few, np.round(few[-1] * np.array(between), 1)]))

    def statuses(days: np.ndarray) -> np.ndarray:
        rows = first + slope * days[:, None] / 365.0
        samples = [
            (float(d), QUIET | dict(zip(NORM_GASES, map(float, r), strict=True)) | {"o2": oxygen})
            for d, r in zip(days, rows, strict=True)
        ]
        return assess(frame(samples, age=20.0)).changes.status

    sparse, dense = statuses(few), statuses(more)
    assert (dense[np.searchsorted(more, few)] >= sparse).all()


NOISY = (90.0, 101.0, 99.0, 112.0)
"""CH4 about Table 1 (90), half-yearly: the line rises by 13 a year, and may as well not rise at all."""


def noisy(levels: tuple[float, ...] = NOISY, **changed: float) -> Judgement:
    return judge([(182.0 * i, QUIET | {"ch4": v} | changed) for i, v in enumerate(levels)], age=20.0)


def test_a_rate_that_its_points_do_not_bear_out_is_told_as_that_and_confirms_nothing() -> None:
    judgement = noisy()
    changes, ch4 = judgement.changes, NORM_GASES.index("ch4")
    assert changes.rate_exceeds[3, ch4]
    assert not changes.borne_out.any()
    assert changes.rate_low[3, ch4] < 0 < changes.rate[3, ch4] < changes.rate_high[3, ch4]
    assert changes.status[3] == 3, "the guide's status stays the guide's"
    assert not changes.confirmed.any()
    assert not changes.dropped.any()
    found = report(judgement, 3, BRIEF)
    text = next(f.text for f in found.findings if f.rule == "rate")
    assert "do not bear it out" in text
    assert not any(f.rule == "confirmed" for f in found.findings)
    shown = of_assessment(found, Speaker("lab", online=False))
    assert shown is not None
    assert shown.status == 2
    assert urgency(found) == "stable", "by its course it is high and at rest: reviewed, not chased"


def test_below_table_1_such_a_rate_asks_for_one_more_sample_once() -> None:
    judgement = noisy((60.0, 74.0, 62.0, 84.0, 82.0))
    changes, ch4 = judgement.changes, NORM_GASES.index("ch4")
    assert changes.rate_exceeds[3:, ch4].all()
    assert not changes.borne_out.any()
    assert changes.suspect.tolist() == [False, False, False, True, False]
    assert changes.asked.tolist() == changes.suspect.tolist()
    assert changes.dropped.sum() == 0, "a point that is dropped could not bear the rise out later"
    asked = [f.text for f in report(judgement, 3, BRIEF).findings if f.rule == "confirm"]
    assert len(asked) == 1
    assert "do not bear it out" in asked[0]


def test_a_slow_rise_is_borne_out_and_confirmed_as_points_come() -> None:
    judgement = noisy(tuple(60.0 + 9.0 * i for i in range(8)))
    changes = judgement.changes
    assert changes.borne_out[:, NORM_GASES.index("ch4")].any()
    assert changes.confirmed.any()
    assert not changes.dropped.any()


def test_a_suspect_whose_rate_stays_above_unborne_is_neither_confirmed_nor_dropped() -> None:
    """CH4 rises at 18 a year among noise: borne out by one sample, above the norm and not borne out by the next."""
    levels = (50.0, 52.0, 70.0, 83.0, 76.0, 92.0, 96.0)
    changes = noisy(levels).changes
    first = int(np.flatnonzero(changes.borne_out.any(axis=1))[0])
    assert changes.suspect[first]
    assert changes.rate_exceeds[first + 1].any()
    assert not changes.dropped.any(), "its points are needed to bear the rise out"
    assert not changes.refuted.any()
    assert changes.confirmed.any()


def test_an_old_reference_is_told_with_its_age() -> None:
    days = LONGEST_SPAN_DAYS + 400.0
    old = last([(0.0, QUIET), (days, QUIET | {"c2h4": 30.0})], age=20.0)
    young = last([(0.0, QUIET), (400.0, QUIET | {"c2h4": 30.0})], age=20.0)
    assert "3.1 years earlier" in next(f.text for f in old.findings if f.rule == "delta")
    assert "years earlier" not in next(f.text for f in young.findings if f.rule == "delta")


def test_a_quiet_unit_asks_for_nothing() -> None:
    changes = judge(steady(11)).changes
    assert not changes.suspect.any()
    assert (changes.status == 1).all()
