"""Noise, resolution, repeats and agreement against textbook values."""

import math

import numpy as np
import pytest

from app.science.measuring.agreement import limits_of_agreement
from app.science.measuring.instrument_signs import daily_cycle, hampel, short_groups, steps
from app.science.measuring.noise import noise_of, resolution_of, runs_of, stay_probability


def test_the_noise_is_found_under_a_trend_spikes_and_a_step() -> None:
    rng = np.random.default_rng(1)
    x = 100.0 + 2.0 * rng.standard_normal(4000) + np.linspace(0.0, 300.0, 4000)
    x[::97] += 500.0
    x[2000:] += 80.0
    assert noise_of(x).sd == pytest.approx(2.0, rel=0.08)


def test_the_resolution_is_that_of_the_decade_of_the_readings() -> None:
    assert resolution_of(np.array([98.1, 99.7, 101.0, 102.0, 104.0, 103.0, 101.0])) == pytest.approx(1.0)
    assert math.isnan(resolution_of(np.full(9, 3.0)))


def test_a_reading_stays_with_the_chance_of_the_normal_distribution() -> None:
    assert stay_probability(1.0, 2.0) == pytest.approx(0.6827, abs=1e-4)  # P(|z| < 1)
    assert stay_probability(0.0, 1.0) == 1.0


def test_repeats_bound_the_chance_of_a_run_of_a_rounded_sensor() -> None:
    rng = np.random.default_rng(2)
    stay = stay_probability(0.7, 1.0)
    x = np.round(5.0 + 0.7 * rng.standard_normal((20_000, 4)))
    alike = (x == x[:, :1]).all(axis=1).mean()
    assert alike <= stay**3 * 1.1


def test_runs_end_at_gaps() -> None:
    runs = runs_of([1.0, 1.0, math.nan, 1.0, 2.0, 2.0, 2.0])
    assert runs.start.tolist() == [0, 3, 4]
    assert runs.length.tolist() == [2, 1, 3]
    assert len(runs_of([]).start) == 0


def test_hampel_marks_what_is_far_off_and_only_short_groups_are_spikes() -> None:
    x = np.tile([10.0, 10.2, 9.9, 10.1], 20)
    x[[30, 50, 51, 52]] = 20.0
    marked = hampel(x, 6, 6.0, 0.1)
    assert np.flatnonzero(marked).tolist() == [30, 50, 51, 52]
    assert np.flatnonzero(short_groups(marked, 2, 2)).tolist() == [30]


@pytest.mark.parametrize("side", [6, 12, 24])
def test_a_step_is_placed_at_its_first_reading_and_a_ramp_is_none(side: int) -> None:
    rng = np.random.default_rng(side)
    x = 50.0 + rng.standard_normal(200)
    x[90:] += 15.0
    (found,) = steps(x, side, 6.0, 0.6)
    assert found.place == 90
    assert found.after - found.before == pytest.approx(15.0, abs=2.0)
    ramp = 50.0 + rng.standard_normal(200) + np.linspace(0.0, 400.0, 200)
    assert steps(ramp, side, 6.0, 0.6) == []


def test_the_daily_cycle_is_read_off_with_its_size_hour_and_companion() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 20.0, 1 / 12)
    temperature = 10.0 - 5.0 * np.cos(2 * np.pi * t)
    x = 40.0 * (1.0 + 0.1 * np.cos(2 * np.pi * (t - 0.5))) + 0.4 * rng.standard_normal(len(t)) + t
    found = daily_cycle(t, x, temperature)
    assert found is not None
    assert found.amplitude == pytest.approx(4.0 / np.median(x), rel=0.05)
    assert found.peak_hour == pytest.approx(12.0, abs=0.3)
    assert found.p < 1e-50
    assert found.correlation > 0.95
    assert found.coherence > 0.95


def test_limits_of_agreement_by_hand() -> None:
    """Mean 2, sd 2 of five differences; t(4, 97.5 %) = 2.776 (any table of Student's t)."""
    found = limits_of_agreement([0.0, 0.0, 2.0, 4.0, 4.0])
    sd = 2.0
    assert (found.pairs, found.bias, found.sd) == (5, 2.0, sd)
    assert found.bias_high - found.bias == pytest.approx(2.776 * sd / math.sqrt(5), abs=1e-3)
    assert (found.low, found.high) == (2.0 - 1.96 * sd, 2.0 + 1.96 * sd)
    assert found.low_error == pytest.approx(2.776 * sd * math.sqrt(1 / 5 + 1.96**2 / 8), abs=2e-3)


def test_the_interval_of_the_bias_holds_as_often_as_it_says() -> None:
    rng = np.random.default_rng(4)
    held = [
        f.bias_low <= 0.1 <= f.bias_high
        for f in (limits_of_agreement(0.1 + 0.07 * rng.standard_normal(5)) for _ in range(2000))
    ]
    assert np.mean(held) == pytest.approx(0.95, abs=0.02)


def test_one_pair_has_a_difference_and_no_interval() -> None:
    found = limits_of_agreement([3.0])
    assert found.bias == 3.0
    assert math.isnan(found.bias_low)
    assert limits_of_agreement([]).pairs == 0
