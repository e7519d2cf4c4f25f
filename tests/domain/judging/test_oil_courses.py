"""Water, oil tests and paper, sample by sample: the unit in danger and its harmless twin."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime

import numpy as np
import pytest
from engine_cast import QUIET, frame, judge

from app.domain.alerting.advice import advice
from app.domain.alerting.conditions.oil import OIL
from app.domain.alerting.conditions.registry import evidence
from app.domain.alerting.conditions.water import WATER
from app.domain.alerting.decisions import AlertState, decide
from app.domain.alerting.online_shown import OnlineShown
from app.domain.alerting.shown import Speaker, of_assessment
from app.domain.alerting.states import Change, Reason
from app.domain.findings import Assessment
from app.domain.judging.engine import Judgement, assess
from app.domain.judging.frame import DailyMedians, Floats
from app.domain.judging.light_view import online_view
from app.domain.judging.norms import norming_of
from app.domain.judging.report import ReportOptions, report
from app.domain.judging.verdict import verdict
from app.domain.model import Asset, CompartmentKind, LimitScope, Liquid, OwnerLimit, Paper
from app.science.norms.limits import limit as single_limit
from app.science.oil.moisture import saturation_temperature, solubility, solubility_constants
from app.science.oil.paper import degree_of_polymerization, dp_band
from app.science.quantities import INDEX
from app.science.tables import rows

UNIT = Asset("U", "U", "S", rated_kv=115.0)
BRIEF = ReportOptions(detailed=False)
NOW = datetime(2026, 1, 1, tzinfo=UTC)

Readings = Mapping[str, float]


def course(
    samples: Sequence[Readings], asset: Asset = UNIT, limits: Sequence[OwnerLimit] = (), every: float = 180.0
) -> list[Assessment]:
    dated = [(every * i, QUIET | dict(s)) for i, s in enumerate(samples)]
    judgement = judge(dated, norming=norming_of(asset, limits, len(samples)))
    return [report(judgement, row, BRIEF) for row in range(len(samples))]


def shown(assessments: Sequence[Assessment], name: str) -> list[int | None]:
    """The severity of a condition at every sample; None where it says nothing."""
    found: list[int | None] = []
    for a in assessments:
        says = {c.name: e.severity for c, e in evidence(of_assessment(a, Speaker("L", online=False))).items()}
        found.append(says.get(name))
    return found


def texts(assessment: Assessment, rule: str) -> list[str]:
    return [f.text for f in assessment.findings if f.rule == rule]


def wet(water: float, temperature: float, **others: float) -> dict[str, float]:
    return {"water": water, "oil_temperature": temperature, **others}


# --- water ------------------------------------------------------------------------------------------------


def test_a_tank_that_gets_wet_alarms_step_by_step() -> None:
    found = course([wet(w, 60.0) for w in (12, 12, 13, 25, 45, 45, 80)])
    assert shown(found, "water") == [0, 0, 0, 1, 2, 2, 3]
    said = texts(found[4], "water")
    assert said[0] == (
        "Water of 45 mg/kg at 60 °C is 19 % of saturation, above the greatest value of 8 % for 115 kV, from memory."
    )
    assert said[2] == (
        "Water of 45 mg/kg begins to come out of the oil below about 15 °C, and oil of 5 °C is to be expected: free "
        "water may lie at the bottom of a unit that has cooled."
    )
    steps = advice(found[6], UNIT, NOW)
    assert steps.actions[0].text.startswith("Before it is overloaded, or energized again from cold")
    assert any("free water at its bottom" in text for text in steps.cautions)
    assert not any("routine" in a.text for a in steps.actions)


def test_cold_oil_with_as_little_water_is_no_alarm_but_asks_for_warm_oil() -> None:
    """12 mg/kg at 10 °C are 33 % of saturation, more than the wet tank has; at 50 °C they are 7 %."""
    found = course([wet(12.0, t) for t in (60, 10, 60, 10, 60)])
    assert shown(found, "water") == [0, 0, 0, 0, 0]
    assert texts(found[1], "water") == [
        "Water of 12 mg/kg at 10 °C is 33 % of saturation, 6.9 % at 50 °C: the oil is cold, and only warm oil tells "
        "how wet the unit is: sample it again while it is warm."
    ]


def test_the_same_water_in_cold_oil_is_told_by_what_comes_out_of_it() -> None:
    (found,) = course([wet(45.0, 20.0)])
    assert shown([found], "water") == [2]
    assert "81 % of saturation, 26 % at 50 °C: the oil is wet" in texts(found, "water")[0]


def test_saturation_rises_only_against_like_temperatures() -> None:
    rising = [wet(w, 55.0 + t) for w, t in ((13, 0), (14, 3), (13, -2), (14, 1), (28, 0))]
    assert "the unit is getting wetter" in " ".join(texts(course(rising, Asset("A", "A", "S"))[-1], "water"))
    unlike = [wet(w, t) for w, t in ((5, 25), (5, 24), (5, 26), (5, 25), (15, 55))]
    assert not texts(course(unlike, Asset("A", "A", "S"))[-1], "water")


def test_a_measured_saturation_stands_for_water_that_was_not_measured() -> None:
    assert shown(course([{"relative_saturation": 33.0, "oil_temperature": 60.0}]), "water") == [3]


def test_esters_have_no_limit_of_water_but_the_owner_s() -> None:
    ester = Asset("E", "E", "S", liquid=Liquid.NATURAL_ESTER)
    assert shown(course([wet(400.0, 60.0)], ester), "water") == [0]
    own = OwnerLimit(LimitScope.ASSET, "E", "relative_saturation", 10.0, 20.0)
    assert shown(course([wet(300.0, 60.0), wet(700.0, 60.0)], ester, [own]), "water") == [1, 2]


def test_the_owner_s_limit_of_water_goes_before_the_published_one() -> None:
    own = OwnerLimit(LimitScope.FLEET, "", "relative_saturation", None, 12.0)
    assert shown(course([wet(25.0, 60.0)], UNIT, [own]), "water") == [0]
    tight = OwnerLimit(LimitScope.FLEET, "", "water", 8.0, 10.0)
    found = course([wet(11.0, 60.0)], UNIT, [tight])
    assert shown(found, "water") == [2]
    assert "above 10 mg/kg that the owner set" in texts(found[0], "water")[0]


def test_water_without_a_temperature_still_tells_where_it_comes_out() -> None:
    (found,) = course([{"water": 45.0}], Asset("A", "A", "S"))
    assert shown([found], "water") == [2]
    assert [t[:40] for t in texts(found, "water")] == ["Water of 45 mg/kg begins to come out of "]


def test_a_sample_without_water_neither_raises_nor_clears() -> None:
    assert shown(course([{}]), "water") == [None]
    assert shown(course([{}]), "oil") == [None]


def test_paper_and_bubbles_are_bands_where_the_oil_was_warm_and_steady() -> None:
    warm = course([wet(42.0, 61.0, load=1.2)] * 5, every=1.0)
    assert texts(warm[0], "paper_water") == [
        "Water in paper is not told: the oil's temperature is not known over the three days before the sample."
    ]
    bubble = next(t for t in texts(warm[4], "water") if t.startswith("Bubbles"))
    assert bubble.endswith("at 120 % load: a margin of 11 to 43 K (from memory).")
    numbers = warm[4].numbers
    assert numbers["bubble_inception_low"] < numbers["bubble_inception_high"]
    cold = course([wet(42.0, 30.0)] * 5, every=1.0)
    assert "not above 50 °C" in texts(cold[4], "paper_water")[0]
    restless = course([wet(42.0, t) for t in (52, 70, 52, 70, 60)], every=1.0)
    assert "more than 10 K" in texts(restless[4], "paper_water")[0]
    assert any(s.topic == "water" and "not told" in s.text for s in verdict(cold[4]))


def test_bubbles_in_a_wet_unit_under_load_are_grave_and_far_away_at_rest() -> None:
    loaded = course([wet(60.0, 70.0, load=1.5)] * 5, every=1.0)[4]
    idle = course([wet(60.0, 70.0, load=0.1)] * 5, every=1.0)[4]
    assert any("Bubbles" in t for t in texts(loaded, "water"))
    assert not any("Bubbles" in t for t in texts(idle, "water"))


def test_daily_medians_of_an_instrument_tell_how_warm_the_oil_was() -> None:
    """One laboratory sample; the three days before it come from elsewhere."""
    sample = frame([(100.0, QUIET | wet(20.0, 60.0))])
    day = np.floor(sample.at[0]) - np.array([3.0, 2.0, 1.0])
    for temperature, told in ((58.0, True), (40.0, False)):
        values = np.full((3, len(INDEX)), np.nan)
        values[:, INDEX["oil_temperature"]] = temperature
        daily = DailyMedians(np.zeros(3, dtype=np.int64), day, values)
        found = report(assess(sample, daily, norming_of(UNIT, (), 1)), 0, BRIEF)
        assert ("paper_water" in found.numbers) is told
    assert found.numbers["water_at_20"] == pytest.approx(4.55, abs=0.1)


# --- water on-line ----------------------------------------------------------------------------------------


def monitor(water: Floats, temperature: Floats) -> Judgement:
    """Four readings a day."""
    samples = [
        (0.25 * i, {"h2": 10.0, "water": float(w), "oil_temperature": float(t)})
        for i, (w, t) in enumerate(zip(water, temperature, strict=True))
    ]
    return assess(frame(samples, online=True), norming=norming_of(UNIT, (), len(samples)))


def severities(judgement: Judgement) -> list[int]:
    every = np.arange(len(judgement.frame), dtype=np.int64)
    shows = OnlineShown(online_view(judgement, every))
    found = []
    for row in every.tolist():
        by = Speaker("M", online=True)
        one, other = shows.row(row, by), of_assessment(report(judgement, row, BRIEF), by)
        assert evidence(one).get(WATER) == evidence(other).get(WATER)
        says = evidence(one).get(WATER)
        found.append(0 if says is None else says.severity)
    return found


def test_one_hour_and_the_swing_of_a_day_are_no_alarm() -> None:
    day = np.tile([25.0, 35.0, 50.0, 35.0], 40)
    water = np.full(160, 12.0)
    water[101] = 90.0
    assert max(severities(monitor(water, day))) == 0


def test_days_of_wet_oil_are_one() -> None:
    water = np.r_[np.full(100, 12.0), np.full(40, 50.0)]
    found = severities(monitor(water, np.full(140, 55.0)))
    assert max(found[:104]) == 0
    assert found[-1] == 2
    first = int(np.flatnonzero(np.array(found) >= 2)[0])
    assert 100 < first <= 112  # within three days


# --- oil tests --------------------------------------------------------------------------------------------


def test_one_bad_test_asks_for_another_and_two_count() -> None:
    found = course([{"breakdown_voltage": kv} for kv in (60, 40, 55, 25, 60, 25, 24, 15, 15, 60)])
    assert shown(found, "oil") == [0, 0, 0, 1, 0, 1, 2, 3, 3, 0]
    assert texts(found[3], "oil") == [
        "Breakdown voltage 25 kV is below the least value of 28 kV for 115 kV (D1816 1 mm), a limit from memory; do "
        "not decide on one test result: repeat the test."
    ]
    assert advice(found[3], UNIT, NOW).actions[0].text.startswith("Repeat the test that stands out")
    assert any("energized unit" in text for text in advice(found[6], UNIT, NOW).cautions)


def test_one_test_that_is_far_below_is_urgent_at_once() -> None:
    assert shown(course([{"breakdown_voltage": 12.0}]), "oil") == [2]


def test_oil_that_ages_by_the_limits_of_its_standard() -> None:
    iec = Asset("I", "I", "S", rated_kv=115.0, norm_set="iec_60599")
    acid = (0.02, 0.05, 0.12, 0.18, 0.22, 0.25)
    tension = (40, 33, 24, 22, 19, 18)
    samples = [{"acidity": a, "interfacial_tension": t} for a, t in zip(acid, tension, strict=True)]
    assert shown(course(samples, iec, every=365.0), "oil") == [0, 0, 0, 1, 1, 2]
    new = [{"acidity": 0.01, "interfacial_tension": 42.0, "dissipation_factor": 0.002}] * 6
    assert shown(course(new, iec, every=365.0), "oil") == [0] * 6


def test_a_hot_dissipation_factor_is_judged_without_a_voltage() -> None:
    assert shown(course([{"dissipation_factor": 0.06}] * 2, Asset("A", "A", "S")), "oil") == [1, 2]


def test_the_owner_s_limits_of_the_oil_go_before_the_published_ones_and_count_in_tap_changers() -> None:
    own = OwnerLimit(LimitScope.FLEET, "", "breakdown_voltage", 65.0, 58.0)
    found = course([{"breakdown_voltage": 56.0}] * 2, UNIT, [own])
    assert shown(found, "oil") == [1, 2]
    assert "58 kV that the owner set" in texts(found[0], "oil")[0]
    changer = OwnerLimit(
        LimitScope.FLEET, "", "breakdown_voltage", None, 30.0, compartment=CompartmentKind.TAP_CHANGER
    )
    kind = CompartmentKind.TAP_CHANGER
    for limits, severity in (((), 0), ((changer,), 1)):
        unit = norming_of(UNIT, limits, 1, kind)
        judgement = judge([(0.0, QUIET | {"breakdown_voltage": 25.0})], norming=unit)
        assert int(judgement.oil_tests.severity.max()) == severity


def test_a_sample_eases_only_what_it_tested() -> None:
    state = AlertState(OIL)
    samples = [{"acidity": 0.3}, {"acidity": 0.3}, {"breakdown_voltage": 60.0}, {"acidity": 0.02}]
    found = []
    for one in course(samples):
        says = evidence(of_assessment(one, Speaker("L", online=False)))[OIL]
        state, change = decide(state, says, NOW)
        found.append((state.severity, None if change is None else change.reason))
    assert found == [(1, Reason.RAISED), (2, Reason.WORSENED), (2, None), (0, Reason.RETURNED)]


# --- paper ------------------------------------------------------------------------------------------------


def test_paper_that_ages_is_told_as_a_band_and_a_new_unit_is_silent() -> None:
    ageing = course([{"furfural": f} for f in (0.1, 0.2, 0.5, 1, 2, 5, 12, 20)], every=365.0)
    assert shown(ageing, "paper") == [0, 0, 0, 1, 1, 3, 3, 3]
    assert texts(ageing[5], "paper") == [
        "Furfural of 5 mg/kg speaks for a mean degree of polymerization of 120 to 360 for plain or upgraded paper, "
        "since it is not known which (formulas from memory): the paper is late in its life, by some near its end, "
        "where any stress can break it."
    ]
    plain = Asset("P", "P", "S", paper=Paper.PLAIN)
    assert shown(course([{"furfural": f} for f in (0.5, 2, 5, 12)], plain, every=365.0), "paper") == [
        0,
        1,
        2,
        3,
    ]
    new = course([{"furfural": f} for f in (0.02, 0.02, 0.03, 0.03, 0.05)], every=365.0)
    assert shown(new, "paper") == [0] * 5


def test_furfural_that_jumps_counts_before_its_level_does() -> None:
    jump = course([{"furfural": f} for f in (0.05, 0.05, 0.06, 0.05, 0.3)], every=365.0)
    assert shown(jump, "paper") == [0, 0, 0, 0, 2]
    assert texts(jump[-1], "paper") == [
        "Furfural rose to 0.3 mg/kg, where 0.05 mg/kg was usual: the paper ages faster."
    ]


def test_paper_in_a_fault_needs_raised_co_and_hydrocarbons() -> None:
    gases = {"co": 1500.0, "co2": 3000.0, "c2h4": 300.0, "ch4": 300.0}
    assert shown(course([gases]), "paper") == [2]
    assert shown(course([gases | {"c2h4": 3.0, "ch4": 5.0}]), "paper") == [0]
    assert shown(course([gases | {"co": 300.0, "co2": 600.0}]), "paper") == [0]
    assert shown(course([{"co": 500.0, "co2": 15_000.0}]), "paper") == [1]


def test_esters_and_tap_changers_are_not_judged_by_furfural() -> None:
    ester = Asset("E", "E", "S", liquid=Liquid.SYNTHETIC_ESTER)
    assert shown(course([{"furfural": 20.0}], ester), "paper") == [None]


# --- words and tables -------------------------------------------------------------------------------------


def test_what_lists_and_mails_say() -> None:
    bad = course([wet(80.0, 60.0)])[0]
    assert WATER.subject_line(bad) == "water in oil, very wet"
    assert WATER.headline(bad).startswith("Water of 80 mg/kg at 60 °C is 33 % of saturation")
    assert WATER.sentence(Change(Reason.WORSENED, 3, 1), bad) == (
        'The alert "Water" has worsened (3 very wet, it was 1 look again).'
    )
    good = course([wet(8.0, 60.0)])[0]
    assert WATER.headline(good) == "Water is within its limits"
    assert WATER.sentence(Change(Reason.RETURNED, 0, 3), good) == (
        'The alert "Water" is back to normal (nothing is found any more, it was 3 very wet).'
    )


IEC_60422 = {  # fair from, poor from: up to 72.5, to 170, above 170 kV
    "breakdown_voltage": ((40, 30), (50, 40), (60, 50)),
    "water": ((30, 40), (20, 30), (15, 20)),
    "acidity": ((0.15, 0.30), (0.10, 0.20), (0.10, 0.15)),
    "dissipation_factor": ((0.10, 0.50), (0.10, 0.50), (0.10, 0.20)),
    "interfacial_tension": ((25, 20),),
}


def test_the_limits_of_the_oil_a_second_time() -> None:
    """IEC 60422:2013, C57.106 older edition, D1816 at 1 mm: all from memory."""
    for quantity, classes in IEC_60422.items():
        found = [
            r for r in rows("oil_quality") if (r["standard"], r["quantity"]) == ("iec_60422_2013", quantity)
        ]
        fair = [float(r["limit"]) for r in found if r["kind"].startswith("fair")]
        poor = [float(r["limit"]) for r in found if not r["kind"].startswith("fair")]
        assert list(zip(fair, poor, strict=True)) == [tuple(map(float, c)) for c in classes], quantity
        assert {r["provenance"] for r in found} == {"from memory"}
    for standard, printed in (
        ("ieee_c57_106_1_mm", [23, 28, 30]),
        ("ieee_c57_106_older", [15, 8, 5]),
        ("iec_60422_2013_inhibited", [28, 22]),
    ):
        assert [float(r["limit"]) for r in rows("oil_quality") if r["standard"] == standard] == printed


def test_the_single_limits_of_water_and_paper_a_second_time() -> None:
    expected = {
        "water_dry": 5, "water_wet": 20, "water_very_wet": 30, "water_free": 100, "equal_temperature": 50,
        "coldest_expected": 5, "free_soon": 20, "water_rise": 3, "like_temperature": 10, "hot_spot_low": 20,
        "hot_spot_high": 35, "hot_spot_exponent": 1.6, "gas_little": 1, "gas_much": 8, "bubble_margin": 20,
        "paper_wet": 3, "furfural_caution": 0.1, "furfural_abnormal": 0.25, "furfural_rise": 3, "dp_late": 400,
        "dp_end": 200, "breakdown_far": 0.6,
    }  # fmt: skip
    assert {r["name"]: float(r["limit"]) for r in rows("water_and_paper")} == expected
    assert single_limit("water_wet").provenance == "from memory"


DP = {  # at 0.05, 0.1, 0.25, 0.5, 1, 2, 5, 10 mg/kg
    "stebbins_plain": (819, 733, 619, 533, 447, 361, 248, 162),
    "stebbins_upgraded": (803, 700, 563, 460, 356, 253, 116, 12),
    "burton": (760, 700, 620, 560, 500, 440, 360, 300),
    "vuarchex": (796, 735, 653, 592, 531, 469, 388, 327),
    "heisler_banzer": (898, 800, 671, 573, 475, 377, 248, 150),
    "pahlavanpour": (793, 785, 764, 732, 675, 583, 415, 280),
    "de_pablo_2": (787, 771, 725, 661, 561, 430, 253, 150),
}
FURFURAL = (0.05, 0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0)


def test_every_formula_of_the_degree_of_polymerization_by_hand() -> None:
    for model, printed in DP.items():
        assert degree_of_polymerization(FURFURAL, model) == pytest.approx(printed, abs=1.0), model
    low, high = dp_band([1.0, 5.0], "plain")
    assert (low.round().tolist(), high.round().tolist()) == ([431.0, 232.0], [561.0, 360.0])
    assert dp_band(1.0, "upgraded")[0] == pytest.approx(356.4, abs=0.5)
    assert np.isnan(dp_band(0.0, "unknown")).all()


def test_where_water_comes_out_is_the_inverse_of_solubility() -> None:
    water = np.array([10.0, 20.0, 30.0, 40.0])
    there = saturation_temperature(water, *solubility_constants())
    assert solubility(there) == pytest.approx(water)
    assert there.round().tolist() == [-16.0, -2.0, 6.0, 12.0]
    assert np.isnan(float(saturation_temperature(0.0, *solubility_constants())))
