"""The guide's worked cases and published method tables, through the whole engine: `assess`, then `report`."""

from collections import Counter
from functools import cache
from pathlib import Path

import pytest
from engine_cast import GOLDEN, golden, judge, last, one, read_golden

from app.domain.findings import Assessment
from app.domain.judging.report import ReportOptions, report
from app.science.diagnosis.energy import nei_oil
from app.science.diagnosis.triangles import TRIANGLE_1_ZONES, duval_triangle_1
from app.science.quantities import FAULT_GASES, GASES


def readings(row: dict[str, str]) -> dict[str, float]:
    return {gas: float(row[gas]) for gas in GASES if row.get(gas)}


@cache
def case(name: str) -> tuple[tuple[dict[str, str], Assessment], ...]:
    found = [row for row in golden("guide_cases") if row["case"] == name]
    age = float(found[0]["age"]) if found[0]["age"] else None
    judgement = judge([(float(row["day"]), readings(row)) for row in found], age=age)
    brief = ReportOptions(detailed=False)
    return tuple((row, report(judgement, number, brief)) for number, row in enumerate(found))


GUIDE = [pytest.param(name, n, id=f"{name}-{n + 1}") for name in ("E.1", "E.9") for n in range(4)]


@pytest.mark.parametrize(("name", "number"), GUIDE)
def test_a_case_of_the_guide_is_judged_as_printed(name: str, number: int) -> None:
    printed, found = case(name)[number]
    assert found.status == int(printed["status"])
    assert found.suspect == (printed["asks_confirmation"] == "yes")
    assert any(f.rule == "confirmed" for f in found.findings) == (printed["confirmed"] == "yes")
    for method, column in (("duval_triangle_1", "triangle_1"), ("duval_pentagon_2", "pentagon_2")):
        assert found.methods[method].code == (printed[column] or None)
    assert found.nei_oil == pytest.approx(float(printed["nei_oil"]), abs=float(printed["tolerance"]))
    expected_fault = "T3" if printed["triangle_1"] else None
    assert (found.fault.code if found.fault else None) == expected_fault


def test_case_e1_is_extreme_as_the_guide_says_and_shows_its_shares() -> None:
    _, second = case("E.1")[1]
    assert any(f.rule == "extreme" and f.quantity == "c2h4" for f in second.findings)
    assert second.methods["duval_triangle_1"].why == "CH₄ 37.5 %, C₂H₄ 61.9 %, C₂H₂ 0.6 %"  # printed shares


def test_the_confirmation_of_e1_is_compared_with_the_sample_before_the_suspect_one() -> None:
    _, third = case("E.1")[2]
    assert third.deltas["c2h4"] == pytest.approx(678.0)


def test_the_calculation_example_of_d4() -> None:
    """CH4 25, C2H4 15, C2H2 10: 50/30/20 %, zone D2 (IEEE C57.104-2019, D.4)."""
    found = one({"ch4": 25.0, "c2h4": 15.0, "c2h2": 10.0}).methods["duval_triangle_1"]
    assert (found.code, found.why) == ("D2", "CH₄ 50.0 %, C₂H₄ 30.0 %, C₂H₂ 20.0 %")


def test_nei_against_its_formula_written_out() -> None:
    """IEEE C57.104-2019 Annex F: (77.7 CH4 + 93.5 C2H6 + 104.1 C2H4 + 278.3 C2H2)/22400, E.1 point 2."""
    by_hand = (77.7 * 421 + 93.5 * 128 + 104.1 * 695 + 278.3 * 7) / 22400
    assert case("E.1")[1][1].nei_oil == pytest.approx(by_hand, abs=5e-4)
    assert float(nei_oil(421, 128, 695, 7)) == pytest.approx(5.31, abs=0.005)


def test_nei_without_ethane_and_of_paper() -> None:
    numbers = case("E.1")[1][1].numbers
    assert numbers["nei_oil_without_ethane"] == pytest.approx(
        (77.7 * 421 + 104.1 * 695 + 278.3 * 7) / 22400, abs=5e-4
    )
    assert numbers["nei_paper"] == pytest.approx((101.4 * 25 + 30.2 * 360) / 22400, abs=5e-4)


def test_the_overlap_of_the_iec_table_is_told_as_such() -> None:
    found = one({"h2": 100.0, "ch4": 30.0, "c2h6": 10.0, "c2h4": 30.0, "c2h2": 60.0}).methods[
        "iec_60599_ratios"
    ]
    assert found.code == "D1/D2"
    assert "the table's rows overlap here" in found.why


def test_triangle_1_on_inspected_cases_disagrees_where_it_is_known_to() -> None:
    """Labels and methods legitimately disagree: 58 of 64 agree, and no zone is tuned to a label.

    Case 192 has no gas above its typical value, so the engine does not ask the triangle (58 becomes 57).
    """
    by_zone, by_engine, cases = Counter[str](), Counter[str](), Counter[str]()
    for row in golden("inspected_cases"):
        label, gases = row["label"], {gas: float(row[gas]) for gas in FAULT_GASES}
        zone = TRIANGLE_1_ZONES[int(duval_triangle_1(gases["ch4"], gases["c2h4"], gases["c2h2"]))]
        cases[label] += 1
        by_zone[label] += zone in label.split("/")
        by_engine[label] += one(gases).methods["duval_triangle_1"].code in label.split("/")
    assert cases == {"PD": 4, "D1": 13, "D2": 24, "T3": 15, "T1/T2": 8}
    assert by_zone == {"PD": 4, "D1": 11, "D2": 24, "T3": 14, "T1/T2": 5}
    assert by_engine == by_zone - Counter({"T1/T2": 1})


def test_case_192_is_where_the_engine_keeps_silent() -> None:
    row = next(r for r in golden("inspected_cases") if r["case"] == "192")
    found = one({gas: float(row[gas]) for gas in FAULT_GASES})
    assert found.status == 1
    assert found.fault is None


def test_every_row_of_every_golden_table_names_its_source() -> None:
    tables = sorted(GOLDEN.glob("*.csv"))
    assert len(tables) >= 4
    for table in tables:
        assert read_golden(table)


def test_a_golden_row_without_source_is_refused(tmp_path: Path) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text("case,source,clause\n1,somewhere,1\n2,,1\n", encoding="utf-8")
    with pytest.raises(ValueError, match=r"bad\.csv line 3: source is empty"):
        read_golden(bad)


def test_a_reading_of_the_last_sample_alone_decides_nothing_about_an_earlier_fault_name() -> None:
    """Case E.9 with its last sample left out: what was said of the third sample stays the same."""
    found = [row for row in golden("guide_cases") if row["case"] == "E.9"][:3]
    alone = last([(float(r["day"]), readings(r)) for r in found], age=None)
    assert alone == case("E.9")[2][1]
