"""Robust trends against scipy, by brute force, and by simulation."""

import numpy as np
import pytest
from scipy import stats

from app.science.measuring.normal import two_sided_p, two_sided_quantile
from app.science.trends.censored import akritas_theil_sen
from app.science.trends.changepoint import change_point
from app.science.trends.forecast import acceleration
from app.science.trends.rates import least_squares_rate
from app.science.trends.trend import mann_kendall, theil_sen


def test_normal_distribution_agrees_with_scipy() -> None:
    z = np.linspace(-8, 8, 401)
    assert np.allclose(two_sided_p(z), 2 * stats.norm.sf(np.abs(z)), rtol=1e-12)
    assert two_sided_quantile(0.95) == pytest.approx(stats.norm.ppf(0.975))
    with pytest.raises(ValueError, match="between 0 and 1"):
        two_sided_quantile(95)


@pytest.mark.parametrize("tied", [False, True])
def test_theil_sen_agrees_with_scipy(tied: bool) -> None:
    rng = np.random.default_rng(8)
    compared = 0
    for k in [5, 6, 8, 9, 12, 13, 20, 31] * 6:
        t = np.sort(rng.uniform(20_000, 20_900, k))
        y = 10 + 0.02 * (t - 20_000) + rng.normal(0, 3, k)
        y = np.round(y) if tied else y
        reference = stats.theilslopes(y, t, 0.95)
        found = theil_sen(t, y, True)
        assert float(found.per_year) == pytest.approx(reference.slope * 365, rel=1e-9, abs=1e-9)
        if np.isfinite([found.low, found.high]).all():  # scipy gives the outermost slope where there is none
            assert float(found.low) == pytest.approx(reference.low_slope * 365, rel=1e-9, abs=1e-9)
            assert float(found.high) == pytest.approx(reference.high_slope * 365, rel=1e-9, abs=1e-9)
            compared += 1
        assert float(found.level) == pytest.approx(
            np.median(y - reference.slope * t) + reference.slope * t[-1], rel=1e-9
        )
    assert compared > 35


def test_too_few_points_have_no_interval() -> None:
    three = theil_sen([0, 100, 200], [1, 2, 4], True)
    assert float(three.per_year) == pytest.approx(1.5 * 3.65)
    assert (float(three.low), float(three.high)) == (-np.inf, np.inf)
    assert np.isnan(theil_sen([0, 100], [1, 2], [True, False]).per_year)
    assert np.isnan(theil_sen([5, 5, 5], [1, 2, 3], True).per_year)


def test_theil_sen_is_the_same_alone_and_in_a_batch() -> None:
    rng = np.random.default_rng(2)
    t, y, valid = (
        np.sort(rng.uniform(0, 900, (3, 5, 10))),
        rng.normal(50, 5, (3, 5, 10)),
        rng.random((3, 5, 10)) < 0.8,
    )
    batch = theil_sen(t, y, valid)
    assert batch.per_year.shape == (3, 5)
    for i in np.ndindex(3, 5):
        alone = theil_sen(t[i][valid[i]], y[i][valid[i]], True)
        for a, b in zip(alone, (field[i] for field in batch), strict=True):
            assert np.allclose(a, b, equal_nan=True)


def test_a_third_of_wild_points_does_not_move_theil_sen() -> None:
    t = np.arange(0.0, 1000.0, 100.0)
    y = 5 + 0.01 * t
    y[[2, 6]] = 900.0
    assert float(theil_sen(t, y, True).per_year) == pytest.approx(3.65, rel=1e-6)


@pytest.mark.parametrize("tied", [False, True])
def test_mann_kendall_agrees_with_the_textbook_variance(tied: bool) -> None:
    """Var S = (n(n-1)(2n+5) - sum c(c-1)(2c+5))/18, Kendall 1975; S from scipy's tau-b."""
    rng = np.random.default_rng(9)
    for n in (4, 7, 10, 25):
        t, y = np.arange(n) * 30.0, rng.normal(0, 1.5, n)
        y = np.round(y) if tied else y
        _, c = np.unique(y, return_counts=True)
        variance = (n * (n - 1) * (2 * n + 5) - (c * (c - 1) * (2 * c + 5)).sum()) / 18
        pairs = n * (n - 1) / 2
        s = stats.kendalltau(t, y).statistic * np.sqrt(pairs * (pairs - (c * (c - 1) / 2).sum()))
        found = mann_kendall(t, y, True)
        assert float(found.s) == pytest.approx(s)
        z = np.sign(s) * max(abs(s) - 1, 0) / np.sqrt(variance)
        assert float(found.z) == pytest.approx(z)
        assert float(found.p) == pytest.approx(2 * stats.norm.sf(abs(z)))


def test_mann_kendall_counts_what_is_certain_of_censored_values() -> None:
    # <5, 6, <5, 8: certain rises 1-2, 1-4, 2-4, 3-4; certain fall 2-3
    found = mann_kendall([0, 1, 2, 3], [5, 6, 5, 8], True, [True, False, True, False])
    assert float(found.s) == 3.0
    # a measured 5 is above "<5", a measured 3 is not comparable with it
    assert float(mann_kendall([0, 1, 2], [5, 5, 3], True, [True, False, False]).s) == 1.0 - 1.0
    all_below = mann_kendall([0, 1, 2, 3], [5, 1, 2, 5], True, True)
    assert (float(all_below.s), float(all_below.p)) == (0.0, 1.0)
    assert np.isnan(mann_kendall([0, 1], [1, 2], True).p)


def test_mann_kendall_variance_is_that_of_all_permutations() -> None:
    """Brute force over the 720 orders of six values, two of them censored."""
    from itertools import permutations

    values = [(5.0, True), (6.0, False), (2.0, True), (8.0, False), (3.0, False), (6.0, False)]
    t = np.arange(6.0)
    orders = list(permutations(values))
    y, below = np.array([[v for v, _ in o] for o in orders]), np.array([[b for _, b in o] for o in orders])
    s = mann_kendall(t, y, True, below).s
    one = mann_kendall(t, y[0], True, below[0])
    expected = abs(float(one.s)) - 1
    assert abs(float(one.z)) * np.std(s) == pytest.approx(expected)


def test_false_alarms_of_mann_kendall_keep_to_the_level() -> None:
    rng = np.random.default_rng(10)
    p = mann_kendall(np.arange(12.0), rng.normal(0, 1, (4000, 12)), True).p
    assert 0.03 < (p < 0.05).mean() < 0.055


def test_akritas_theil_sen_without_censoring_is_theil_sen() -> None:
    rng = np.random.default_rng(12)
    t, y = np.sort(rng.uniform(0, 900, (200, 9))), rng.normal(30, 4, (200, 9))
    censored, plain = akritas_theil_sen(t, y, False, True), theil_sen(t, y, True)
    assert np.allclose(censored.per_year, plain.per_year, rtol=1e-6, atol=1e-6)


def test_from_below_five_to_six_is_not_a_rate() -> None:
    found = akritas_theil_sen([0, 100], [5, 6], [True, False], True)
    assert np.isnan(found.per_year)
    assert (int(found.points), int(found.measured)) == (2, 1)
    assert np.isnan(akritas_theil_sen([0, 100, 200], [5, 5, 5], True, True).per_year)


def test_akritas_theil_sen_by_brute_force() -> None:
    """The slope where the certain order of the residuals stops rising and starts falling, on a fine grid."""
    t = np.array([0.0, 90.0, 180.0, 270.0, 360.0, 450.0])
    y = np.array([5.0, 4.0, 5.0, 7.0, 6.5, 9.0])
    below = np.array([True, False, True, False, False, False])
    grid = np.arange(-0.1, 0.1, 1e-5)
    s = np.array(
        [
            sum(
                int(not below[j] and y[j] - b * t[j] > y[i] - b * t[i])
                - int(not below[i] and y[i] - b * t[i] > y[j] - b * t[j])
                for i in range(6)
                for j in range(i + 1, 6)
            )
            for b in grid
        ]
    )
    middle = 0.5 * (grid[s > 0].max() + grid[s < 0].min())
    found = akritas_theil_sen(t, y, below, True)
    assert float(found.per_year) == pytest.approx(middle * 365, abs=0.01)


@pytest.mark.parametrize(("points", "limit"), [(6, 22.0), (8, 24.5), (12, 27.0), (24, 24.5)])
def test_coverage_of_the_intervals(points: int, limit: float) -> None:
    """4 000 series with a true rate of 7.3 per year, 17 to 51 % of the values below the limit."""
    rng = np.random.default_rng(13)
    t = np.sort(rng.uniform(0, 700, (4000, points)))
    y = 20 + 0.02 * t + rng.normal(0, 3, t.shape)
    plain = theil_sen(t, y, True)
    assert ((plain.low <= 7.3) & (plain.high >= 7.3)).mean() > 0.94
    below = y < limit
    found = akritas_theil_sen(t, np.where(below, limit, y), below, True)
    bounded = ~np.isnan(found.per_year)
    assert bounded.mean() > 0.99
    assert ((found.low <= 7.3) & (found.high >= 7.3))[bounded].mean() > 0.94
    assert float(np.nanmedian(found.per_year)) == pytest.approx(7.3, abs=0.5)


def test_acceleration_agrees_with_numpy() -> None:
    rng = np.random.default_rng(14)
    t = np.sort(rng.uniform(20_000, 20_900, (30, 8)))
    y = 40 + 1e-4 * (t - 20_000) ** 2 + rng.normal(0, 2, t.shape)
    found = acceleration(t, y, True)
    for i in range(30):
        coefficients, covariance = np.polyfit(t[i] - t[i, 0], y[i], 2, cov=True)
        assert found.per_year_squared[i] == pytest.approx(2 * coefficients[0] * 365**2, rel=1e-6)
        assert found.standard_error[i] == pytest.approx(2 * np.sqrt(covariance[0, 0]) * 365**2, rel=1e-6)
    assert np.isnan(acceleration([0, 1, 2], [1, 2, 4], True).per_year_squared)
    assert np.isnan(acceleration([0, 0, 1, 1], [1, 2, 4, 3], True).per_year_squared)


def test_a_bend_is_dated_and_a_straight_line_is_not() -> None:
    rng = np.random.default_rng(15)
    t = np.linspace(20_000, 20_900, 16) * np.ones((1000, 1))
    flat = rng.normal(50, 2, t.shape)
    assert (change_point(t, flat, True).p < 0.05).mean() < 0.06
    bent = flat + 0.06 * np.maximum(t - 20_480, 0)
    found = change_point(t, bent, True)
    assert (found.p < 0.05).mean() > 0.9
    assert float(np.median(found.day)) == pytest.approx(20_480, abs=60)
    assert float(np.median(found.size)) == pytest.approx(0.06 * 365, rel=0.1)
    assert float(np.median(found.before)) == pytest.approx(0.0, abs=1.5)


def test_a_step_is_dated() -> None:
    rng = np.random.default_rng(16)
    t = np.arange(20_000.0, 20_060.0) * np.ones((500, 1))
    flat = rng.normal(50, 2, t.shape)
    assert (change_point(t, flat, True, "step").p < 0.05).mean() < 0.06
    found = change_point(t, flat + 8 * (t >= 20_040), True, "step")
    assert (np.abs(found.day - 20_040) <= 1).mean() > 0.95
    assert float(np.median(found.size)) == pytest.approx(8, abs=0.5)
    assert (found.p < 0.001).mean() > 0.99


def test_p_of_a_change_agrees_with_a_fit_by_hand() -> None:
    rng = np.random.default_rng(17)
    t = np.sort(rng.uniform(0, 500, 10))
    y = 3 + rng.normal(0, 1, 10) + 0.02 * np.maximum(t - 250, 0)
    best = min(
        (float(np.linalg.lstsq(np.c_[np.ones(10), t, np.maximum(t - c, 0)], y, rcond=None)[1][0]), c)
        for c in t[2:-1]
    )
    line = float(np.linalg.lstsq(np.c_[np.ones(10), t], y, rcond=None)[1][0])
    p = min(1.0, 7 * stats.f.sf((line - best[0]) / best[0] * 7, 1, 7))
    found = change_point(t, y, True)
    assert float(found.day) == pytest.approx(best[1])
    assert float(found.p) == pytest.approx(p, rel=1e-6)


def test_no_date_from_five_points() -> None:
    found = change_point([0, 1, 2, 3, 4], [1, 1, 1, 5, 9], True)
    assert np.isnan([found.day, found.p, found.size]).all()
    with pytest.raises(ValueError, match="must be"):
        change_point([0, 1], [1, 2], True, "wave")  # type: ignore[arg-type]


@pytest.mark.parametrize("shape", [(0,), (1,), (3, 0), (0, 4), (2, 1), (2, 0, 0)])
def test_empty_series_and_empty_batches_have_no_trend(shape: tuple[int, ...]) -> None:
    ones = np.ones(shape)
    below = np.zeros(shape, dtype=bool)
    found = [
        theil_sen(ones, ones, True).per_year,
        mann_kendall(ones, ones, True, below).p,
        akritas_theil_sen(ones, ones, below, True).per_year,
        change_point(ones, ones, True).day,
        acceleration(ones, ones, True).per_year_squared,
        least_squares_rate(ones, ones, True).per_year,
    ]
    for field in found:
        assert field.shape == shape[:-1]
        assert np.isnan(field).all()
