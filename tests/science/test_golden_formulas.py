"""Water, paper, volumes, conditions and oil quality against worked numbers, row by row."""

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from app.science.measuring import uncertainty
from app.science.norms import conditions
from app.science.oil import moisture, oil_quality, paper, volumes
from app.science.quantities import LOW_IS_BAD


def golden(name: str) -> list[dict[str, str]]:
    """Rows of a golden table; that each names its source is tested in test_golden.py."""
    path = Path(__file__).parent / "golden" / f"{name}.csv"
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


def _saturation_pressure_kpa(temperature_c: float) -> NDArray[np.float64]:
    return paper.saturation_pressure(temperature_c) * 101.325


FUNCTIONS: dict[str, Callable[..., NDArray[np.float64]]] = {
    "water_at": moisture.water_at,
    "saturation_pressure_kpa": _saturation_pressure_kpa,
    "water_in_paper": paper.water_in_paper,
    "bubble_inception": paper.bubble_inception,
    "degree_of_polymerization": lambda furfural: paper.degree_of_polymerization(furfural, "chendong"),
    "generation_ml_per_day": volumes.generation_ml_per_day,
    "total_gas_percent": volumes.total_gas_percent,
    "measurement_sd": uncertainty.measurement_sd,
}


def test_worked_formulas() -> None:
    seen = set()
    for row in golden("formulas_b"):
        arguments = [float(a) for a in row["arguments"].split()]
        found = float(FUNCTIONS[row["function"]](*arguments))
        assert found == pytest.approx(float(row["expected"]), abs=float(row["tolerance"])), row
        seen.add(row["function"])
    assert seen == set(FUNCTIONS)


def test_conditions_and_actions_of_2008() -> None:
    for row in golden("conditions"):
        values = [float(row[q]) for q in conditions.CONDITION_QUANTITIES]
        condition = conditions.condition_2008(values)
        assert int(condition) == int(row["expected"]), row
        action = conditions.tdcg_actions()[int(conditions.tdcg_action(condition, float(row["rate_per_day"])))]
        assert (action.condition, action.sampling) == (int(row["expected"]), row["sampling"]), row


def test_conditions_with_nothing_measured() -> None:
    nothing = np.full(8, np.nan)
    assert int(conditions.condition_2008(nothing)) == 0
    assert conditions.tdcg_action([0, 5, 1], [1.0, 1.0, np.nan]).tolist() == [-1, -1, -1]
    assert conditions.tdcg_actions()[int(conditions.tdcg_action(1, -20.0))].sampling == "yearly"


def test_oil_quality_by_voltage_class() -> None:
    for row in golden("oil_quality"):
        fair, last = (
            oil_quality.class_limit(row["quantity"], float(row["kv"]), row["standard"], fair=fair)
            for fair in (True, False)
        )
        side = -1.0 if row["quantity"] in LOW_IS_BAD else 1.0
        beyond = [one is not None and side * (float(row["value"]) - one.limit) > 0 for one in (fair, last)]
        assert ("outside" if beyond[1] else "fair" if beyond[0] else "within") == row["expected"], row


def test_oil_quality_without_a_limit_or_a_voltage_has_none() -> None:
    assert oil_quality.class_limit("water", 69.0, "usbr", fair=False) is None
    assert oil_quality.class_limit("water", np.nan, "ieee_c57_106_2006", fair=False) is None
    everywhere = oil_quality.class_limit("interfacial_tension", np.nan, "iec_60422_2013", fair=True)
    assert everywhere is not None
    assert everywhere.limit == 25.0
    with pytest.raises(ValueError, match="no standard 'x'"):
        oil_quality.class_limit("water", 69.0, "x", fair=False)


def test_every_voltage_has_one_class() -> None:
    kv = np.concatenate([np.linspace(0.4, 800, 5000), [69, 72.5, 170, 230, 287.5]])
    for standard in ("usbr", "ieee_c57_106_2006", "iec_60422_2013"):
        for kind in {limit.kind for limit in oil_quality.oil_limits(standard)}:
            limits = [
                x
                for x in oil_quality.oil_limits(standard)
                if (x.kind, x.quantity) == (kind, "breakdown_voltage")
            ]
            if limits:
                hits = np.sum([oil_quality._in_class(kv, x) for x in limits], axis=0)
                assert (hits == 1).all(), (standard, kind)


def test_constants_of_solubility_come_in_pairs() -> None:
    with pytest.raises(ValueError, match="both a and b"):
        moisture.solubility(20.0, a=7.42)
    assert float(moisture.solubility(20.0, 7.42, 1670.0)) == pytest.approx(10 ** (7.42 - 1670 / 293.15))
    assert moisture.solubility_constants("natural_ester") == (5.3318, 684.0)
    with pytest.raises(ValueError, match="'water'"):
        moisture.solubility_constants("water")


def test_water_at_a_reference_keeps_the_relative_saturation() -> None:
    water = moisture.water_at([5.0, 10.0, 30.0], [30.0, 50.0, 70.0], reference_c=25.0)
    there = moisture.relative_saturation(water, 25.0)
    here = moisture.relative_saturation([5.0, 10.0, 30.0], [30.0, 50.0, 70.0])
    assert np.allclose(there, here)


def test_water_in_paper_is_refused_for_cold_or_restless_oil() -> None:
    days = np.array([0.0, 1.0, 2.0, 3.0])
    oil: list[list[float]] = [
        [60, 62, 61, 63],
        [60, 62, 61, 49],
        [55, 75, 55, 70],
        [60, 62, np.nan, np.nan],
        [20, 62, 61, 63],
    ]
    state = paper.paper_estimate_state(days, oil, True)
    assert [paper.PAPER_ESTIMATE[s] for s in state] == [
        "applicable",
        "too cold",
        "not steady",
        "too few readings",
        "too cold",
    ]
    late = paper.paper_estimate_state(days, oil[-1], [False, True, True, True])
    assert paper.PAPER_ESTIMATE[int(late)] == "applicable"


def test_degree_of_polymerization_without_furfural_is_not_a_number() -> None:
    assert np.isnan(paper.degree_of_polymerization([0.0, -1.0, np.nan], "chendong")).all()
    assert float(paper.degree_of_polymerization(1.0, "de_pablo")) == pytest.approx(7100 / 9.88)
    with pytest.raises(ValueError, match="no model 'x'"):
        paper.degree_of_polymerization(1.0, "x")


def test_bubble_inception_of_dry_paper_is_not_a_number() -> None:
    assert np.isnan(paper.bubble_inception(0.0, 1.0))
