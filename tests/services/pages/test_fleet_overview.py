"""The fleet list: what a sample is compared with when several laboratories analyse one oil."""

from datetime import timedelta

from fleet_cast import FLEET, NOW, QUIET, URL

from app.domain.model import Reading, Sample, Source, SourceKind
from app.services.pages.asset_view import asset_view
from app.services.pages.fleet_overview import FleetQuery, FleetRow, fleet_overview
from app.services.recording.record_samples import BatchTerms, record_samples
from app.services.registering.load_fleet import load_fleet
from app.services.registering.register import register_source
from app.store.database import Database


def record(database: Database, laboratory: str, days: float, h2: float) -> None:
    readings = {n: Reading(n, value=v) for n, v in (QUIET | {"h2": h2}).items()}
    taken = Sample("W-T1", "main", laboratory, NOW - timedelta(days=days), readings)
    record_samples(database, laboratory, [taken], NOW, BatchTerms(URL))


def row_of(database: Database) -> FleetRow:
    found = fleet_overview(database, FleetQuery(), NOW)
    return next(r for r in found.rows if r.unit.asset.code == "W-T1" and r.unit.compartment.name == "main")


def test_the_first_sample_of_another_laboratory_is_not_the_first_of_the_unit(database: Database) -> None:
    load_fleet(database, FLEET.read_text("utf-8"), "fleet.yaml", NOW)
    register_source(database, Source("LAB-2", "Second laboratory", SourceKind.LABORATORY))
    record(database, "LAB", 700.0, 10.0)
    assert row_of(database).previous_at is None
    record(database, "LAB", 350.0, 20.0)
    record(database, "LAB-2", 10.0, 50.0)
    row = row_of(database)
    assert row.previous_at == NOW - timedelta(days=350.0)
    assert [(c.quantity, c.amount) for c in row.changes] == [("h2", 30.0)]
    view = asset_view(database, "W-T1", "main")
    assert view is not None
    assert view.verdict is not None
    assert view.verdict.previous is not None
    assert view.verdict.previous.taken_at == NOW - timedelta(days=350.0)


def test_the_sample_before_is_the_newest_of_any_laboratory(database: Database) -> None:
    load_fleet(database, FLEET.read_text("utf-8"), "fleet.yaml", NOW)
    register_source(database, Source("LAB-2", "Second laboratory", SourceKind.LABORATORY))
    for laboratory, days in (("LAB-2", 500.0), ("LAB", 300.0), ("LAB-2", 100.0)):
        record(database, laboratory, days, 10.0)
    assert row_of(database).previous_at == NOW - timedelta(days=300.0)
