"""Loading a fleet: idempotent, all or nothing, on both databases."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from app.domain.model import EventKind
from app.services.registering.load_fleet import FleetFileError, load_fleet
from app.store.database import Database
from app.store.registering import events, fleet, limits

TEXT = (Path(__file__).parents[2] / "data" / "fleet.yaml").read_text(encoding="utf-8")


def test_a_second_load_changes_nothing(database: Database) -> None:
    first = load_fleet(database, TEXT, "fleet.yaml")
    second = load_fleet(database, TEXT, "fleet.yaml")
    assert first.total("created") > 10
    assert first.total("changed") == first.total("unchanged") == 0
    assert second.total("created") == second.total("changed") == 0
    assert second.total("unchanged") == first.total("created")


def test_a_change_changes_just_that(database: Database) -> None:
    load_fleet(database, TEXT, "fleet.yaml")
    report = load_fleet(database, TEXT.replace("rated_mva: 40", "rated_mva: 45"), "fleet.yaml")
    assert (report.total("changed"), report.total("created")) == (1, 0)
    with database.read() as connection:
        found = fleet.find_asset(connection, "W-T1")
    assert found is not None
    assert found[0].rated_mva == 45


def test_a_faulty_file_stores_nothing(database: Database) -> None:
    with pytest.raises(FleetFileError):
        load_fleet(database, TEXT.replace("W-T1-M", "W T1 M"), "fleet.yaml")
    with database.read() as connection:
        assert fleet.all_sites(connection) == []
        assert fleet.all_assets(connection) == []


def test_context_of_a_compartment_knows_its_site_and_its_contacts(database: Database) -> None:
    load_fleet(database, TEXT, "fleet.yaml")
    with database.read() as connection:
        ids = fleet.compartment_ids(
            connection, [("W-T1", "main"), ("W-T1", "tap changer"), ("W-T1", "attic")]
        )
        context = fleet.compartment_context(connection, ids.values())[ids["W-T1", "main"]]
    assert set(ids) == {("W-T1", "main"), ("W-T1", "tap changer")}
    assert (context.site.code, context.asset.code, context.compartment.name) == ("W", "W-T1", "main")
    assert [c.code for c in context.contacts] == ["planner", "watch"]


def test_what_the_file_no_longer_names_stays_and_is_told(database: Database) -> None:
    load_fleet(database, TEXT, "fleet.yaml")
    shorter = "sites:\n  - {code: W, name: West Weir, time_zone: CET}\n"
    report = load_fleet(database, shorter, "shorter.yaml")
    assert report.not_named == {
        "sites": ("E",),
        "assets": ("E-R1", "W-T1", "W-T2"),
        "laboratories": ("LAB",),
        "instruments": ("W-T1-M", "W-T2-M"),
        "contacts": ("planner", "watch"),
    }
    again = load_fleet(database, TEXT, "fleet.yaml")
    assert (again.total("created"), again.total("changed"), again.not_named) == (0, 0, {})


def test_an_instrument_s_code_cannot_become_a_laboratory_s(database: Database) -> None:
    load_fleet(database, TEXT, "fleet.yaml")
    swapped = (
        TEXT.replace("W-T2-M", "LAB-NEW")
        .replace("code: LAB,", "code: W-T2-M,")
        .replace("name: West Weir", "name: W")
    )
    with pytest.raises(FleetFileError) as caught:
        load_fleet(database, swapped, "f.yaml")
    line = next(i for i, text in enumerate(swapped.splitlines(), 1) if "Test Laboratory" in text)
    assert str(caught.value) == (
        f"f.yaml, line {line}, laboratories.code: 'W-T2-M' is already registered among the instruments;"
        " choose another"
    )
    with database.read() as connection:
        assert [site.name for site in fleet.all_sites(connection)] == ["East Yard", "West Weir"]


def test_events_and_limits_are_registered_and_events_come_back_in_time_order(database: Database) -> None:
    more = (
        "service_events:\n"
        "  - {asset: W-T1, at: 2025-03-01T10:00:00+01:00, kind: degassing}\n"
        "  - {asset: W-T1, at: 2024-03-01T10:00:00Z, kind: calibration, note: first}\n"
        "  - {asset: W-T1, compartment: tap changer, at: 2024-05-01T00:00:00Z, kind: oil_change}\n"
        "limits:\n"
        "  - {scope: asset, of: W-T1, quantity: h2, typical: 70}\n"
    )
    load_fleet(database, TEXT + more, "f")
    again = load_fleet(database, TEXT + more.replace("first", "second").replace("70", "80"), "f")
    assert again.counts["service_events"] == {"unchanged": 2, "changed": 1}
    assert again.counts["limits"] == {"changed": 1}
    with database.read() as connection:
        ids = fleet.compartment_ids(connection, [("W-T1", "main"), ("W-T1", "tap changer"), ("W-T2", "main")])
        found = events.events_for(connection, ids.values())
        assert [(limit.quantity, limit.typical) for limit in limits.all_limits(connection)] == [("h2", 80)]
    assert [(e.kind, e.at, e.note) for e in found[ids["W-T1", "main"]]] == [
        (EventKind.CALIBRATION, datetime(2024, 3, 1, 10, tzinfo=UTC), "second"),
        (EventKind.DEGASSING, datetime(2025, 3, 1, 9, tzinfo=UTC), ""),
    ]
    assert [e.kind for e in found[ids["W-T1", "tap changer"]]] == [EventKind.OIL_CHANGE]
    assert ids["W-T2", "main"] not in found
