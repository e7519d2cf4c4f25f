"""When a line reaches a limit: Fieller's interval by hand, by simulation, and where it has no end."""

import numpy as np
import pytest
from scipy import stats

from app.science.trends.crossing import Crossing, crossing


def world(
    n: int, rate: float, runs: int, *, halved: float = 0.0, noise: float = 0.09
) -> tuple[np.ndarray, float, Crossing]:
    """Half-yearly levels from 20 up by a share a year; the limit is where the line is at 1.6 times the record."""
    rng = np.random.default_rng(n)
    years = np.arange(n) * 0.5
    true = 1.6 * years[-1]
    y = 20.0 * (1.0 + rate * years) * np.exp(rng.normal(0.0, noise, (runs, n)))
    y = np.where(rng.random(y.shape) < halved, 0.5 * y, y)
    limit = np.full(runs, 20.0 * (1.0 + rate * true))
    days = np.broadcast_to(15_000.0 + 365.25 * years, y.shape)
    return y, 15_000.0 + 365.25 * true, crossing(days, y, np.ones(y.shape, dtype=np.bool_), limit)


@pytest.mark.parametrize("halved", [0.0, 0.05])
@pytest.mark.parametrize(("n", "rate"), [(5, 0.3), (8, 0.1), (8, 0.5), (20, 0.3)])
def test_four_of_five_intervals_hold_the_true_time(n: int, rate: float, halved: float) -> None:
    """2,000 runs; 80 %, within three standard errors and what course and noise cost (measured: 78 to 83 %)."""
    _, true, found = world(n, rate, 2000, halved=halved)
    held = (found.earliest <= true) & (true <= found.latest)
    assert 0.76 <= held.mean() <= 0.85
    assert (true < found.earliest).mean() <= 0.14, "too late is as rare as too early"


def test_an_interval_that_is_told_holds_the_true_time_as_often() -> None:
    """Told only with two ends and an estimate not further ahead than the record is long."""
    for n, rate in ((5, 0.3), (6, 0.3), (8, 0.1), (10, 0.1)):
        _, true, found = world(n, rate, 2000)
        end = 15_000.0 + 365.25 * (n - 1) / 2
        told = np.isfinite(found.latest) & (found.central - end <= end - 15_000.0)
        held = (found.earliest <= true) & (true <= found.latest)
        assert told.mean() > 0.6
        assert 0.79 <= held[told].mean() <= 0.92


def test_it_is_the_textbook_interval_where_noise_hangs_on_no_level() -> None:
    """A large floor makes all weights equal; the roots of the textbook's quadratic, solved by numpy."""
    t = np.array([0.0, 50.0, 100.0, 170.0, 220.0, 300.0])
    y = np.array([10.0, 11.5, 12.1, 14.2, 14.9, 17.3])
    found = crossing(t, y, np.ones(6, dtype=np.bool_), 25.0, floor=1e6)
    fit = stats.linregress(t, y)
    rest = ((y - fit.intercept - fit.slope * t) ** 2).sum() / 4.0 * stats.t.ppf(0.9, 4) ** 2
    tt, gap = ((t - t.mean()) ** 2).sum(), 25.0 - y.mean()
    roots = np.roots([fit.slope**2 - rest / tt, -2.0 * fit.slope * gap, gap**2 - rest / 6.0])
    assert [float(found.earliest), float(found.latest)] == pytest.approx(sorted(roots + t.mean()), rel=1e-6)
    assert float(found.central) == pytest.approx((25.0 - fit.intercept) / fit.slope, rel=1e-6)


def test_what_does_not_clearly_rise_has_no_latest_time() -> None:
    flat = crossing(np.arange(6) * 100.0, [10.0, 11.0, 9.0, 10.5, 9.5, 10.4], True, 20.0)
    assert np.isinf(flat.latest)
    assert 500.0 < float(flat.earliest) < np.inf
    falling = crossing(np.arange(6) * 100.0, [20.0, 18.0, 16.1, 14.0, 12.2, 10.0], True, 30.0)
    assert np.isinf(falling.central)
    assert np.isinf(falling.latest)


def test_too_few_points_say_nothing() -> None:
    assert np.isnan(crossing([0.0, 1.0, 2.0], [1.0, 2.0, 3.0], True, 9.0).earliest)
    assert np.isnan(crossing(np.zeros(5), np.arange(5.0), True, 9.0).earliest)
    assert np.isnan(crossing(np.arange(5.0), np.arange(5.0), True, np.nan).earliest)


def test_one_halved_sample_hardly_moves_it() -> None:
    t, y = np.arange(10) * 180.0, 20.0 + 2.0 * np.arange(10.0)
    clean = crossing(t, y, True, 50.0)
    y[6] *= 0.5
    spoiled = crossing(t, y, True, 50.0)
    assert float(spoiled.central) == pytest.approx(float(clean.central), abs=60.0)
