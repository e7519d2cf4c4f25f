"""Extreme results: much above Tables 2 or 3, by rate or by fault, first samples too (IEEE C57.104-2019, 6.1.2)."""

from dataclasses import replace
from typing import Final

import numpy as np
import pytest
from engine_cast import QUIET, START, frame, judge, last, one

from app.domain.alerting.advice import advice, urgency
from app.domain.alerting.conditions.gassing import EXTREME, GASSING
from app.domain.alerting.shown import Shown, Speaker, of_assessment
from app.domain.findings import Assessment
from app.domain.judging.engine import assess
from app.domain.judging.norms import Norming
from app.domain.judging.report import ReportOptions, report
from app.domain.model import Asset
from app.science.quantities import NAMES, NORM_GASES
from app.science.tables import rows

UNIT: Final = Asset("T1", "T1", "S")
BRIEF: Final = ReportOptions(detailed=False)
SECOND: Final = """
level  h2 x10 | ch4 x10 | c2h6 1000 | c2h4 x10 | c2h2 x20
delta  h2 x20 | ch4 x20 | c2h6 x20 | c2h4 200 | c2h2 35
rate   h2 x50 | ch4 x50 | c2h6 x50 | c2h4 x25
fault  c2h4 x5 | c2h2 x5
trip   c2h2 1
"""
"""The table again, written by hand: the guide's two examples (C2H4 +200, C2H6 1000), condition 4 of the 2008 edition
for acetylene (35), the usual detection limit (1); the multiples are ours (docs/decisions/engine.md)."""


def extreme_gases(found: Assessment) -> list[str | None]:
    return [f.quantity for f in found.findings if f.rule == "extreme"]


def severity(found: Assessment) -> int:
    shown = of_assessment(found, Speaker("lab", online=False))
    assert isinstance(shown, Shown)
    evidence = GASSING.shown(shown)
    return evidence.severity if evidence else 0


def test_the_table_is_what_was_decided() -> None:
    decided = {}
    for line in SECOND.strip().splitlines():
        kind, rest = line.split(maxsplit=1)
        for cell in rest.split("|"):
            gas, number = cell.split()
            decided[kind, gas] = ("", number) if number[0] != "x" else (number[1:], "")
    assert {(r["kind"], r["quantity"]): (r["times"], r["limit"]) for r in rows("extreme")} == decided


@pytest.mark.parametrize(("gas", "level"), [("h2", 5000.0), ("c2h2", 5000.0), ("c2h4", 2500.0)])
def test_a_first_sample_far_above_its_norms_is_an_emergency(gas: str, level: float) -> None:
    found = one(QUIET | {gas: level}, age=None)
    assert gas in extreme_gases(found)
    assert urgency(found) == "extreme"
    assert severity(found) == EXTREME
    steps = advice(found, UNIT, START)
    assert steps.next_sample_due is not None
    assert (steps.next_sample_due - START.date()).days <= 2


@pytest.mark.parametrize(("gas", "level"), [("h2", 300.0), ("c2h2", 15.0), ("c2h4", 300.0), ("c2h6", 900.0)])
def test_a_first_sample_above_table_2_is_high_and_not_extreme(gas: str, level: float) -> None:
    found = one(QUIET | {gas: level}, age=20.0)
    assert found.status == 3
    assert extreme_gases(found) == []


def test_the_multiple_of_table_2_is_reached_and_not_passed() -> None:
    at = one(QUIET | {"ch4": 1500.0}, age=20.0)  # ten times 150
    under = one(QUIET | {"ch4": 1499.0}, age=20.0)
    assert extreme_gases(at) == ["ch4"]
    assert extreme_gases(under) == []
    assert "(from 1500 µL/L on)" in next(f.text for f in at.findings if f.rule == "extreme")


def test_an_owners_limit_above_table_2_is_what_is_multiplied() -> None:
    none = np.full((1, len(NAMES)), np.nan)
    high = none.copy()
    high[0, NAMES.index("ch4")] = 400.0
    norming = replace(Norming.default(1), owner=np.zeros(1, np.int64), owner_typical=none, owner_high=high)
    assert extreme_gases(one(QUIET | {"ch4": 3000.0}, age=20.0, norming=norming)) == []
    assert extreme_gases(one(QUIET | {"ch4": 4000.0}, age=20.0, norming=norming)) == ["ch4"]


def test_no_norm_no_multiple_of_it() -> None:
    barred = replace(Norming.default(1), barred=np.ones(1, np.int8))
    assert extreme_gases(one(QUIET | {"c2h2": 5000.0}, norming=barred)) == []


def test_a_change_far_above_table_3_is_extreme_however_it_is_cut_into_samples() -> None:
    once = judge([(0.0, QUIET), (100.0, QUIET | {"c2h2": 40.0})], age=20.0)
    often = judge([(10.0 * i, QUIET | {"c2h2": 4.0 * i}) for i in range(11)], age=20.0)
    c2h2 = NORM_GASES.index("c2h2")
    assert once.extreme_kinds.found["delta"][-1, c2h2]
    assert often.extreme_kinds.found["delta"][-1, c2h2]


def test_a_steep_rate_is_extreme_where_its_points_bear_it_out() -> None:
    """C2H4 of a sealed unit: 25 times Table 4 over 4 to 9 months (10) is 250 a year."""
    steep = judge([(30.0 * i, QUIET | {"c2h4": 10.0 + 21.0 * i}) for i in range(6)], age=20.0)
    slow = judge([(30.0 * i, QUIET | {"c2h4": 10.0 + 15.0 * i}) for i in range(6)], age=20.0)
    c2h4 = NORM_GASES.index("c2h4")
    assert steep.extreme_kinds.found["rate"][-1, c2h4]
    assert not slow.extreme_kinds.found["rate"].any()
    text = next(f.text for f in report(steep, 5, BRIEF).findings if f.rule == "extreme")
    assert text.startswith("C₂H₄ rises by 255 µL/L a year, which is extreme (from 250 µL/L a year on)")


ARC: Final = {"h2": 120.0, "ch4": 20.0, "c2h4": 25.0, "c2h2": 40.0, "c2h6": 5.0}
"""Triangle 1: CH4 24, C2H4 29, C2H2 47 %: D2. C2H2 is 5.7 times Table 2 of air-breathing units (7)."""


def test_a_grave_pattern_is_extreme_from_half_the_level_on_where_the_gas_is_new() -> None:
    air = QUIET | {"o2": 20_000.0}
    first = one(air | ARC, age=20.0)
    assert extreme_gases(first) == ["c2h2"]
    assert "in the pattern of D2" in next(f.text for f in first.findings if f.rule == "extreme")
    old = last([(0.0, air | ARC), (365.0, air | ARC | {"h2": 119.0}), (730.0, air | ARC)], age=20.0)
    assert extreme_gases(old) == [], "the same gas two years later is neither new nor rising"


def test_gas_of_a_tap_changer_is_no_grave_pattern() -> None:
    assert extreme_gases(one(QUIET | {"o2": 20_000.0} | ARC | {"h2": 10.0}, age=20.0)) == []


def tripped(samples: list[tuple[float, dict[str, float]]]) -> Assessment:
    alone = frame(samples, age=20.0)
    flags = np.zeros(len(samples), dtype=np.bool_)
    flags[-1] = True
    return report(assess(replace(alone, tripped=flags)), len(samples) - 1, BRIEF)


def test_acetylene_from_nothing_after_a_trip_is_extreme() -> None:
    found = tripped([(0.0, QUIET), (200.0, QUIET | {"c2h2": 1.5})])
    assert extreme_gases(found) == ["c2h2"]
    assert found.suspect
    assert severity(found) == EXTREME, "it alarms while its confirmation is asked for"
    assert "since the trip" in next(f.text for f in found.findings if f.rule == "extreme")


def test_old_acetylene_and_traces_after_a_trip_are_not() -> None:
    assert extreme_gases(tripped([(0.0, QUIET | {"c2h2": 1.6}), (200.0, QUIET | {"c2h2": 1.5})])) == []
    assert extreme_gases(tripped([(0.0, QUIET), (200.0, QUIET | {"c2h2": 0.5})])) == []
    assert extreme_gases(last([(0.0, QUIET), (200.0, QUIET | {"c2h2": 1.5})], age=20.0)) == [], (
        "without a trip"
    )


def test_a_doubtful_sample_far_above_norms_asks_for_confirmation_and_alarms() -> None:
    """Ten times the ethylene of before: a digit may be wrong, or the unit is in trouble."""
    before = {"h2": 60.0, "ch4": 90.0, "c2h6": 40.0, "c2h4": 60.0}
    found = last([(0.0, QUIET | before), (180.0, QUIET | before | {"c2h4": 610.0})], age=20.0)
    assert found.doubtful
    assert found.suspect
    assert found.doubted_gases == ("c2h4",)
    assert severity(found) == EXTREME


@pytest.mark.parametrize(
    ("age", "worked", "expected"), [(0.5, False, ["early"]), (20.0, False, []), (20.0, True, ["early"])]
)
def test_gas_above_detection_on_a_new_or_repaired_unit_gets_an_early_second_sample(
    age: float, worked: bool, expected: list[str]
) -> None:
    alone = replace(frame([(0.0, QUIET)], age=age), worked=np.array([worked]))
    found = report(assess(alone), 0, BRIEF)
    assert [f.rule for f in found.findings if f.rule == "early"] == expected
    assert urgency(found) == ("early" if expected else "routine")
    due = advice(found, UNIT, START).next_sample_due
    assert due is not None
    assert (due - START.date()).days == (14 if expected else 365)


def test_what_stood_still_in_the_second_sample_asks_for_no_third() -> None:
    still = last([(0.0, QUIET), (14.0, QUIET)], age=0.5)
    risen = last([(0.0, QUIET), (14.0, QUIET | {"h2": 20.0})], age=0.5)
    assert [f.quantity for f in still.findings if f.rule == "early"] == []
    assert "H₂ is above detection" in next(f.text for f in risen.findings if f.rule == "early")
