"""How sure: probabilities under measurement uncertainty (JCGM 101:2008; ±15 % after IEEE C57.104-2019, 5.2.1)."""

import math

import numpy as np
import pytest
from engine_cast import QUIET, frame, judge, last, one
from scipy.stats import norm

from app.domain.findings import Certainty
from app.domain.judging.engine import Judgement, assess
from app.domain.judging.report import ReportOptions, report
from app.domain.judging.rules.certainty import judge_certainty
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
