"""Old gas hides a new fault: what was gained is judged apart, and a mixture is named (IEEE C57.104-2019, D.6-D.7)."""

import pytest
from engine_cast import QUIET, last, one

from app.domain.findings import Assessment
from app.domain.judging.verdict import verdict
from app.science.diagnosis.fault_call import FAULT_CLASSES

OLD_THERMAL = {"h2": 60.0, "ch4": 400.0, "c2h6": 150.0, "c2h4": 600.0, "c2h2": 3.0}
NEW_DISCHARGE = OLD_THERMAL | {"h2": 260.0, "ch4": 430.0, "c2h4": 640.0, "c2h2": 110.0}


def after_old_gas(new: dict[str, float], *, detailed: bool = False) -> Assessment:
    old = QUIET | OLD_THERMAL
    again = {gas: 1.02 * value for gas, value in old.items()}
    return last([(0.0, old), (180.0, again), (360.0, QUIET | new)], detailed=detailed)


def test_a_new_discharge_under_old_thermal_gas_is_seen_in_what_was_gained() -> None:
    found = after_old_gas(NEW_DISCHARGE)
    assert found.methods["duval_triangle_1"].code == "T3", "as they stand the gases look thermal"
    assert found.increments["duval_triangle_1/since_reference"].code == "D1"
    assert found.increments["duval_pentagon_1/since_reference"].code == "D1"
    assert found.fault is not None
    assert (found.fault.code, found.fault.basis) == ("D1", "increment")
    assert found.fault.mixture == (
        "the new gas looks electrical, the whole thermal: a new fault may hide behind an older one"
    )
    assert "Duval triangle 1 says T3" in found.fault.agreement, "the level's own call is told beside it"


def test_the_mixture_is_told_in_the_verdict_with_its_clause() -> None:
    sentences = [s for s in verdict(after_old_gas(NEW_DISCHARGE, detailed=True)) if s.topic == "fault"]
    assert "The pattern of the new gas since the last believed sample" in sentences[0].text
    assert "a new fault may hide behind an older one" in sentences[1].text
    assert sentences[1].sources == ("IEEE C57.104-2019, D.6-D.7",)


def test_the_shares_of_the_increment_are_those_of_the_difference() -> None:
    """C2H4 640 - 612 = 28, CH4 430 - 408 = 22, C2H2 110 - 3.06 = 106.94; sum 156.94."""
    why = after_old_gas(NEW_DISCHARGE).increments["duval_triangle_1/since_reference"].why
    assert why == "CH₄ 14.0 %, C₂H₄ 17.8 %, C₂H₂ 68.1 %"


def test_negative_differences_count_as_nothing() -> None:
    found = after_old_gas(NEW_DISCHARGE | {"c2h6": 140.0})
    assert "C₂H₆ 0.0 %" in found.increments["duval_pentagon_1/since_reference"].why


def test_more_of_the_same_is_no_mixture() -> None:
    found = after_old_gas({gas: 1.8 * value for gas, value in OLD_THERMAL.items()})
    assert found.fault is not None
    assert (found.fault.code, found.fault.basis, found.fault.mixture) == ("T3", "increment", None)


def test_noise_about_old_gas_is_no_new_gas() -> None:
    found = after_old_gas({gas: 1.1 * value for gas, value in OLD_THERMAL.items()})
    assert found.fault is not None
    assert found.fault.basis == "level"
    assert {c.code for n, c in found.increments.items() if n.endswith("since_reference")} == {None}


def test_the_zone_dt_is_a_mixture_by_name() -> None:
    found = one({"h2": 150.0, "ch4": 100.0, "c2h6": 20.0, "c2h4": 100.0, "c2h2": 30.0})
    assert found.methods["duval_triangle_1"].code == "DT"
    assert found.fault is not None
    assert found.fault.mixture is not None
    assert found.fault.mixture.startswith("thermal and electrical signs together (Duval triangle 1 DT")


def test_no_fault_is_named_at_status_1() -> None:
    assert one(QUIET).fault is None


def test_stray_gassing_is_named_when_triangle_4_and_pentagon_1_say_so() -> None:
    found = one({"h2": 300.0, "ch4": 60.0, "c2h6": 150.0, "c2h4": 5.0, "c2h2": 0.0})
    assert found.methods["duval_triangle_4"].code == found.methods["duval_pentagon_1"].code == "S"
    assert found.fault is not None
    assert (found.fault.code, found.fault.confidence) == ("S", None), "no labelled case of it exists"


@pytest.mark.parametrize(
    "readings",
    [
        OLD_THERMAL,
        NEW_DISCHARGE,
        {"h2": 900.0, "ch4": 100.0, "c2h6": 5.0, "c2h4": 0.5, "c2h2": 0.0},
        {"ch4": 25.0, "c2h4": 15.0, "c2h2": 10.0},
    ],
)
def test_the_probabilities_of_the_call_sum_to_one_and_the_call_is_the_likeliest(
    readings: dict[str, float],
) -> None:
    fault = one(readings).fault
    assert fault is not None
    assert tuple(fault.probabilities) == FAULT_CLASSES
    assert sum(fault.probabilities.values()) == pytest.approx(1.0, abs=0.003)
    likeliest = max(fault.probabilities, key=lambda name: fault.probabilities[name])
    assert fault.code in likeliest.split("/") or fault.code == likeliest
    assert fault.confidence == max(fault.probabilities.values())


def test_methods_that_agree_are_named_and_those_that_do_not_too() -> None:
    fault = one(OLD_THERMAL | {"c2h6": 120.0}).fault
    assert fault is not None
    assert fault.agreement == "Duval triangle 1, Duval pentagon 1 and IEC 60599 ratios agree"
    apart = one({"h2": 200.0, "ch4": 100.0, "c2h6": 20.0, "c2h4": 90.0, "c2h2": 1.0}).fault
    assert apart is not None
    assert "says" in apart.agreement


def test_the_tap_changer_s_gas_is_told_before_a_discharge_is_believed() -> None:
    """IEEE C57.104-2019, D.9.2: C2H2/H2 above 3."""
    like_arcing = {"h2": 10.0, "ch4": 10.0, "c2h6": 4.0, "c2h4": 25.0, "c2h2": 45.0}
    found = one(QUIET | like_arcing)
    assert found.fault is not None
    assert found.fault.code in {"D1", "D2"}
    assert "tap changer" in (found.fault.mixture or "")
    with_hydrogen = one(QUIET | like_arcing | {"h2": 60.0})
    assert with_hydrogen.fault is not None
    assert "tap changer" not in (with_hydrogen.fault.mixture or "")
