"""Loading a fleet: idempotent, all or nothing, on both databases."""

from pathlib import Path

import pytest

from app.services.load_fleet import FleetFileError, load_fleet
from app.store import fleet
from app.store.database import Database

TEXT = (Path(__file__).parents[1] / "data" / "fleet.yaml").read_text(encoding="utf-8")


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
