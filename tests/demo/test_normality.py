"""The stories hold against Tables 1 to 4 of IEEE C57.104-2019 (clause 6.1), worked out here without the engine."""

import csv
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from app.demo.fleet import DemoFleet, read_fleet
from app.demo.history import Demo
from app.demo.measure import METERS
from app.demo.stories import PLANS
from app.domain.model import Sample
from app.science.quantities import NORM_GASES

TABLES = Path(__file__).parents[2] / "app" / "science" / "tables" / "ieee_c57_104_2019.csv"
ENDS = [
    datetime(2025, 5, 3, 7, 30, tzinfo=UTC),
    datetime(2026, 8, 14, 15, 0, tzinfo=UTC),
    datetime(2026, 11, 25, 9, 12, tzinfo=UTC),
    datetime(2027, 2, 1, 0, 0, tzinfo=UTC),
]
NORMAL = sorted(code for code, plan in PLANS.items() if plan.expected == 1 and not plan.spoiled)


def limits() -> dict[tuple[str, str, str, str], float]:
    with TABLES.open(encoding="utf-8") as file:
        return {
            (row["table"], row["quantity"], row["oxygen_ratio"], row["age"] or row["span"]): float(
                row["limit"] or 0.0
            )
            for row in csv.DictReader(file)
        }


LIMITS = limits()


def side_and_age(demo: Demo, sample: Sample) -> tuple[str, str]:
    readings = sample.readings
    ratio = readings["o2"].number / readings["n2"].number if "o2" in readings else 1.0
    age = demo.asset(sample.asset_code).age_years(sample.taken_at)
    assert age is not None
    return ("low" if ratio <= 0.2 else "high"), ("1-9" if age < 10 else "10-30" if age < 31 else "over 30")


def above(demo: Demo, sample: Sample, table: str) -> set[str]:
    """Gases above Table 1 or 2; an uncensored reading only."""
    side, age = side_and_age(demo, sample)
    return {
        gas
        for gas in NORM_GASES
        if gas in sample.readings
        and (value := sample.readings[gas].value) is not None
        and value > LIMITS[table, gas, side, age]
    }


def deltas_above(demo: Demo, earlier: Sample, later: Sample) -> set[str]:
    side, _ = side_and_age(demo, later)
    found = set()
    for gas in NORM_GASES:
        value, before = later.readings[gas].value, earlier.readings[gas].number
        if value is not None and value - before > LIMITS["3", gas, side, ""]:
            found.add(gas)
    return found


def rates_above(demo: Demo, samples: list[Sample]) -> set[str]:
    """Table 4 on the last 3 to 6 uncensored points of at most 24 months that span at least 4."""
    last = samples[-1]
    side, _ = side_and_age(demo, last)
    found = set()
    for gas in NORM_GASES:
        window = [
            s
            for s in samples
            if s.readings[gas].value is not None and last.taken_at - s.taken_at <= timedelta(days=730.5)
        ][-6:]
        if len(window) < 3:
            continue
        days = np.array([(s.taken_at - last.taken_at) / timedelta(days=1) for s in window])
        if days[-1] - days[0] < 4 * 30.44:
            continue
        span = "4-9" if days[-1] - days[0] <= 9 * 30.44 else "10-24"
        slope = np.polyfit(days, [s.readings[gas].number for s in window], 1)[0] * 365.0
        if slope > LIMITS["4", gas, side, span]:
            found.add(gas)
    return found


def after_baseline(demo: Demo, samples: Iterable[Sample]) -> list[Sample]:
    kept = list(samples)
    for event in demo.events:
        if event.kind.restarts_baseline and kept and event.asset_code == kept[0].asset_code:
            kept = [s for s in kept if s.taken_at > event.at]
    return kept


@pytest.fixture(scope="module", params=ENDS, ids=lambda end: end.date().isoformat())
def demo(request: pytest.FixtureRequest, fleet: DemoFleet) -> Demo:
    return Demo(fleet.assets, fleet.service_events, request.param)


@pytest.fixture(scope="module")
def fleet() -> DemoFleet:
    return read_fleet()


@pytest.mark.parametrize("code", NORMAL)
def test_normal_unit_is_normal_in_every_laboratory_sample(demo: Demo, code: str) -> None:
    samples = after_baseline(demo, demo.laboratory("QUILLFEN", [code]))
    assert len(samples) >= 3
    for i, sample in enumerate(samples):
        assert above(demo, sample, "1") == set(), (code, sample.taken_at)
        assert rates_above(demo, samples[: i + 1]) == set(), (code, sample.taken_at)
        if i:
            assert deltas_above(demo, samples[i - 1], sample) == set(), (code, sample.taken_at)


@pytest.mark.parametrize("code", METERS)
def test_on_line_history_is_normal(demo: Demo, fleet: DemoFleet, code: str) -> None:
    """Levels of each reading, and Table 4 on all readings of the last nine months (our reading of it)."""
    samples = demo.online_history(fleet.instrument(code))
    assert all(above(demo, s, "1") == set() for s in samples)
    recent = samples[-270 * 6 :]
    side, _ = side_and_age(demo, recent[-1])
    days = np.array([(s.taken_at - recent[-1].taken_at) / timedelta(days=1) for s in recent])
    for gas in NORM_GASES:
        if gas in recent[0].readings and recent[0].readings[gas].value is not None:
            slope = np.polyfit(days, [s.readings[gas].number for s in recent], 1)[0] * 365.0
            assert slope < LIMITS["4", gas, side, "4-9"], gas


def test_slow_and_stray_units_end_between_tables_1_and_2(demo: Demo) -> None:
    for code, gases in (("OST-T2", {"ch4"}), ("MAR-T2", {"co2"}), ("ZEP-R1", {"h2"})):
        samples = demo.laboratory("QUILLFEN", [code])
        assert above(demo, samples[-1], "1") == gases, code
        assert above(demo, samples[-1], "2") == set(), code
        assert rates_above(demo, samples) == set(), code


def test_contaminated_unit_has_the_ratio_of_a_leaking_tap_changer(demo: Demo) -> None:
    """C2H2/H2 above 3 (IEEE C57.104-2019, D.9.2) at acetylene above Table 2."""
    for sample in demo.laboratory("QUILLFEN", ["ZEP-T1"]):
        assert sample.readings["c2h2"].number / sample.readings["h2"].number > 3.0
        assert above(demo, sample, "2") == {"c2h2"}


def test_degassed_unit_was_high_and_is_normal_since(demo: Demo) -> None:
    samples = demo.laboratory("QUILLFEN", ["MAR-T1"])
    before = [s for s in samples if s.taken_at < demo.events[0].at]
    assert all("c2h4" in above(demo, s, "1") for s in before[1:])
    assert "c2h4" in above(demo, before[-1], "1")
    assert all(above(demo, s, "1") == set() for s in after_baseline(demo, samples))


def test_spoiled_sample_is_refuted_by_its_confirmation(demo: Demo) -> None:
    """Delta above Table 3 with all levels below Table 1 and no rate to be had: step 5, second row."""
    *earlier, spoiled, confirmation = demo.laboratory("QUILLFEN", ["ZEP-S1"])
    assert deltas_above(demo, earlier[-1], spoiled) == {"h2"}
    assert above(demo, spoiled, "1") == set()
    assert rates_above(demo, [*earlier, spoiled]) == set()
    assert confirmation.taken_at - spoiled.taken_at < timedelta(days=31)
    assert deltas_above(demo, earlier[-1], confirmation) == set()


def test_the_live_fault_passes_table_1_and_then_table_2(demo: Demo, fleet: DemoFleet) -> None:
    played = demo.online(fleet.instrument("QUE-T1-M"), -60, 0)
    first = next(i for i, s in enumerate(played) if "c2h4" in above(demo, s, "1"))
    second = next(i for i, s in enumerate(played) if "c2h4" in above(demo, s, "2"))
    assert 60 < first < second < 300
    assert above(demo, played[0], "1") == set()
    last = played[-1].readings
    assert last["c2h4"].number > last["ch4"].number > last["h2"].number > last["c2h2"].number > 1.0
