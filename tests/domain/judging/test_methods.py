"""The registry of methods: every method's file is in it, every method is wherever methods are listed, and each says of
its published cases what is printed."""

from collections import Counter
from importlib import import_module
from pkgutil import iter_modules

import numpy as np
import pytest
from engine_cast import QUIET, golden, judge, one

from app.domain.judging import methods
from app.domain.judging.methods import METHODS, PICTURED, TITLES, ZONE_METHODS
from app.domain.judging.methods.method import Method, ZoneMethod
from app.domain.judging.methods.words import ratios_of
from app.domain.judging.report import ReportOptions, report
from app.domain.judging.reporting.fault import SUPPORTING, WEIGHED, WITNESSES
from app.domain.judging.reporting.fault_causes import STRAY
from app.science.quantities import NORM_GASES
from app.science.tables import rows

CASES = golden("methods")
BY_NAME = {method.name: method for method in METHODS}
THERMAL = QUIET | {"h2": 95.0, "ch4": 421.0, "c2h6": 128.0, "c2h4": 695.0, "c2h2": 7.0}
METHOD = pytest.mark.parametrize("method", METHODS, ids=lambda method: method.name)


def readings(row: dict[str, str]) -> dict[str, float]:
    return {gas: float(row[gas]) for gas in NORM_GASES if row[gas]}


def test_every_file_that_holds_a_method_is_in_the_registry() -> None:
    modules = [import_module(f"{methods.__name__}.{found.name}") for found in iter_modules(methods.__path__)]
    held = {module.METHOD.name: module for module in modules if hasattr(module, "METHOD")}
    assert {name: module.__name__.rpartition(".")[2] for name, module in held.items()} == {
        method.name: method.name for method in METHODS
    }


@METHOD
def test_a_method_says_what_it_is(method: Method) -> None:
    assert TITLES[method.name] == method.title
    assert Counter(m.title for m in METHODS)[method.title] == 1
    assert method.tables, "every method has its limits in tables"
    assert all(rows(table) for table in method.tables)
    assert set(method.gases) <= set(method.reads) <= set(NORM_GASES)
    if method.after is not None:
        assert METHODS.index(method.after[0]) < METHODS.index(method)


def test_no_table_belongs_to_two_methods() -> None:
    tables = Counter(table for method in METHODS for table in method.tables)
    assert set(tables.values()) == {1}


def test_a_ratio_is_written_as_people_write_it() -> None:
    """600, not 6e+02; a division by nothing is undefined, and says by which gas."""
    assert ratios_of(("C₂H₂/C₂H₄", 600.4, 1.0), ("CH₄/H₂", 0.00004, 1.0)) == "C₂H₂/C₂H₄ 600, CH₄/H₂ 0.00004"
    assert ratios_of(("C₂H₂/C₂H₄", 5.0, 0.0)) == "C₂H₂/C₂H₄ undefined (C₂H₄ zero)"
    assert ratios_of(("C₂H₂/C₂H₄", 0.0, 0.0)) == "C₂H₂/C₂H₄ undefined (both zero)"


def test_a_detection_limit_is_written_as_people_write_it() -> None:
    found = one({"h2": 1e9, "ch4": 20.0, "c2h6": 8.0, "c2h4": "<2000000", "c2h2": 0.0})
    assert "C₂H₄ <2000000" in found.methods["duval_triangle_1"].why


def test_the_key_gas_says_that_oxide_of_ordinary_oil_is_no_case() -> None:
    """CO is 93 % of the gas and below its norm of 900: its profile fits, and it means nothing."""
    found = one(QUIET | {"h2": 90.0, "co": 800.0}).methods["key_gas"]
    assert found.code is None
    assert (
        found.why == "most of the gas is carbon monoxide, as in ordinary oil, and that is not above its norm"
    )
    mixed = one(QUIET | {"h2": 300.0, "ch4": 300.0, "c2h6": 300.0, "c2h4": 300.0}).methods["key_gas"]
    assert mixed.code is None
    assert mixed.why.startswith("the shares resemble no profile (best match ")
    assert mixed.why.endswith(" %, 70 % would name one)")


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case['method']}: {case['clause']}")
def test_a_method_says_of_a_published_case_what_is_printed(case: dict[str, str]) -> None:
    method, found = BY_NAME[case["method"]], readings(case)
    held = method.held(*(np.array([found.get(gas, np.nan)]) for gas in method.reads))[0]
    said = method.joint.join(code for code, hit in zip(method.codes, held, strict=True) if hit)
    assert said == case["says"]


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case['method']}: {case['clause']}")
def test_the_engine_tells_it_or_why_the_method_may_not_speak(case: dict[str, str]) -> None:
    call = one(readings(case)).methods[case["method"]]
    expected = None if case["engine"] or not case["says"] else case["says"]
    assert (call.code, call.applicable) == (expected, expected is not None), call
    assert (case["engine"] or case["why"]) in call.why


@METHOD
def test_every_method_has_published_cases(method: Method) -> None:
    assert {case["method"] for case in CASES} >= {method.name}


def test_an_assessment_tells_every_method_and_what_each_judges() -> None:
    found = report(judge([(0.0, QUIET), (200.0, THERMAL)]), 1, ReportOptions(draws=20))
    assert list(found.methods) == [method.name for method in METHODS]
    assert found.certainty is not None
    assert set(found.certainty.zones) == {m.name for m in ZONE_METHODS if m.drawn} == {
        "duval_triangle_1", "duval_pentagon_1", "duval_pentagon_2",
    }  # fmt: skip
    assert list(found.increments) == [
        f"{m.name}/{since}"
        for since in ("since_reference", "since_baseline")
        for m in ZONE_METHODS
        if m.tells_increment
    ]
    assert {name.partition("/")[0] for name in found.increments} == {"duval_triangle_1", "duval_pentagon_1"}


def test_what_takes_part_in_the_fault_call() -> None:
    """As docs/decisions/fault-call.md has it: a vote of any other method made the call worse or no better."""
    assert {argument: method.name for argument, method in WEIGHED.items()} == {
        "triangle_1": "duval_triangle_1",
        "pentagon_2": "duval_pentagon_2",
    }
    assert {m.name for m in WITNESSES} == {"duval_triangle_1", "duval_pentagon_1", "iec_60599_ratios"}
    assert {m.name for m in SUPPORTING} == {m.name for m in ZONE_METHODS} | {"iec_60599_ratios"}
    assert {m.name for m in STRAY} == {"duval_triangle_4", "duval_pentagon_1"}


def test_a_method_whose_table_is_from_memory_has_no_part_in_the_fault_call() -> None:
    for method in METHODS:
        remembered = any(row["provenance"] == "from memory" for table in method.tables for row in rows(table))
        assert not (remembered and (method.fault.decides or method.fault.witness)), method.name


def test_a_picture_has_the_zones_that_the_method_can_name() -> None:
    assert {method.name for method, _ in PICTURED} == {"duval_triangle_1", "duval_pentagon_1"}
    for method, picture in PICTURED:
        assert set(picture.corners) == set(method.codes)


def test_what_is_weighed_for_the_fault_is_asked_about_the_new_gas_and_drawn() -> None:
    for method in WEIGHED.values():
        assert isinstance(method, ZoneMethod)
        assert method.on_increment
        assert method.drawn
