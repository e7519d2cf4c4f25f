"""Trends of a whole series: what rises, since when, where it leads - and what is not said.

scipy is the independent reference for slope and significance; the wobble of the samples is ours.
"""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from engine_cast import QUIET, START, Samples, frame, judge
from scipy.stats import kendalltau, theilslopes

from app.domain.findings import Assessment, Trend
from app.domain.judging.engine import assess
from app.domain.judging.frame import to_days
from app.domain.judging.report import ReportOptions, report
from app.science.quantities import FAULT_GASES

FULL = ReportOptions(draws=10, oil_volume_l=45_500.0)


def ramp(count: int, every: float, rate: float, *, knee: float = 0.0, start: float = 10.0) -> list[float]:
    """Ethylene steady until ``knee`` [days], then rising by ``rate`` [µL/L/year]."""
    return [start + max(0.0, every * i - knee) * rate / 365.0 for i in range(count)]


def told(levels: dict[str, list[float]], every: float, age: float = 20.0) -> Assessment:
    count = len(next(iter(levels.values())))
    samples = [(every * i, QUIET | {gas: column[i] for gas, column in levels.items()}) for i in range(count)]
    return report(judge(samples, age=age), count - 1, FULL)


def rising(found: Assessment) -> list[str]:
    return [gas for gas, trend in found.trends.items() if trend.rising]


def test_slope_interval_and_probability_agree_with_scipy() -> None:
    rng = np.random.default_rng(5)
    days = np.arange(12) * 50.0
    ethylene = 10.0 + 12.0 * days / 365.0 + rng.normal(0.0, 0.8, 12)
    trend = told({"c2h4": ethylene.tolist()}, 50.0).trends["c2h4"]
    expected = theilslopes(ethylene, days / 365.0)
    assert trend.per_year == pytest.approx(expected.slope, rel=1e-3)
    assert trend.low is not None
    assert trend.high is not None
    assert trend.low <= expected.slope <= trend.high
    exact = kendalltau(days, ethylene, method="exact", alternative="greater").pvalue
    assert trend.p == pytest.approx(exact, abs=1e-5)
    assert (trend.points, trend.span_days, trend.rising) == (12, 550.0, True)
    assert trend.since == START.date().isoformat()


def test_gas_generation_comes_from_the_oil_volume() -> None:
    """Arithmetic: 1 µL/L a day in 45.5 m3 is 45.5 mL a day (unit check)."""
    trend = told({"c2h4": ramp(8, 30.0, 365.0)}, 30.0).trends["c2h4"]
    assert trend.per_year == pytest.approx(365.0, rel=1e-6)
    assert trend.ml_per_day == pytest.approx(45.5, rel=1e-6)


def test_a_rise_that_began_is_dated_to_within_two_samples_and_its_pace_is_that_since_then() -> None:
    """Flat for 360 days, then 60 a year: the line over all samples would say half of it."""
    found = told({"c2h4": ramp(16, 45.0, 60.0, knee=360.0)}, 45.0).trends["c2h4"]
    assert found.rising
    assert found.began == found.since
    began = to_days(datetime.combine(date.fromisoformat(found.since), datetime.min.time(), UTC))
    assert abs(began - (to_days(START) + 360.0)) <= 90.0
    assert found.per_year == pytest.approx(60.0, rel=0.05)
    assert found.windows["baseline"] < 50.0, (
        "the pace of the whole baseline is another one, and stands behind"
    )


def test_a_straight_rise_has_no_beginning_within_it() -> None:
    found = told({"c2h4": ramp(10, 60.0, 20.0)}, 60.0).trends["c2h4"]
    assert (found.began, found.since, found.windows) == (None, START.date().isoformat(), {})


def test_what_rose_and_is_flat_since_is_not_said_to_rise() -> None:
    levels = [min(value, 40.0) for value in ramp(26, 60.0, 20.0)]
    found = told({"c2h4": [v * (1.01, 0.99, 1.0)[i % 3] for i, v in enumerate(levels)]}, 60.0).trends["c2h4"]
    assert found.p < 0.001, "the whole baseline rose"
    assert not found.rising
    assert abs(found.per_year) < 2.0
    assert found.since > (START + timedelta(days=400)).date().isoformat()


def test_the_time_to_the_next_limit_holds_the_true_time_as_often_as_it_says() -> None:
    """From 10 by 15 a year over 600 days to 34.7; Table 1 is 50 (10-30 years), so 15.3 more take 373 days.

    Of 100 intervals of 80 %, fewer than 66 would hold the true time once in a thousand.
    """
    rng = np.random.default_rng(8)
    held = said = 0
    for _ in range(100):
        levels = [value * (1.0 + rng.normal(0.0, 0.02)) for value in ramp(11, 60.0, 15.0)]
        trend = told({"c2h4": levels}, 60.0).trends["c2h4"]
        assert trend.next_limit == 50.0
        if trend.days_to_limit is None:
            continue
        said += 1
        early, central, late = trend.days_to_limit
        assert early <= central <= late
        held += early <= (50.0 - 34.66) / 15.0 * 365.0 <= late
    assert said >= 90
    assert held >= 0.66 * said


def test_a_forecast_that_the_record_cannot_bear_is_not_made() -> None:
    """By 3 a year from 10 to 20 in 3.3 years: 50 is ten years off, three times the record."""
    found = told({"c2h4": ramp(21, 60.0, 3.0)}, 60.0).trends["c2h4"]
    assert found.rising
    assert (found.next_limit, found.days_to_limit) == (50.0, None)
    assert found.not_before_days == pytest.approx(1200.0, abs=1.0), "as long as the record, and no further"


def test_the_ends_of_a_forecast_are_those_that_its_slopes_give() -> None:
    """Hydrogen by 100 a year with a little noise: 125 to 185 days by the slopes are not told as 14 to 185."""
    rng = np.random.default_rng(3)
    levels = [value + rng.normal(0.0, 2.0) for value in ramp(12, 30.0, 100.0, start=20.0)]
    trend = told({"c2h4": levels}, 30.0).trends["c2h4"]
    assert trend.next_limit is None, "above Table 2 already"
    levels = [value + rng.normal(0.0, 1.0) for value in ramp(12, 30.0, 60.0, start=15.0)]
    trend = told({"c2h4": levels}, 30.0).trends["c2h4"]
    assert trend.next_limit == 95.0
    assert trend.days_to_limit is not None
    assert trend.low is not None
    assert trend.high is not None
    gap = 95.0 - (15.0 + 60.0 * 330.0 / 365.0)
    early, _, late = trend.days_to_limit
    assert early >= 0.8 * gap / trend.high * 365.0
    assert late <= 1.2 * gap / trend.low * 365.0


def test_the_next_limit_is_above_the_reading_even_where_a_line_lags_behind() -> None:
    """Ethylene bends upward to 61.8: a straight line says 42 now, but 50 is behind already; next is 95 (Table 2)."""
    found = told({"c2h4": ramp(16, 45.0, 60.0, knee=360.0)}, 45.0)
    trend = found.trends["c2h4"]
    assert trend.next_limit == 95.0
    assert trend.days_to_limit is not None
    assert trend.days_to_limit[0] > (95.0 - 61.8) / 60.0 * 365.0 * 0.5


def test_above_the_last_limit_there_is_no_next_one() -> None:
    trend = told({"c2h4": ramp(8, 60.0, 60.0, start=200.0)}, 60.0).trends["c2h4"]
    assert trend.rising
    assert (trend.next_limit, trend.days_to_limit) == (None, None)


def test_a_level_that_does_not_rise_reaches_no_limit() -> None:
    trend = told({"c2h4": [10.0, 10.2, 9.9, 10.1, 10.0, 9.8]}, 60.0).trends["c2h4"]
    assert not trend.rising
    assert (trend.next_limit, trend.days_to_limit, trend.began) == (None, None, None)


def test_five_samples_in_order_are_one_look_and_no_call() -> None:
    """Five points in order have p = 1/120, exactly; it takes two samples in a row that say so."""
    climb = [10.0, 14.0, 18.0, 22.0, 26.0, 30.0, 34.0]
    alone = [(60.0 * i, {"c2h4": value}) for i, value in enumerate(climb)]
    five = report(judge(alone[:5], age=20.0), 4, FULL)
    assert five.trends["c2h4"].p == pytest.approx(1 / 120, abs=1e-5)
    assert rising(five) == []
    assert rising(report(judge(alone[:6], age=20.0), 5, FULL)) == []
    assert rising(report(judge(alone, age=20.0), 6, FULL)) == ["c2h4"]


def test_a_rise_smaller_than_the_accuracy_is_not_told() -> None:
    """Ten samples in order, but 12 % in all: within ±15 % (IEEE C57.104-2019, 5.2.1)."""
    found = told({"c2h4": [40.0 + 0.5 * i for i in range(10)]}, 60.0)
    assert found.trends["c2h4"].p < 0.001
    assert rising(found) == []


def test_a_rise_within_four_weeks_is_not_told() -> None:
    assert rising(told({"c2h4": [10.0 + 3.0 * i for i in range(9)]}, 3.0)) == []


def test_censored_readings_take_part_by_name_and_only_limits_make_no_trend() -> None:
    limits: Samples = [(60.0 * i, {**QUIET, "c2h2": "<0.5"}) for i in range(8)]
    assert "c2h2" not in report(judge(limits, age=20.0), 7, FULL).trends
    growing: Samples = [(60.0 * i, {**QUIET, "c2h2": "<0.5" if i < 3 else str(0.5 * i)}) for i in range(8)]
    trend = report(judge(growing, age=20.0), 7, FULL).trends["c2h2"]
    assert trend.points == 8
    assert trend.per_year > 1.0


def test_what_follows_does_not_change_a_trend() -> None:
    samples = [(60.0 * i, QUIET | {"c2h4": 10.0 + 3.0 * i}) for i in range(10)]
    whole, part = judge(samples, age=20.0), judge(samples[:7], age=20.0)
    assert report(whole, 6, FULL) == report(part, 6, FULL)


def test_an_on_line_trend_reads_daily_medians_and_tells_its_windows() -> None:
    hours = np.arange(0.0, 120 * 24.0, 4.0)
    rng = np.random.default_rng(2)
    samples = [
        (h / 24.0, QUIET | {"c2h4": 10.0 + 40.0 * h / 8760.0 + rng.normal(0.0, 0.2)}) for h in hours.tolist()
    ]
    found = report(assess(frame(samples, age=20.0, online=True)), len(samples) - 1, FULL)
    trend: Trend = found.trends["c2h4"]
    assert trend.rising
    assert trend.per_year == pytest.approx(40.0, rel=0.1)
    assert trend.span_days == pytest.approx(119.3, abs=5.0), "straight: the older days count too, by weeks"
    assert {"month", "quarter"} <= set(trend.windows)
    assert trend.windows["quarter"] == pytest.approx(40.0, rel=0.15)
    steady = found.trends["ch4"]
    assert not steady.rising
    assert steady.windows == {}


def test_noise_is_hardly_ever_said_to_rise() -> None:
    """Of 60 quiet series of eight samples at most 3 may say so."""
    rng = np.random.default_rng(17)
    said = 0
    for _ in range(60):
        levels = {gas: (50.0 * (1.0 + 0.1 * rng.standard_normal(8))).tolist() for gas in FAULT_GASES}
        said += bool(rising(told(levels, 60.0)))
    assert said <= 3


@pytest.mark.parametrize(
    ("c2h2", "h2", "named"), [(31.0, 10.0, True), (30.0, 10.0, False), (0.9, 0.1, False)]
)
def test_acetylene_far_above_hydrogen_points_to_the_tap_changer(c2h2: float, h2: float, named: bool) -> None:
    """C2H2/H2 above 3 (IEEE C57.104-2019, D.9.2); below the typical value of acetylene it says nothing."""
    found = report(judge([(0.0, QUIET | {"c2h2": c2h2, "h2": h2})]), 0)
    points = [f for f in found.findings if f.rule == "tap_changer"]
    assert bool(points) == named
    for f in points:
        assert (f.limit, f.source) == (3.0, "IEEE C57.104-2019, D.9.2")
        assert "may come from the tap changer" in f.text


@pytest.mark.parametrize(
    ("co", "co2", "c2h4", "words"),
    [
        # IEEE C57.104-2019, D.8
        (1100.0, 3000.0, 3.0, "without hydrocarbons: oil oxidation"),
        (500.0, 1200.0, 300.0, "with raised hydrocarbons paper may be involved"),
        (500.0, 12_000.0, 3.0, "slow ageing of paper"),
        (500.0, 1200.0, 3.0, None),
        (500.0, 4000.0, 300.0, None),
    ],
)
def test_the_oxides_are_read_with_their_conditions(
    co: float, co2: float, c2h4: float, words: str | None
) -> None:
    found = report(judge([(0.0, QUIET | {"co": co, "co2": co2, "c2h4": c2h4})]), 0)
    texts = [f.text for f in found.findings if f.rule in {"co2_co", "paper"}]
    assert bool(texts) == (words is not None)
    assert words is None or words in texts[0]


def test_a_refuted_sample_alone_in_its_two_years_has_no_trend() -> None:
    samples = [(0.0, QUIET | {"c2h2": 0.0}), (740.0, QUIET | {"c2h2": 5.0}), (760.0, QUIET | {"c2h2": 0.0})]
    judgement = judge(samples, age=20.0)
    assert judgement.changes.dropped.tolist() == [False, True, False]
    assert report(judgement, 1, FULL).trends == {}


def test_a_reading_too_small_to_divide_by_counts_as_nothing() -> None:
    found = report(judge([(0.0, QUIET | {"h2": 5e-324, "c2h2": 3.0, "n2": 1e-300})]), 0, FULL)
    assert "c2h2_h2" not in found.numbers
    assert "o2_n2" not in found.numbers
    assert found.status == 2, (
        "O2/N2 is unknown then, so the columns above 0.2: acetylene 3 is between 2 and 7"
    )
