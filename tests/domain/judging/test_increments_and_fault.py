"""Old gas hides a new fault: what was gained is judged apart, and a mixture is named (IEEE C57.104-2019, D.6-D.7)."""

import numpy as np
import pytest
from engine_cast import QUIET, last, one

from app.domain.findings import Assessment
from app.domain.judging.verdict import verdict
from app.science.diagnosis.fault_call import FAULT_CLASSES
from app.science.quantities import FAULT_GASES

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


MIXTURES = [
    {"h2": 150.0, "ch4": 100.0, "c2h6": 20.0, "c2h4": 100.0, "c2h2": 30.0},  # DT, DT beside pentagon 2
    {"h2": 1450.0, "ch4": 940.0, "c2h6": 211.0, "c2h4": 322.0, "c2h2": 61.0},  # DT and S: nothing was named
    {
        "h2": 22400.0,
        "ch4": 22400.0,
        "c2h6": 2690.0,
        "c2h4": 13440.0,
        "c2h2": 1570.0,
    },  # DT and C: nothing was named
    {"h2": 150.0, "ch4": 130.0, "c2h6": 9.0, "c2h4": 55.0, "c2h2": 30.0},  # D2 and O: a discharge and heat
]


@pytest.mark.parametrize("readings", MIXTURES)
def test_a_mixture_is_named_as_such(readings: dict[str, float]) -> None:
    """Zone DT, or a discharge in one figure and heat in the other (IEEE C57.104-2019, D.6-D.7), on a first sample."""
    found = one(readings)
    assert found.fault is not None
    assert (found.fault.code, found.fault.name) == ("DT", "discharge and thermal fault together")
    assert found.fault.confidence is None, "no labelled case is a mixture"
    assert found.fault.mixture is not None
    assert found.fault.mixture.startswith("thermal and electrical signs together (Duval triangle 1 D")
    said = [s.text for s in verdict(found)]
    assert any(text.startswith("If one fault alone has made the gas, it is most likely ") for text in said)
    assert not any("Given that there is a fault" in text for text in said)


def test_partial_discharge_beside_heat_is_no_mixture_with_a_discharge() -> None:
    """A known PD: triangle 1 says T1, pentagon 2 PD, and there is next to no acetylene."""
    found = one({"h2": 1950.0, "ch4": 123.0, "c2h6": 38.0, "c2h4": 2.0, "c2h2": 2.0})
    assert found.fault is not None
    assert found.fault.code != "DT"


DEGENERATE = [
    {
        "h2": 5000.0,
        "ch4": 0.5,
        "c2h6": 0.0,
        "c2h4": 900.0,
        "c2h2": 0.0,
    },  # the pentagon between H2 and C2H4: D1
    {"h2": 900.0, "ch4": 2.0, "c2h6": 0.0, "c2h4": 1.5, "c2h2": 1.0},  # the triangle with 22 % acetylene: D1
    {"h2": 900.0, "ch4": 3.0, "c2h6": 1.0, "c2h4": 0.0, "c2h2": 1.2},
]


@pytest.mark.parametrize("readings", DEGENERATE)
def test_no_discharge_is_named_without_acetylene(readings: dict[str, float]) -> None:
    found = one(readings)
    assert found.status == 3
    assert any(c.code in {"D1", "D2", "DT"} for n, c in found.methods.items() if n.startswith("duval"))
    assert found.fault is None or found.fault.code not in {"D1", "D2", "DT"}
    if found.fault is None:
        assert found.no_fault


def test_acetylene_names_the_discharge_that_the_figure_shows() -> None:
    found = one({"h2": 900.0, "ch4": 20.0, "c2h6": 1.0, "c2h4": 15.0, "c2h2": 40.0})
    assert found.fault is not None
    assert found.fault.code in {"D1", "D2"}


def test_a_call_that_abstains_says_why_in_words() -> None:
    for readings, words in (
        ({"c2h4": 21.0, "o2": 1000.0, "n2": 50_000.0}, "not measured: CH₄, C₂H₂"),
        (QUIET | {"co": 1500.0}, "no fault gas is above its typical value (IEEE C57.104-2019, 5.2.1)"),
    ):
        found = one(readings)
        assert (found.fault, found.no_fault) == (None, words)
        assert f"No fault is named: {words}." in [s.text for s in verdict(found)]
    assert one(QUIET).no_fault is None


@pytest.mark.parametrize("seed", range(4))
def test_first_samples_far_above_their_norms_are_named_or_told_why_not(seed: int) -> None:
    """Any mix of five gases between 200 and 20,000 µL/L: nine of ten with acetylene are named."""
    generator = np.random.default_rng(seed)
    named = 0
    for _ in range(60):
        gases = generator.dirichlet([1.0] * 5) * 10.0 ** generator.uniform(2.3, 4.3)
        found = one(dict(zip(FAULT_GASES, map(float, gases), strict=True)))
        assert (found.fault is None) == (found.no_fault is not None)
        named += found.fault is not None
    assert named >= 54


def test_no_fault_is_named_at_status_1() -> None:
    assert one(QUIET).fault is None


STRAY = {"h2": 300.0, "ch4": 60.0, "c2h6": 150.0, "c2h4": 5.0, "c2h2": 0.0}


def course(*parts: float, **other: float) -> Assessment:
    """Half-yearly samples of stray gas, each so large a part of the last."""
    gases = QUIET | STRAY | other
    kept = ("co", "co2", "o2", "n2")
    samples = [
        (180.0 * i, {gas: v if gas in kept else v * part for gas, v in gases.items()})
        for i, part in enumerate(parts)
    ]
    return last(samples, age=20.0)


def test_stray_gassing_that_slows_down_is_told_and_makes_the_name_less_sure() -> None:
    found = course(0.1, 0.5, 0.8, 0.92, 0.97, 1.0)
    assert found.methods["duval_triangle_4"].code == found.methods["duval_pentagon_1"].code == "S"
    assert found.fault is not None
    assert found.fault.code in {"T1", "T1/T2"}
    assert (found.fault.other_cause or "").startswith("stray gassing of the oil is likely")
    assert found.fault.confidence == pytest.approx(0.5 * found.fault.probabilities["T1/T2"], abs=0.001)
    assert (found.status, found.fault.mixture) == (3, None), (
        "it lowers no status, and is not said beside electrical"
    )


@pytest.mark.parametrize(
    ("parts", "other"),
    [
        ((0.1, 0.28, 0.46, 0.64, 0.82, 1.0), {}),  # as fast as it began
        ((0.1, 0.15, 0.2, 0.4, 0.7, 1.0), {}),  # faster
        ((1.0,), {}),  # a first sample shows no course
        ((0.5, 1.0), {}),
        ((0.1, 0.5, 0.8, 0.92, 0.97, 1.0), {"c2h2": 4.0}),  # acetylene
        ((0.1, 0.5, 0.8, 0.92, 0.97, 1.0), {"c2h4": 90.0}),  # ethylene 15 %
    ],
)
def test_what_does_not_slow_down_or_holds_other_gas_is_no_stray_gassing(
    parts: tuple[float, ...], other: dict[str, float]
) -> None:
    found = course(*parts, **other)
    assert found.fault is not None
    assert "stray" not in (found.fault.other_cause or "")


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


def test_the_tap_changer_s_gas_is_told_and_makes_the_discharge_less_sure() -> None:
    """IEEE C57.104-2019, D.9.2: C2H2/H2 above 3."""
    like_arcing = {"h2": 10.0, "ch4": 10.0, "c2h6": 4.0, "c2h4": 25.0, "c2h2": 45.0}
    found = one(QUIET | like_arcing)
    assert found.fault is not None
    assert found.fault.code in {"D1", "D2"}
    assert "tap changer" in (found.fault.other_cause or "")
    assert found.fault.confidence == pytest.approx(
        0.5 * found.fault.probabilities[found.fault.code], abs=0.001
    )
    said = {s.text: s.sources for s in verdict(found) if "tap changer" in s.text and s.topic == "fault"}
    assert list(said.values()) == [("IEEE C57.104-2019, D.9.2",)]
    with_hydrogen = one(QUIET | like_arcing | {"h2": 60.0})
    assert with_hydrogen.fault is not None
    assert with_hydrogen.fault.other_cause is None
