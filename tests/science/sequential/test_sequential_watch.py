"""The on-line watch: its limits against simulation, what it learns, when it is blind, what begins and ends an alarm."""

import numpy as np
import pytest
from online_worlds import WORLD_A, World, serial

from app.science.sequential.learning import carried, learn, low_passed
from app.science.sequential.parameters import WatchParameters
from app.science.sequential.watch import Watched, ewma_sd, watch
from app.science.tables import rows


def unit(world: World, seed: int, days: int) -> tuple[np.ndarray, np.ndarray]:
    y, drivers = world.made(np.random.default_rng(seed), 1, days)
    return y[0], drivers[0]


def watched(y: np.ndarray, drivers: np.ndarray, reviewed: np.ndarray | None = None) -> Watched:
    return watch(y, drivers, np.zeros(len(y), dtype=bool) if reviewed is None else reviewed)


# --- the table, a second time -----------------------------------------------------------------------------


def test_the_constants_a_second_time() -> None:
    """Ours, by simulation; the weight and Huber's constant from memory."""
    own = WatchParameters.read()
    assert own.time_constants == (0.0, 2.0, 4.0, 7.0, 12.0, 20.0, 30.0)
    assert own.limits == {
        "explained": ((180, 5.5), (365, 4.25)),
        "explained_alone": ((180, 4.75), (365, 3.5)),
        "unexplained": ((365, 4.5),),
        "unexplained_alone": ((365, 4.5),),
    }
    assert (own.weight, own.huber_c, own.clip, own.clip_phi) == (0.1, 1.345, 4.0, 2.5)
    assert (own.least_spread, own.most_phi, own.measured_share, own.known_share) == (0.01, 0.9, 0.9, 0.9)
    assert (own.carried, own.gap, own.relearn, own.relevel_days) == (3, 30, 365, 14)
    assert (own.release_share, own.release_days) == (0.5, 14)
    assert own.begin_share == 0.25
    assert {r["provenance"] for r in rows("online_watch")} == {"common practice", "from memory"}
    assert all(
        r["note"].startswith("ours") for r in rows("online_watch") if r["provenance"] == "common practice"
    )
    assert [own.limit("explained", n) for n in (0, 179, 180, 364, 365, 4000)] == [
        None,
        None,
        5.5,
        5.5,
        4.25,
        4.25,
    ]
    assert [own.limit("unexplained", n) for n in (180, 364, 365)] == [None, None, 4.5]


# --- the mean and its limits ------------------------------------------------------------------------------


@pytest.mark.parametrize("phi", [0.0, 0.3, 0.6])
def test_the_spread_of_the_mean_is_that_of_simulated_series(phi: float) -> None:
    z = serial(np.random.default_rng(1), (400, 1500), phi)
    mean = np.zeros(400)
    seen = []
    for k in range(1500):
        mean = 0.9 * mean + 0.1 * z[:, k]
        if k > 200:
            seen.append(mean)
    assert np.std(seen) == pytest.approx(float(ewma_sd(np.array(phi), 0.1)), rel=0.02)


@pytest.mark.parametrize(("phi", "limit"), [(0.0, 3.02), (0.3, 2.96), (0.6, 2.84)])
def test_time_to_a_false_alarm_with_all_known(phi: float, limit: float) -> None:
    """The limits that make one false alarm in 1,826 days of one series (simulated by others of us, known noise)."""
    z = serial(np.random.default_rng(2), (500, 3000), phi)
    sd = float(ewma_sd(np.array(phi), 0.1))
    mean, over = np.zeros(500), np.zeros(500, dtype=np.int64)
    for k in range(3000):
        mean = 0.9 * mean + 0.1 * z[:, k]
        hit = mean > limit * sd
        over += hit
        mean = np.where(hit, 0.0, mean)
    assert 500 * 3000 / over.sum() == pytest.approx(1826, rel=0.12)


# --- learning ---------------------------------------------------------------------------------------------


def test_low_pass_is_the_response_of_a_first_order_lag() -> None:
    step = np.r_[np.zeros(20), np.ones(30)][:, None]
    fast, slow = low_passed(step, (0.0, 10.0))
    assert np.array_equal(fast, step)
    assert slow[20:, 0] == pytest.approx(1.0 - np.exp(-np.arange(1, 31) / 10.0))
    step[25] = np.nan
    gap = low_passed(step, (10.0,))[0]
    assert np.isnan(gap[25, 0])
    assert gap[26, 0] == pytest.approx(1.0 - np.exp(-0.6))  # the missing day is not counted
    filled = carried(np.r_[1.0, np.full(5, np.nan), 2.0][:, None], 3)[:, 0]
    assert filled[:4].tolist() == [1.0, 1.0, 1.0, 1.0]
    assert np.isnan(filled[4:6]).all()
    assert filled[6] == 2.0


def test_it_learns_the_slope_the_lag_and_the_scatter() -> None:
    y, drivers = unit(World(phi=0.5, swing=12.0, wild=0.01), 3, 365)
    own = WatchParameters.read()
    found = learn(y, low_passed(drivers, own.time_constants), np.ones(365, dtype=bool), own)
    assert found.watched.all()
    assert found.explained.all()
    assert found.coefficients[0, 1] == pytest.approx(0.015, rel=0.15)
    assert found.spread == pytest.approx(np.hypot(0.04, 0.02), rel=0.2)
    assert found.phi == pytest.approx(0.5, abs=0.15)


def test_a_gas_that_is_often_not_measured_and_a_temperature_that_is_seldom_known_take_no_part() -> None:
    y, drivers = unit(WORLD_A, 4, 365)
    y[::5, 2] = np.nan
    drivers[::5, 0] = np.nan
    drivers[:, 1] = 0.6  # a load that never moves explains nothing
    own = WatchParameters.read()
    found = learn(y, low_passed(drivers, own.time_constants), np.ones(365, dtype=bool), own)
    assert found.watched.tolist() == [True, True, False, True, True]
    assert found.explained.tolist() == [False, False]
    assert np.all(found.coefficients[:, 1:] == 0.0)


# --- blind, alarm, and back -------------------------------------------------------------------------------


def test_it_is_blind_for_half_a_year_and_without_temperature_for_a_year() -> None:
    y, drivers = unit(WORLD_A, 5, 500)
    with_oil, without = watched(y, drivers), watched(y, np.full_like(drivers, np.nan))
    assert np.isnan(with_oil.limit[:180]).all()
    assert np.all(with_oil.limit[180:365] == 5.5)
    assert np.all(with_oil.limit[365:] == 4.25)
    assert np.isnan(without.limit[:365]).all()
    assert np.all(without.limit[365:] == 4.5)
    alone = watched(y[:, :1], drivers)
    assert np.all(alone.limit[180:365] == 4.75)
    assert np.all(alone.limit[365:] == 3.5)
    assert alone.alarm.shape == (500, 1)
    assert with_oil.learned[179] == 180


def test_a_rise_is_found_at_a_few_percent_and_stays_until_the_gas_is_back() -> None:
    y, drivers = unit(WORLD_A, 6, 560)
    rising = y.copy()
    rising[400:440, :3] += 0.01 * np.arange(40)[:, None]
    rising[440:480, :3] += 0.4
    found = watched(rising, drivers)
    assert not watched(y, drivers).alarm.any()
    first = int(np.flatnonzero(found.alarm.any(axis=1))[0])
    assert 405 <= first <= 422
    assert found.since[first][found.alarm[first]].min() >= 370
    assert found.alarm[first:485].any(axis=1).all()
    assert not found.alarm[-1].any()
    assert np.median(found.excess[445:475, 0]) == pytest.approx(0.4, abs=0.05)
    # nothing is learned from days of alarm
    assert found.learned[481] == found.learned[first] == found.learned[first - 1]


def test_a_review_accepts_the_level_and_what_comes_on_top_is_found_again() -> None:
    y, drivers = unit(WORLD_A, 7, 700)
    y[400:] += 0.3
    y[560:] += 0.3
    reviewed = np.zeros(700, dtype=bool)
    reviewed[450] = True
    found = watched(y, drivers, reviewed)
    assert found.alarm[449].any()
    assert not found.alarm[450:560].any()
    assert np.all(found.limit[470:560] == 5.5)
    assert found.alarm[572:].any(axis=1).all()
    assert watched(y, drivers).alarm[410:].any(axis=1).all()


def test_when_the_temperature_falls_silent_it_says_so_and_learns_without_it() -> None:
    y, drivers = unit(WORLD_A, 8, 900)
    drivers[500:] = np.nan
    found = watched(y, drivers)
    assert found.explained[499]
    assert np.isnan(found.score[510:530]).all()
    assert not found.explained[600:].any()
    assert np.all(found.limit[600:] == 4.5)
    assert np.isfinite(found.score[600:]).any()
    assert not found.alarm.any()
    # too early to learn without it: blind again
    drivers[250:] = np.nan
    early = watched(y[:330], drivers[:330])
    assert np.isnan(early.limit[-1]).all()


def test_gaps_and_empty_records() -> None:
    y, drivers = unit(WORLD_A, 9, 500)
    y[420:460] = np.nan
    found = watched(y, drivers)
    assert np.isnan(found.score[420:460]).all()
    assert not found.alarm.any()
    nothing = watched(y[:0], drivers[:0])
    assert nothing.alarm.shape == (0, 6)
    silent = watched(np.full((400, 5), np.nan), np.full((400, 2), np.nan))
    assert np.isnan(silent.limit).all()
    assert not silent.alarm.any()


def test_a_gas_that_nobody_measures_above_its_limit_is_not_watched() -> None:
    y, drivers = unit(WORLD_A, 10, 400)
    y[::2, 4] = np.nan
    found = watched(y, drivers)
    assert np.isnan(found.limit[-1, 4])
    assert np.isfinite(found.limit[-1, [0, 1, 2, 3, 5]]).all()
