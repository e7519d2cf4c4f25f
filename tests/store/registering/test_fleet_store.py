"""Looking up the fleet, and keeping the files that samples came from; on both databases."""

from dataclasses import fields
from datetime import timedelta
from typing import Any

import pytest
import sqlalchemy as sa
from fleet_cast import NOW

from app.domain.model import (
    Asset,
    AssetKind,
    Liquid,
    Paper,
    Preservation,
    Site,
    Source,
    SourceKind,
    TapChanger,
)
from app.store import schema as tables
from app.store.database import Database
from app.store.files import files
from app.store.registering import fleet, registration, source_lookup


def test_a_nameplate_comes_back_as_it_was_registered(fleet_database: Database) -> None:
    with fleet_database.read() as connection:
        found = fleet.find_asset(connection, "W-T1")
        reactor = fleet.find_asset(connection, "E-R1")
        assert fleet.find_asset(connection, "NONE") is None
    assert found is not None
    asset, parts = found
    assert (asset.site_code, asset.serial, asset.year_energized) == ("W", "SN-100", 2004)
    assert (asset.rated_kv, asset.rated_mva, asset.oil_volume_l) == (110, 40, 20000)
    assert (asset.preservation, asset.tap_changer) == (Preservation.SEALED, TapChanger.SEPARATE)
    assert [(p.name, p.oil_volume_l) for p in parts] == [("main", 19000), ("tap changer", 1000)]
    assert reactor is not None
    assert reactor[0].kind is AssetKind.REACTOR


def test_a_changed_nameplate_is_kept_whole(fleet_database: Database) -> None:
    plate = Asset("W-T1", "Other", "E", AssetKind.REACTOR, "S", "Maker", 1999, 132.5, 40.5, Liquid.SILICONE, 5.5,
                  Preservation.NITROGEN, TapChanger.NONE, "iec_60599", Paper.PLAIN)  # fmt: skip
    with fleet_database.write() as connection:
        assert [registration.upsert_asset(connection, plate) for _ in range(2)] == ["changed", "unchanged"]
        found = fleet.find_asset(connection, "W-T1")
        assert found is not None
        assert found[0] == plate
        unlike = [f.name for f in fields(Asset) if getattr(found[0], f.name) == f.default]
    assert unlike == []  # a field left at its default would not show that it is kept


def test_an_instrument_knows_its_compartments_and_a_laboratory_has_none(fleet_database: Database) -> None:
    with fleet_database.read() as connection:
        monitor, laboratory = (
            source_lookup.find_source(connection, "W-T1-M"),
            source_lookup.find_source(connection, "LAB"),
        )
        ids = fleet.compartment_ids(connection, [("W-T1", "main"), ("W-T1", "tap changer")])
        instruments = source_lookup.all_sources(connection, SourceKind.INSTRUMENT)
        assert source_lookup.find_source(connection, "NONE") is None
    assert monitor is not None
    assert monitor.compartments == {name: id_ for (_, name), id_ in ids.items()}
    assert (monitor.source.asset_code, monitor.source.expected_interval_minutes) == ("W-T1", 240)
    assert laboratory is not None
    assert (laboratory.compartments, laboratory.source.profile) == ({}, "quillfen")
    assert [s.code for s in instruments] == ["W-T1-M", "W-T2-M"]


def test_a_unit_is_found_by_code_serial_or_name_exactly_as_written(fleet_database: Database) -> None:
    with fleet_database.read() as connection:
        index = fleet.asset_index(connection)
    assert index.find("W-T1") == index.find("SN-100") == index.find("Step-up transformer 1") == ["W-T1"]
    assert index.find("007") == ["W-T2"]
    assert index.find("7") == index.find("w-t1") == index.find("") == []
    assert index.find("SN-100", ("code", "name")) == []
    assert index.compartments["W-T1"] == ("main", "tap changer")
    assert (index.time_zones["W-T1"], index.time_zones["E-R1"]) == ("CET", "UTC")


def test_many_pairs_are_resolved_whatever_the_database_takes_at_once(fleet_database: Database) -> None:
    pairs = [(f"X-{i}", "main") for i in range(70_000)] + [("W-T1", "main"), ("W-T1", "attic")]
    with fleet_database.read() as connection:
        assert set(fleet.compartment_ids(connection, pairs)) == {("W-T1", "main")}


def test_contexts_are_per_compartment_and_unknown_ids_are_left_out(fleet_database: Database) -> None:
    with fleet_database.read() as connection:
        ids = fleet.compartment_ids(connection, [("W-T1", "tap changer"), ("E-R1", "main")])
        found = fleet.compartment_context(connection, [*ids.values(), 10**9])
        assert fleet.compartment_context(connection, []) == {}
    assert set(found) == set(ids.values())
    west, east = found[ids["W-T1", "tap changer"]], found[ids["E-R1", "main"]]
    assert (west.compartment.oil_volume_l, west.site.time_zone) == (1000, "CET")
    assert [c.code for c in west.contacts] == ["planner", "watch"]
    assert [c.code for c in east.contacts] == ["planner"]


def test_one_content_of_one_source_is_kept_once_byte_for_byte(fleet_database: Database) -> None:
    content = bytes(range(256)) * 10

    def add(source_id: int, name: str, data: bytes, days: int = 0) -> int:
        file = files.NewFile(source_id, name, data, NOW + timedelta(days=days), "P. Lanner")
        with fleet_database.write() as connection:
            return files.add(connection, file)

    with fleet_database.read() as connection:
        codes = ("LAB", "W-T1-M")
        lab, other = (s.id for s in (source_lookup.find_source(connection, c) for c in codes) if s)
    first = add(lab, "march.csv", content)
    assert add(lab, "march again.csv", content, days=1) == first
    assert len({first, add(lab, "march.csv", content + b"x"), add(other, "march.csv", content)}) == 3
    with fleet_database.read() as connection:
        row = connection.execute(sa.select(tables.files).where(tables.files.c.id == first)).one()
    assert (row.name, row.content, row.uploaded_at) == ("march.csv", content, NOW)


def test_a_transaction_that_fails_keeps_nothing(fleet_database: Database) -> None:
    def half() -> None:
        with fleet_database.write() as connection:
            assert registration.upsert_site(connection, Site("NEW", "New", "UTC")) == "created"
            raise RuntimeError("afterwards")

    with pytest.raises(RuntimeError, match="afterwards"):
        half()
    with fleet_database.read() as connection:
        assert [s.code for s in fleet.all_sites(connection)] == ["E", "W"]


def test_the_whole_fleet_is_read_in_one_statement_however_many_there_are(fleet_database: Database) -> None:
    statements: list[str] = []

    def note(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        statements.append(statement)

    with fleet_database.write() as connection:
        for i in range(30):
            registration.upsert_asset(connection, Asset(f"N-{i:02}", f"New {i}", "W"))
            registration.upsert_source(
                connection, Source(f"L-{i:02}", f"Laboratory {i}", SourceKind.LABORATORY)
            )
    sa.event.listen(fleet_database.engine, "before_cursor_execute", note)
    try:
        with fleet_database.read() as connection:
            before = len(statements)
            everything = source_lookup.all_sources(connection)
            assets = fleet.assets_with_compartments(connection)
            assert len(statements) - before == 2
            plain = fleet.all_assets(connection)
            laboratories = source_lookup.all_sources(connection, SourceKind.LABORATORY)
            found = [source_lookup.find_source(connection, source.code) for source in everything]
            found_assets = [fleet.find_asset(connection, asset.code) for asset, _ in assets]
    finally:
        sa.event.remove(fleet_database.engine, "before_cursor_execute", note)
    assert [stored.source for stored in found if stored] == everything
    assert found_assets == assets
    assert [asset for asset, _ in assets] == plain
    assert [source.code for source in everything] == sorted(source.code for source in everything)
    assert len(laboratories) == 31
    served = {source.code: source.compartments for source in everything}
    assert (served["W-T1-M"], served["W-T2-M"], served["LAB"]) == (("main", "tap changer"), ("main",), ())
    parts = {asset.code: [part.name for part in parts] for asset, parts in assets}
    assert len(parts) == 33
    assert (parts["W-T1"], parts["N-07"]) == (["main", "tap changer"], [])
