"""When a method speaks, and the reason it gives when it does not.

The gate is IEEE C57.104-2019, 5.2.1: no fault is named when all gases are below Table 1, and confidence is low below
about five times the detection limit. Detection limits are those of IEC 60567 (from memory): H2 5, hydrocarbons 1.
"""

import numpy as np
import pytest
from engine_cast import QUIET, frame, join, judge, last, one, steady

from app.domain.judging.engine import assess
from app.domain.judging.methods import TITLES
from app.domain.judging.report import report
from app.science.quantities import NORM_GASES

LEVEL_METHODS = tuple(TITLES)
ZONES = ("duval_triangle_1", "duval_pentagon_1", "duval_pentagon_2")
RATIOS = ("iec_60599_ratios", "rogers_ratios", "doernenburg_ratios")
THERMAL = {"h2": 95.0, "ch4": 421.0, "c2h6": 128.0, "c2h4": 695.0, "c2h2": 7.0, "co": 25.0, "co2": 360.0}
"""IEEE C57.104-2019, Annex E.1 point 2."""


def test_all_typical_names_no_fault_by_any_method() -> None:
    found = one(QUIET)
    assert set(found.methods) == set(LEVEL_METHODS)
    for call in found.methods.values():
        assert (call.code, call.applicable) == (None, False)
        assert call.why == "no fault gas is above its typical value (IEEE C57.104-2019, 5.2.1)"
    assert found.fault is None


def test_every_call_either_speaks_or_says_why_not() -> None:
    for readings in (QUIET, THERMAL, {"h2": 500.0}, {"water": 3.0}, THERMAL | {"c2h2": 0.0}):
        for call in one(readings).methods.values():
            assert call.applicable == (call.code is not None)
            assert call.why


@pytest.mark.parametrize("method", [*ZONES, *RATIOS, "duval_triangle_4", "duval_triangle_5"])
def test_a_missing_gas_is_named(method: str) -> None:
    rest = {gas: value for gas, value in THERMAL.items() if gas not in {"ch4", "h2"}}
    call = one(rest).methods[method]
    assert not call.applicable
    assert call.why.startswith("not measured: ") or call.why.startswith("Duval triangle 1 does not call")
    if method not in {"duval_triangle_4", "duval_triangle_5"}:
        assert "CH₄" in call.why


def test_only_the_methods_that_read_a_missing_gas_fall_silent() -> None:
    rest = {gas: value for gas, value in THERMAL.items() if gas != "h2"}
    found = one(rest).methods
    assert found["duval_triangle_1"].code == "T3"
    assert found["duval_triangle_5"].code == "T3"
    assert found["duval_pentagon_1"].why == "not measured: H₂"


def test_a_pattern_near_detection_is_not_read() -> None:
    """Acetylene 4 of 0 is above Table 1 (2 at O2/N2 above 0.2) but below five times its detection limit."""
    found = one({"h2": 0.0, "ch4": 0.0, "c2h6": 0.0, "c2h4": 2.0, "c2h2": 4.0})
    for method in ZONES:
        assert "below five times their detection limits" in found.methods[method].why
    assert found.fault is None


def test_no_gas_at_all_is_told_as_such() -> None:
    found = one({"h2": 500.0, "ch4": 0.0, "c2h6": 0.0, "c2h4": 0.0, "c2h2": 0.0})
    assert found.methods["duval_triangle_1"].why == "none of its gases was found"
    assert found.methods["duval_pentagon_1"].applicable, "hydrogen alone lies in a zone of the pentagon"


def test_a_censored_reading_that_could_move_the_point_silences_the_method() -> None:
    """ "<200" of acetylene may be nothing (T3) or a discharge."""
    found = one({**THERMAL, "c2h2": "<200"})
    for method in ("duval_triangle_1", "iec_60599_ratios"):
        call = found.methods[method]
        assert not call.applicable
        assert call.why == "the answer depends on a reading below its detection limit: C₂H₂ <200"


def test_a_censored_reading_that_cannot_move_the_point_does_not_matter() -> None:
    found = one({**THERMAL, "c2h2": "<0.5"})
    assert found.methods["duval_triangle_1"].code == "T3"
    assert found.methods["duval_pentagon_2"].code == "T3-H"


@pytest.mark.parametrize(
    ("readings", "zone", "four", "five"),
    [
        # IEEE C57.104-2019, D.4: triangle 4 after PD, T1 or T2; triangle 5 after T2 or T3; neither after D1, D2 or DT
        ({"h2": 900.0, "ch4": 100.0, "c2h6": 5.0, "c2h4": 0.5, "c2h2": 0.0}, "PD", True, False),
        ({"h2": 60.0, "ch4": 100.0, "c2h6": 100.0, "c2h4": 10.0, "c2h2": 0.0}, "T1", True, False),
        ({"h2": 60.0, "ch4": 100.0, "c2h6": 100.0, "c2h4": 60.0, "c2h2": 0.0}, "T2", True, True),
        (THERMAL, "T3", False, True),
        ({"h2": 60.0, "ch4": 100.0, "c2h6": 10.0, "c2h4": 20.0, "c2h2": 60.0}, "D1", False, False),
        ({"h2": 60.0, "ch4": 25.0, "c2h6": 10.0, "c2h4": 15.0, "c2h2": 10.0}, "D2", False, False),
        ({"h2": 60.0, "ch4": 100.0, "c2h6": 10.0, "c2h4": 50.0, "c2h2": 12.0}, "DT", False, False),
    ],
)
def test_triangles_4_and_5_speak_only_when_triangle_1_calls_for_them(
    readings: dict[str, float], zone: str, four: bool, five: bool
) -> None:
    found = one(readings).methods
    assert found["duval_triangle_1"].code == zone
    for method, called in (("duval_triangle_4", four), ("duval_triangle_5", five)):
        assert found[method].applicable == called, found[method]
        if not called:
            assert found[method].why == "Duval triangle 1 does not call for it (IEEE C57.104-2019, D.4)"


def test_ratios_outside_every_row_are_no_case_and_shown() -> None:
    found = one({"h2": 100.0, "ch4": 50.0, "c2h6": 100.0, "c2h4": 200.0, "c2h2": 1.0}).methods[
        "iec_60599_ratios"
    ]
    assert not found.applicable
    assert found.why == "the ratios fit no row of the table (C₂H₂/C₂H₄ 0.005, CH₄/H₂ 0.5, C₂H₄/C₂H₆ 2)"


def test_increments_say_when_there_is_nothing_to_compare_with() -> None:
    first = one(THERMAL).increments
    assert {call.why for call in first.values()} == {"there is nothing earlier to compare with"}


def test_increments_say_when_nothing_increased() -> None:
    found = last(steady(4)).increments
    assert {call.why for call in found.values()} == {
        "fewer than two fault gases increased by more than measurement can explain"
    }


def test_a_new_baseline_has_no_reference() -> None:
    frames = [frame(steady(3), series=0), frame([(600.0, QUIET | {"c2h4": 300.0})], series=1)]
    found = report(assess(join(frames)), 3)
    assert found.deltas == {}
    assert {call.why for call in found.increments.values()} == {"there is nothing earlier to compare with"}


def test_nothing_measured_gives_reasons_and_no_verdict() -> None:
    found = one({"water": 12.0})
    assert found.status is None
    assert found.nei_oil is None
    assert all(call.why.startswith("not measured") for call in found.methods.values())


def test_the_status_of_a_detection_limit_above_its_norm_is_open() -> None:
    found = one({"c2h2": "<5"}, age=5.0)
    assert found.status is None
    assert any(f.rule == "detection_limit" and f.quantity == "c2h2" for f in found.findings)
    assert judge([(0.0, {"c2h2": "<5"})]).levels.level[0, 4] == -1


def test_a_gas_whose_detection_limit_is_above_its_norm_is_blind_and_no_other() -> None:
    judgement = judge([(0.0, QUIET | {"c2h2": "<5", "h2": "<5"}), (180.0, QUIET | {"c2h2": 5.0})])
    blind = judgement.levels.blind
    assert [NORM_GASES[g] for g in np.flatnonzero(blind[0])] == ["c2h2"]
    assert not blind[1].any(), "a number is judged"
