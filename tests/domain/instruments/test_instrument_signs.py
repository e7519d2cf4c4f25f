"""Found, missed and false, in series of our own making that no threshold was set on (see instrument_table.py)."""

import numpy as np
import pytest
from instrument_faults import KINDS
from instrument_series import FAULTS, START, healthy
from instrument_table import FIRST_SEED, SERIES, clean_row, spoiled_row

from app.domain.instruments.findings import Kind
from app.domain.instruments.rules import look
from app.domain.model import EventKind
from app.science.quantities import INDEX

SEEDS = range(FIRST_SEED, FIRST_SEED + SERIES)
AT_LEAST = {
    "stuck": 24,
    "spike": 24,
    "step": 19,
    "drift": 22,
    "saturated": 18,
    "negative": 24,
    "missing": 24,
    "daily_cycle": 24,
}


def test_every_kind_has_its_series() -> None:
    assert set(KINDS) == set(AT_LEAST) == {kind.value for kind in Kind}
    assert SERIES >= 20


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_wrong_is_found_and_nothing_else(kind: str) -> None:
    row = spoiled_row(kind, SEEDS)
    assert row.false_told == []
    assert row.found >= AT_LEAST[kind], f"not found as such: {row.missed_seeds}"


@pytest.mark.parametrize("part", range(4))
def test_nothing_is_said_of_a_healthy_monitor(part: int) -> None:
    seeds = SEEDS[part::4]
    row, looks = clean_row(seeds)
    assert looks == 29 * len(seeds)
    assert row.false_told == []


@pytest.mark.parametrize("pattern", FAULTS)
@pytest.mark.parametrize("amount", [20.0, 80.0, 400.0])
def test_a_fault_that_comes_within_one_reading_is_no_step_of_the_instrument(
    pattern: str, amount: float
) -> None:
    for seed in range(FIRST_SEED + 100, FIRST_SEED + 104):
        year = healthy(seed, fault=False)
        begins = START + 200.3
        total = sum(FAULTS[pattern].values())
        for gas, share in FAULTS[pattern].items():
            q = INDEX[gas]
            after = (year.at >= begins) & ~year.below[:, q]
            year.values[after, q] = year.rounded(year.values[after, q] + amount * share / total)
        assert look(year.record(begins + 7.0)) == []


def test_oil_that_was_degassed_is_no_sign_of_the_instrument_when_the_work_is_on_record() -> None:
    for seed in range(FIRST_SEED + 110, FIRST_SEED + 114):
        year = healthy(seed, fault=False)
        begins = START + 200.3
        for gas in year.gases:
            q = INDEX[gas]
            after = (year.at >= begins) & ~year.below[:, q]
            year.values[after, q] = year.rounded(0.1 * year.values[after, q])
        without = look(year.record(begins + 7.0))
        assert {f.kind for f in without} == {Kind.STEP}
        assert all("record the service event" in f.sentence for f in without)
        year.events = ((begins - 0.5, EventKind.DEGASSING),)
        assert [f for f in look(year.record(begins + 7.0)) if f.kind is Kind.STEP] == []


def test_a_step_at_a_calibration_on_record_is_told_and_asks_for_nothing() -> None:
    year = healthy(FIRST_SEED + 120, fault=False)
    begins = START + 200.3
    for gas in year.gases:
        after = (year.at >= begins) & ~year.below[:, INDEX[gas]]
        year.values[after, INDEX[gas]] = year.rounded(1.4 * year.values[after, INDEX[gas]])
    year.events = ((begins, EventKind.CALIBRATION),)
    found = look(year.record(begins + 7.0))
    assert len(found) >= 3
    assert {(f.kind, f.explained_by) for f in found} == {(Kind.STEP, "calibration")}


def test_a_constant_detection_limit_and_a_constant_zero_are_not_stuck() -> None:
    year = healthy(FIRST_SEED + 130, fault=False)
    year.values[:, INDEX["c2h2"]], year.below[:, INDEX["c2h2"]] = 0.5, True
    assert look(year.record(START + 200.0)) == []
    year.below[:, INDEX["c2h2"]] = False  # as a monitor writes that knows no "<"
    assert look(year.record(START + 200.0)) == []
    year.values[:, INDEX["c2h2"]] = 0.0
    assert look(year.record(START + 200.0)) == []


def test_a_coarse_sensor_that_repeats_itself_for_weeks_is_not_stuck() -> None:
    rng = np.random.default_rng(7)
    year = healthy(FIRST_SEED + 131, fault=False)
    for level in np.linspace(11.6, 12.4, 9):  # from one edge of a step of resolution to the other
        year.values[:, INDEX["h2"]] = np.round(level + 0.12 * rng.standard_normal(len(year.at)))
        year.days = None
        assert [f for f in look(year.record(START + 200.0)) if f.quantity == "h2"] == []


def test_an_empty_record_says_nothing() -> None:
    year = healthy(FIRST_SEED + 132)
    assert look(year.record(START - 1.0)) == []
