"""Least-squares rates against scipy, and at their edges."""

import numpy as np
import pytest
from scipy import stats

from app.science.trends.rates import LineSums, least_squares_rate, line_through


def test_slope_and_error_agree_with_scipy() -> None:
    rng = np.random.default_rng(4)
    days = np.sort(rng.uniform(20_000, 20_700, (50, 7)), axis=1)
    values = 40 + 0.05 * (days - 20_000) + rng.normal(0, 3, days.shape)
    valid = rng.random(days.shape) < 0.8
    found = least_squares_rate(days, values, valid)
    checked = 0
    for i in range(len(days)):
        use = valid[i]
        assert found.points[i] == use.sum()
        if use.sum() >= 3:
            reference = stats.linregress(days[i, use], values[i, use])
            assert found.per_year[i] == pytest.approx(reference.slope * 365, rel=1e-9)
            assert found.standard_error_per_year[i] == pytest.approx(reference.stderr * 365, rel=1e-7)
            assert found.span_days[i] == np.ptp(days[i, use])
            checked += 1
    assert checked > 40


def test_leading_axes_are_kept() -> None:
    found = least_squares_rate(np.arange(4.0), np.ones((2, 3, 4)), True)
    assert found.per_year.shape == found.span_days.shape == found.points.shape == (2, 3)
    assert (found.per_year == 0).all()
    assert least_squares_rate(np.ones((0, 4)), np.ones((0, 4)), True).per_year.shape == (0,)


def test_no_rate_is_made_up() -> None:
    one = least_squares_rate([1, 2], [5, 6], [True, False])
    assert np.isnan(one.per_year)
    assert int(one.points) == 1
    assert float(one.span_days) == 0.0
    none = least_squares_rate([1, 2], [5, 6], [False, False])
    assert np.isnan(none.per_year)
    assert np.isnan(none.span_days)
    same_day = least_squares_rate([1, 1, 1], [5, 6, 7], [True] * 3)
    assert np.isnan(same_day.per_year)
    two = least_squares_rate([0, 365], [5, 6], [True, True])
    assert two.per_year == pytest.approx(1.0)
    assert np.isnan(two.standard_error_per_year)
    missing = least_squares_rate([0, 100, 365], [5, np.nan, 6], [True] * 3)
    assert missing.points == 2


def test_running_sums_give_the_same_slope_and_an_interval_by_hand() -> None:
    """Four points, noise 2: s² = (S + 10·2²)/(4 - 2 + 10), half the interval t(12) s/√Sxx (see uncertainty.csv)."""
    days, values = np.array([0.0, 100.0, 200.0, 300.0]), np.array([10.0, 13.0, 12.0, 17.0])
    line = line_through(LineSums(LineSums.terms(days, values).sum(axis=0)), 2.0)
    direct = least_squares_rate(days, values, np.ones(4, dtype=bool))
    assert line.per_year == pytest.approx(float(direct.per_year))
    fit = np.polyval(np.polyfit(days, values, 1), days)
    s = np.sqrt((((values - fit) ** 2).sum() + 10 * 2.0**2) / 12)
    half = 3.054540 * s / np.sqrt(50_000.0) * 365  # t of 12 degrees of freedom at 99.5 %
    assert float(line.high - line.per_year) == pytest.approx(half, rel=1e-6)
    assert float(line.per_year - line.low) == pytest.approx(half, rel=1e-6)


def test_points_on_a_line_still_have_the_scatter_of_measurement() -> None:
    days = np.array([0.0, 180.0, 360.0])
    exact = LineSums(LineSums.terms(days, 100.0 + days / 36.5).sum(axis=0))
    assert line_through(exact, 7.5).low < 0 < line_through(exact, 0.1).low


def test_two_points_have_a_slope_and_no_interval() -> None:
    line = line_through(
        LineSums(LineSums.terms(np.array([0.0, 365.0]), np.array([1.0, 3.0])).sum(axis=0)), 1.0
    )
    assert float(line.per_year) == pytest.approx(2.0)
    assert np.isnan([line.low, line.high]).all()
