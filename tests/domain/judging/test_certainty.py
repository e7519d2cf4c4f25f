"""How sure: probabilities under measurement uncertainty (JCGM 101:2008; ±15 % after IEEE C57.104-2019, 5.2.1)."""

import math
from dataclasses import replace

import numpy as np
import pytest
from engine_cast import QUIET, frame, judge, last, one
from scipy.stats import norm
from simulated_units import World, reliability, simulate, status_chances

from app.domain.findings import Certainty
from app.domain.judging.engine import Judgement, assess
from app.domain.judging.report import ReportOptions, report
from app.domain.judging.rules.certainty import judge_certainty
from app.science.measuring.belief import belief
from app.science.measuring.scatter import scatter_seen
from app.science.measuring.uncertainty import LABORATORY_RELATIVE_SD

THERMAL = {"h2": 95.0, "ch4": 421.0, "c2h6": 128.0, "c2h4": 695.0, "c2h2": 7.0, "co": 25.0, "co2": 360.0}
"""IEEE C57.104-2019, Annex E.1 point 2: T3."""
MANY = ReportOptions(draws=4000)


def certainty(readings: dict[str, float], options: ReportOptions = MANY) -> Certainty:
    found = report(judge([(0.0, readings)], age=5.0), 0, options).certainty
    assert found is not None
    return found


@pytest.mark.parametrize("readings", [QUIET, THERMAL, {"h2": 74.0}, QUIET | {"c2h4": 20.0}])
def test_probabilities_sum_to_one(readings: dict[str, float]) -> None:
    found = certainty(readings)
    assert math.isclose(sum(found.status.values()), 1.0, abs_tol=0.002)
    for method, zones in found.zones.items():
        assert sum(zones.values()) == pytest.approx(1.0, abs=0.05), method  # zones below 1 % are not told


def test_far_from_every_limit_all_is_certain() -> None:
    assert certainty({"h2": 10.0, "ch4": 5.0}).status == {"1": 1.0, "2": 0.0, "3": 0.0}
    sure = certainty(THERMAL)
    assert sure.status["3"] == 1.0
    assert sure.zones["duval_triangle_1"]["T3"] > 0.99


def test_at_a_limit_it_is_even_odds() -> None:
    """Ethylene of exactly 20, the 90th percentile (Table 1, O2/N2 at most 0.2, 1-9 years)."""
    found = certainty({"c2h4": 20.0, "o2": 1000.0, "n2": 50_000.0})
    assert found.status["1"] == pytest.approx(0.5, abs=0.03)
    assert found.status["2"] == pytest.approx(0.5, abs=0.03)


@pytest.mark.parametrize("c2h4", [17.0, 19.0, 21.0, 23.0, 37.0, 44.0])
def test_one_gas_against_the_normal_distribution(c2h4: float) -> None:
    """Between the limits 20 and 40 the share is that of a normal distribution (scipy), sd by 0.075 and half of 1."""
    sd = math.hypot(LABORATORY_RELATIVE_SD * c2h4, 0.5)
    found = certainty({"c2h4": c2h4, "o2": 1000.0, "n2": 50_000.0})
    assert found.status["1"] == pytest.approx(norm.cdf(20.0, c2h4, sd), abs=0.03)
    assert found.status["3"] == pytest.approx(norm.sf(40.0, c2h4, sd), abs=0.03)


def test_the_edge_of_a_zone_is_even_odds() -> None:
    """Triangle 1 divides T2 and T3 at 50 % ethylene (Table 6)."""
    zones = certainty({"h2": 100.0, "ch4": 200.0, "c2h6": 60.0, "c2h4": 200.0, "c2h2": 0.0}).zones[
        "duval_triangle_1"
    ]
    assert zones["T3"] == pytest.approx(0.5, abs=0.05)
    assert zones["T2"] == pytest.approx(0.5, abs=0.05)


def test_the_same_sample_gives_the_same_answer_every_time_and_in_any_company() -> None:
    alone = certainty(THERMAL, ReportOptions())
    assert alone == certainty(THERMAL, ReportOptions())
    samples = [(0.0, QUIET), (200.0, THERMAL | {"o2": 900.0}), (220.0, THERMAL)]
    judgement = judge(samples)
    all_rows = probabilities(judgement, [0, 1, 2])
    for row in range(3):
        np.testing.assert_array_equal(probabilities(judgement, [row])[0], all_rows[row])


def probabilities(judgement: Judgement, rows: list[int]) -> np.ndarray:
    return judge_certainty(
        judgement.frame,
        judgement.levels,
        judgement.changes,
        judgement.patterns,
        np.array(rows, dtype=np.int64),
    ).status


def test_a_gas_that_doubled_surely_rises_and_one_that_stayed_may_or_may_not() -> None:
    found = last([(0.0, QUIET | {"c2h4": 40.0}), (200.0, QUIET | {"c2h4": 80.0})], detailed=True).certainty
    assert found is not None
    assert found.rising["c2h4"] > 0.99
    assert found.rising["ch4"] == pytest.approx(0.5, abs=0.01)


def test_a_first_sample_tells_no_rise() -> None:
    assert certainty(QUIET).rising == {}


def test_a_method_that_may_not_speak_has_no_zones() -> None:
    assert certainty(QUIET).zones == {}


def test_a_censored_reading_spreads_over_its_zones() -> None:
    """Acetylene evenly between 0 and 600: T3 up to 15 % of the sum, DT up to 29 %, then D2 (Table 6)."""
    found = report(judge([(0.0, {**THERMAL, "c2h2": "<600"})]), 0, MANY)
    assert not found.methods["duval_triangle_1"].applicable
    assert found.certainty is not None
    others = THERMAL["ch4"] + THERMAL["c2h4"]
    to_dt, to_d2 = (others * share / (1.0 - share) / 600.0 for share in (0.15, 0.29))
    zones = found.certainty.zones["duval_triangle_1"]
    assert zones == pytest.approx({"T3": to_dt, "DT": to_d2 - to_dt, "D2": 1.0 - to_d2}, abs=0.03)


def test_nothing_measured_has_no_probability() -> None:
    assert sum(certainty({"water": 3.0}).status.values()) == 0.0


def test_without_draws_there_is_no_certainty_and_the_status_is_the_same() -> None:
    brief = one(THERMAL)
    assert brief.certainty is None
    assert brief.status == 3


def test_an_on_line_reading_is_taken_as_more_precise_than_a_laboratory_one() -> None:
    spread = []
    for online in (False, True):
        judgement = assess(frame([(0.0, {"c2h4": 22.0, "o2": 1000.0, "n2": 50_000.0})], online=online))
        found = report(judgement, 0, MANY).certainty
        assert found is not None
        spread.append(found.status["1"])
    assert spread[1] < spread[0] < 0.5


def test_every_gas_is_drawn_apart() -> None:
    """Two gases at their limits: both below in a quarter of the draws, so status 1 has a quarter."""
    at_limits = {"c2h4": 20.0, "ch4": 45.0, "o2": 1000.0, "n2": 50_000.0}
    assert certainty(at_limits).status["1"] == pytest.approx(0.25, abs=0.03)


@pytest.fixture(scope="module")
def simulated() -> tuple[np.ndarray, np.ndarray]:
    return status_chances(simulate(2500, 1))


@pytest.mark.parametrize("status", [1, 2, 3])
def test_a_probability_told_is_the_share_that_comes_true(
    simulated: tuple[np.ndarray, np.ndarray], status: int
) -> None:
    """Simulated units with known status, by tenths: within four standard errors and 0.04 of what was told."""
    chances, truth = simulated
    for low, cases, told, true in reliability(chances, truth, status):
        chance = math.sqrt(told * (1.0 - told) / cases)
        assert abs(told - true) <= 4.0 * chance + 0.04, (low, cases, told, true)


def test_the_probabilities_are_sharp_as_well_as_honest(simulated: tuple[np.ndarray, np.ndarray]) -> None:
    """Brier score 0.11 of 20,000 units, 0.19 before a bias was shared and the scatter was read."""
    chances, truth = simulated
    brier = ((chances - np.eye(3)[truth - 1]) ** 2).sum(axis=1).mean()
    assert brier < 0.14


def test_a_fleet_that_does_not_gas_is_not_called_status_3() -> None:
    chances, truth = status_chances(simulate(2500, 2, World(gassing=0.0)))
    below = truth < 3
    assert chances[below, 2].mean() < 0.05
    assert (chances[below, 2] > 0.5).mean() < 0.03


FLAT = (1.0, 1.03, 0.98, 1.02, 0.97, 1.01)


def flat(scatter: float, days: float = 30.0) -> list[tuple[float, dict[str, float]]]:
    """C2H4 at 60, between Tables 1 and 2 for unknown oxygen, with so much scatter."""
    return [
        (days * i, QUIET | {"c2h4": 60.0 * (1.0 + scatter * (f - 1.0) / 0.02)}) for i, f in enumerate(FLAT)
    ]


def test_a_flat_series_is_no_status_3() -> None:
    """Six samples in five months that scatter by 2 %: their slope is nothing, whatever the accuracy of the method."""
    found = last(flat(0.02), detailed=True, age=20.0).certainty
    assert found is not None
    assert found.status["3"] < 0.05


def test_what_scatters_more_is_less_sure() -> None:
    calm, wild = (last(flat(s), detailed=True, age=20.0).certainty for s in (0.01, 0.2))
    assert calm is not None
    assert wild is not None
    assert calm.status["3"] < wild.status["3"]


def test_one_laboratory_s_bias_cancels_in_its_changes_and_two_laboratories_do_not() -> None:
    samples = [(180.0 * i, QUIET | {"c2h4": 100.0 if i < 3 else 118.0}) for i in range(4)]
    same = frame(samples, age=20.0)
    moved = replace(same, laboratory=np.array([0, 0, 0, 1]))
    rising = []
    for one_frame in (same, moved):
        found = report(assess(one_frame), 3).certainty
        assert found is not None
        rising.append(found.rising["c2h4"])
    assert rising[0] > rising[1] > 0.5


def test_scatter_is_seen_about_a_rise_as_about_a_level() -> None:
    generator = np.random.default_rng(3)
    times = np.arange(400.0)
    for slope in (0.0, 1.0):
        values = (100.0 + slope * times + 3.0 * generator.standard_normal(400))[:, None]
        assert scatter_seen(times, values, np.full((400, 1), 2.0))[0] == pytest.approx(1.5, rel=0.1)


def test_few_points_say_little_of_the_scatter_and_none_nothing() -> None:
    assert scatter_seen([0.0, 1.0], np.ones((2, 3)), np.ones((2, 3))).tolist() == [1.0, 1.0, 1.0]
    three = scatter_seen([0.0, 1.0, 2.0], np.ones((3, 1)), np.ones((3, 1)))[0]
    assert 0.8 < three < 1.0


def test_a_change_near_chance_is_mostly_chance_and_a_large_one_stays() -> None:
    """The norm is 1, the measurement good to 0.5: 1.2 above nothing is a fifth to believe, 20 wholly."""
    small, large = belief(1.2, 0.5, 1.0), belief(20.0, 0.5, 1.0)
    normal, uniform = (g.reshape(-1) for g in np.random.default_rng(1).random((2, 20_000)))
    normal = norm.ppf(normal)
    assert (small.drawn(normal, uniform) > 1.0).mean() == pytest.approx(0.17, abs=0.03)
    assert large.drawn(normal, uniform).mean() == pytest.approx(20.0, rel=0.08)
    assert float(belief(0.0, 0.5, 1.0).above_zero()) == pytest.approx(0.5)


def test_five_of_a_hundred_true_changes_lie_above_their_norm_beforehand() -> None:
    """What Tables 3 and 4 say of themselves: 95th percentiles (IEEE C57.104-2019, 6.1.3)."""
    prior = belief(0.0, 1e6, 1.0)
    uniform = np.random.default_rng(2).random((2, 100_000))
    assert (prior.drawn(norm.ppf(uniform[0]), uniform[1]) > 1.0).mean() == pytest.approx(0.05, abs=0.005)
