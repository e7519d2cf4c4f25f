"""Each invented fault pattern lies in the zone it is named after, in the oil it makes as well as by itself."""

from datetime import UTC, datetime

import numpy as np
import pytest

from app.demo.fleet import read_fleet
from app.demo.history import Demo
from app.demo.stories import LIVE_DAYS, PATTERNS
from app.science.diagnosis.triangles import (
    TRIANGLE_1_ZONES,
    TRIANGLE_4_ZONES,
    duval_triangle_1,
    duval_triangle_4,
)
from app.science.quantities import NORM_GASES

GAS = {gas: i for i, gas in enumerate(NORM_GASES)}


def zone_1(h2_to_co2: np.ndarray) -> str:
    number = duval_triangle_1(*(h2_to_co2[GAS[g]] for g in ("ch4", "c2h4", "c2h2")))
    return TRIANGLE_1_ZONES[int(number)]


ZONES = {
    "partial_discharge": "PD",
    "discharge_low": "D1",
    "discharge_high": "D2",
    "mixed": "DT",
    "thermal_low": "T1",
    "thermal_medium": "T2",
    "thermal_high": "T3",
}
"""The zone of triangle 1 each fault's pattern must lie in."""


@pytest.mark.parametrize(("fault", "zone"), ZONES.items())
def test_pattern_lies_in_its_zone_of_triangle_1(fault: str, zone: str) -> None:
    """IEEE C57.104-2019, Table 6."""
    assert zone_1(np.array(PATTERNS[fault])) == zone


def test_every_zone_of_triangle_1_has_a_pattern() -> None:
    assert set(ZONES.values()) == set(TRIANGLE_1_ZONES)


def test_stray_pattern_lies_in_zone_s_of_triangle_4() -> None:
    """IEEE C57.104-2019, Table D.3; triangle 4 is asked after T1 in triangle 1."""
    pattern = np.array(PATTERNS["stray"])
    assert zone_1(pattern) == "T1"
    number = duval_triangle_4(*(pattern[GAS[g]] for g in ("h2", "ch4", "c2h6")))
    assert TRIANGLE_4_ZONES[int(number)] == "S"


def test_the_live_unit_gains_t3_gas_and_measures_as_t3() -> None:
    fleet = read_fleet()
    demo = Demo(fleet.assets, fleet.service_events, datetime(2026, 11, 25, 9, 12, tzinfo=UTC))
    truth = demo.truth("QUE-T1")
    levels = np.array([truth.quantities[gas] for gas in NORM_GASES])
    zero = truth.grid.zero
    assert zone_1(levels[:, zero] - levels[:, zero - LIVE_DAYS * 6]) == "T3"
    played = demo.online(fleet.instrument("QUE-T1-M"), -15, 0)
    measured = np.array([[s.readings[gas].number for gas in NORM_GASES] for s in played])
    assert {zone_1(row) for row in measured} == {"T3"}


def test_gases_of_a_thermal_fault_rise_together_and_co_does_not() -> None:
    fleet = read_fleet()
    demo = Demo(fleet.assets, fleet.service_events, datetime(2026, 11, 25, 9, 12, tzinfo=UTC))
    truth = demo.truth("QUE-T1")
    zero = truth.grid.zero
    gain = {g: truth.quantities[g][zero] / truth.quantities[g][zero - LIVE_DAYS * 6] for g in NORM_GASES[:4]}
    assert min(gain.values()) > 3.0
    assert truth.quantities["co"][zero] / truth.quantities["co"][zero - LIVE_DAYS * 6] < 1.1
