"""The record is the same for the same seed and end, holds no future, and is censored at detection limits."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest

from app.demo.climate import Grid
from app.demo.fleet import DemoFleet, read_fleet
from app.demo.history import Demo
from app.demo.measure import FIVE_GAS, LABORATORY, METERS, measure
from app.demo.stories import LIVE_DAYS, PLANS
from app.domain.model import Sample

END = datetime(2026, 11, 25, 9, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def fleet() -> DemoFleet:
    return read_fleet()


def demo(fleet: DemoFleet, end: datetime = END, seed: int = 7) -> Demo:
    return Demo(fleet.assets, fleet.service_events, end, seed)


def everything(fleet: DemoFleet, made: Demo) -> list[Sample]:
    samples = made.laboratory("QUILLFEN", [a.code for a in fleet.assets])
    for code in METERS:
        samples += made.online(fleet.instrument(code), -LIVE_DAYS - 20, 0)
    return samples


def test_every_asset_has_a_plan_and_every_instrument_a_meter(fleet: DemoFleet) -> None:
    assert {a.code for a in fleet.assets} == set(PLANS)
    assert {i.code for i in fleet.instruments} == set(METERS)


def test_same_seed_and_end_make_the_same_record(fleet: DemoFleet) -> None:
    assert everything(fleet, demo(fleet)) == everything(fleet, demo(fleet))


def test_another_seed_makes_another_record(fleet: DemoFleet) -> None:
    assert everything(fleet, demo(fleet)) != everything(fleet, demo(fleet, seed=8))


def test_nothing_lies_after_the_end(fleet: DemoFleet) -> None:
    assert max(s.taken_at for s in everything(fleet, demo(fleet))) <= END


def test_the_record_spans_six_years_of_laboratory_and_one_of_instruments(fleet: DemoFleet) -> None:
    made = demo(fleet)
    laboratory = made.laboratory("QUILLFEN", ["OST-T1"])
    assert timedelta(days=5.3 * 365) < END - laboratory[0].taken_at < timedelta(days=6 * 366)
    online = made.online_history(fleet.instrument("QUE-T1-M"))
    assert len(online) == 365 * 6
    assert online[-1].taken_at <= END - timedelta(days=LIVE_DAYS)
    gaps = {b.taken_at - a.taken_at for a, b in pairwise(online)}
    assert gaps == {timedelta(hours=4)}


def test_history_and_live_part_meet_without_gap_or_overlap(fleet: DemoFleet) -> None:
    made, instrument = demo(fleet), fleet.instrument("QUE-T1-M")
    history, live = made.online_history(instrument), made.online(instrument, -LIVE_DAYS, 0)
    assert live[0].taken_at - history[-1].taken_at == timedelta(hours=4)
    assert made.online(instrument, -LIVE_DAYS - 1, -LIVE_DAYS + 1) == history[-6:] + live[:6]


def test_identities_are_unique(fleet: DemoFleet) -> None:
    keys = [(s.asset_code, s.source_code, s.taken_at) for s in everything(fleet, demo(fleet))]
    assert len(keys) == len(set(keys))


def test_readings_below_the_limit_are_censored(fleet: DemoFleet) -> None:
    for sample in demo(fleet).laboratory("QUILLFEN", ["OST-T1"]):
        assert sample.readings["c2h2"].below == LABORATORY.limits["c2h2"]
        assert sample.readings["c2h2"].value is None
        for name, limit in LABORATORY.limits.items():
            value = sample.readings[name].value
            assert value is None or value >= limit


def test_scatter_is_the_meters_scatter() -> None:
    rng = np.random.default_rng(1)
    truth = dict.fromkeys(FIVE_GAS.limits, 1_000.0)
    unbiased = dict.fromkeys(FIVE_GAS.limits, 1.0)
    values = [measure(FIVE_GAS, truth, unbiased, rng)["h2"].number for _ in range(4_000)]
    assert np.mean(values) == pytest.approx(1_000.0, rel=0.003)
    assert np.std(values) == pytest.approx(30.0, rel=0.05)


def test_water_follows_the_temperature_and_hydrogen_leaves_a_breathing_unit(fleet: DemoFleet) -> None:
    truth = demo(fleet).truth("OST-T1").quantities
    assert np.corrcoef(truth["water"], truth["oil_temperature"])[0, 1] > 0.8
    monthly = truth["h2"][: 6 * 365 * 6].reshape(-1, 180).mean(axis=1)
    assert 0.5 < np.ptp(monthly) < 6.0


def test_an_end_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="no time zone"):
        Grid.until(datetime(2026, 1, 1))  # noqa: DTZ001 - that is the point


def test_unknown_asset_is_named(fleet: DemoFleet) -> None:
    with pytest.raises(KeyError, match=r"no asset 'X'; it has OST-T1"):
        demo(fleet).asset("X")
