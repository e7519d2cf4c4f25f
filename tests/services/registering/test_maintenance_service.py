"""Maintenance on both databases: begun, ended, called off, and what contradicts it."""

from datetime import datetime, timedelta

import pytest
from fleet_cast import NOW

from app.domain.recording.maintenance import Spell
from app.services.registering import maintenance
from app.store.database import Database
from app.store.registering import maintenance as stored
from app.store.registering import source_lookup

HOUR = timedelta(hours=1)


def begin(database: Database, begins: datetime, ends: datetime | None = None) -> None:
    maintenance.begin(database, "W-T1-M", Spell(begins, ends), "R. Quist", "carrier gas")


def told(database: Database) -> list[tuple[datetime, datetime | None]]:
    return [(s.spell.begins_at, s.spell.ends_at) for s in maintenance.spells_of(database, "W-T1-M")]


def test_it_is_begun_and_ended(fleet_database: Database) -> None:
    begin(fleet_database, NOW)
    (open_one,) = maintenance.spells_of(fleet_database, "W-T1-M")
    assert (open_one.spell, open_one.author, open_one.note) == (Spell(NOW, None), "R. Quist", "carrier gas")
    ended = maintenance.end(fleet_database, "W-T1-M", NOW + HOUR)
    assert ended.spell == Spell(NOW, NOW + HOUR)
    assert told(fleet_database) == [(NOW, NOW + HOUR)]
    assert maintenance.spells_of(fleet_database, "W-T2-M") == []


def test_what_is_planned_is_called_off_and_leaves_room(fleet_database: Database) -> None:
    begin(fleet_database, NOW + 5 * HOUR, NOW + 9 * HOUR)
    maintenance.end(fleet_database, "W-T1-M", NOW)
    assert told(fleet_database) == [(NOW + 5 * HOUR, NOW + 5 * HOUR)]
    begin(fleet_database, NOW + 4 * HOUR, NOW + 6 * HOUR)
    with pytest.raises(
        maintenance.MaintenanceError, match="W-T1-M is not in maintenance, and none is planned"
    ):
        maintenance.end(fleet_database, "W-T1-M", NOW + 7 * HOUR)


def test_the_one_that_goes_on_is_ended_before_the_next_is_called_off(fleet_database: Database) -> None:
    begin(fleet_database, NOW, NOW + 3 * HOUR)
    begin(fleet_database, NOW + 5 * HOUR)
    maintenance.end(fleet_database, "W-T1-M", NOW + HOUR)
    assert told(fleet_database) == [(NOW, NOW + HOUR), (NOW + 5 * HOUR, None)]


def test_contradictions_are_refused(fleet_database: Database) -> None:
    begin(fleet_database, NOW, NOW + 2 * HOUR)
    with pytest.raises(
        maintenance.MaintenanceError, match="from 2026-03-01 12:00 UTC until 2026-03-01 14:00 UTC"
    ):
        begin(fleet_database, NOW + HOUR)
    with pytest.raises(maintenance.MaintenanceError, match="must end after it begins"):
        begin(fleet_database, NOW + 9 * HOUR, NOW + 9 * HOUR)
    for code in ("NONE", "LAB"):
        with pytest.raises(maintenance.UnknownReferenceError):
            maintenance.begin(fleet_database, code, Spell(NOW, None), "a", "n")
        with pytest.raises(maintenance.UnknownReferenceError):
            maintenance.end(fleet_database, code, NOW)
        with pytest.raises(maintenance.UnknownReferenceError):
            maintenance.spells_of(fleet_database, code)
    assert told(fleet_database) == [(NOW, NOW + 2 * HOUR)]


def test_the_spells_of_several_instruments_are_read_at_once(fleet_database: Database) -> None:
    begin(fleet_database, NOW + 5 * HOUR)
    begin(fleet_database, NOW, NOW + HOUR)
    with fleet_database.read() as connection:
        found = [source_lookup.find_source(connection, code) for code in ("W-T1-M", "W-T2-M")]
        one, two = (source.id for source in found if source)
        assert stored.spells(connection, [one, two]) == {
            one: [Spell(NOW, NOW + HOUR), Spell(NOW + 5 * HOUR, None)]
        }
