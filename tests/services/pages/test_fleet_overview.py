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


def test_every_oil_has_a_next_sample_due(database: Database) -> None:
    """Never sampled: now. Sampled quietly: in a year. Watched by a monitor alone: a month after its first reading."""
    load_fleet(database, FLEET.read_text("utf-8"), "fleet.yaml", NOW)
    assert {row.due for row in fleet_overview(database, FleetQuery(), NOW).rows} == {NOW.date()}
    record(database, "LAB", 100.0, 10.0)
    assert row_of(database).due == (NOW - timedelta(days=100) + timedelta(days=365)).date()
    online = {n: Reading(n, value=v) for n, v in QUIET.items()}
    for days in (8.0, 1.0):
        taken = Sample("W-T2", "main", "W-T2-M", NOW - timedelta(days=days), online)
        record_samples(database, "W-T2-M", [taken], NOW, BatchTerms(URL))
    rows = {
        (r.unit.asset.code, r.unit.compartment.name): r
        for r in fleet_overview(database, FleetQuery(), NOW).rows
    }
    assert rows["W-T2", "main"].due == (NOW - timedelta(days=8) + timedelta(days=30)).date()
    assert all(row.due is not None for row in rows.values())


def test_a_monitor_that_leads_does_not_hide_that_the_yearly_sample_is_due(database: Database) -> None:
    load_fleet(database, FLEET.read_text("utf-8"), "fleet.yaml", NOW)
    record(database, "LAB", 380.0, 10.0)
    online = {n: Reading(n, value=v) for n, v in QUIET.items()}
    taken = Sample("W-T1", "main", "W-T1-M", NOW - timedelta(hours=1), online)
    record_samples(database, "W-T1-M", [taken], NOW, BatchTerms(URL))
    row = row_of(database)
    assert row.newest is not None
    assert row.newest.source_kind is SourceKind.INSTRUMENT
    assert row.due == (NOW - timedelta(days=15)).date()


def test_a_sample_that_was_asked_for_is_told_with_its_day(database: Database) -> None:
    """A suspect laboratory sample asks for another; the readings of the monitor that follow do not put that off."""
    load_fleet(database, FLEET.read_text("utf-8"), "fleet.yaml", NOW)
    for days, h2 in ((700.0, 10.0), (350.0, 11.0), (20.0, 70.0)):
        record(database, "LAB", days, h2)
    view = asset_view(database, "W-T1", "main")
    assert view is not None
    assert view.verdict is not None
    assert not any("has been asked for" in a.text for a in view.verdict.advice.actions)
    online = {n: Reading(n, value=v) for n, v in QUIET.items()}
    taken = Sample("W-T1", "main", "W-T1-M", NOW - timedelta(hours=1), online)
    record_samples(database, "W-T1-M", [taken], NOW, BatchTerms(URL))
    view = asset_view(database, "W-T1", "main")
    assert view is not None
    assert view.second is not None, "what the laboratory found leads"
    steps = view.second.advice
    assert steps.next_sample_due == (NOW + timedelta(days=10)).date()
    day = (NOW - timedelta(days=20)).date().isoformat()
    assert any(f"It has been asked for since {day}" in a.text for a in steps.actions)
    assert row_of(database).due == (NOW + timedelta(days=10)).date()
