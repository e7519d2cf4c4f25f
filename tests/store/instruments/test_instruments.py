"""What the watch knows of an instrument: when it was heard, how often it should be, whether it is worked on."""

from datetime import UTC, datetime, timedelta

import sqlalchemy as sa

from app.domain.instruments.instrument import Instrument
from app.domain.instruments.silence import UNKNOWN_INTERVAL
from app.domain.model import Source, SourceKind
from app.store.bulk import insert_rows
from app.store.database import Database
from app.store.instruments import instruments
from app.store.partitions import ensure_months
from app.store.registering import fleet, registration
from app.store.schema import instrument_states, maintenance_spells, samples, sources

NOW = datetime(2026, 3, 1, tzinfo=UTC)
HOUR = timedelta(hours=1)


def one(database: Database, code: str) -> Instrument:
    with database.read() as connection:
        return next(i for i in instruments.instruments(connection, NOW) if i.code == code)


def register(database: Database, code: str) -> int:
    """An instrument on W-T1 whose interval nobody gave."""
    with database.write() as connection:
        registration.upsert_source(
            connection, Source(code, "Monitor", SourceKind.INSTRUMENT, "W-T1", ("main",))
        )
        query = sa.select(sources.c.id).where(sources.c.code == code)
        return int(connection.execute(query).scalar_one())


def read(database: Database, source_id: int, times: list[datetime]) -> None:
    """Readings as a store has them that was filled before posts were noted; each came five minutes later."""
    with database.write() as connection:
        place = fleet.compartment_ids(connection, [("W-T1", "main")])["W-T1", "main"]
        ensure_months(connection, times)
        when = ("compartment_id", "source_id", "taken_at", "received_at")
        columns = (*when, "revision", "current", "online", "suspect", "below", "unjudged", "h2")
        rows = [(place, source_id, t, t + HOUR / 12, 1, True, True, False, 0, 0, 20.0) for t in times]
        insert_rows(connection, samples, columns, rows)


def test_who_left_no_note_was_heard_when_the_newest_reading_came(fleet_database: Database) -> None:
    source_id = register(fleet_database, "W-T1-Q")
    assert one(fleet_database, "W-T1-Q").watched.heard_at is None
    read(fleet_database, source_id, [NOW - 9 * HOUR, NOW - 5 * HOUR])
    watched = one(fleet_database, "W-T1-Q").watched
    assert (watched.heard_at, watched.newest_taken_at) == (NOW - 5 * HOUR + HOUR / 12, NOW - 5 * HOUR)
    with fleet_database.write() as connection:
        noted = {"heard_at": NOW - HOUR, "newest_taken_at": NOW - 2 * HOUR, "token": 0}
        connection.execute(sa.insert(instrument_states).values(source_id=source_id, **noted))
    assert one(fleet_database, "W-T1-Q").watched.heard_at == NOW - HOUR


def test_an_interval_is_as_registered_or_learnt(fleet_database: Database) -> None:
    source_id = register(fleet_database, "W-T1-Q")
    assert (one(fleet_database, "W-T1-M").watched.interval, one(fleet_database, "W-T1-M").learnt) == (
        4 * HOUR,
        False,
    )
    assert one(fleet_database, "W-T1-Q").watched.interval == UNKNOWN_INTERVAL
    read(fleet_database, source_id, [NOW - i * HOUR / 2 for i in range(2, 30)])
    assert (one(fleet_database, "W-T1-Q").watched.interval, one(fleet_database, "W-T1-Q").learnt) == (
        HOUR / 2,
        True,
    )


def test_maintenance_holds_until_its_end_and_then_excuses(fleet_database: Database) -> None:
    source_id = register(fleet_database, "W-T1-Q")
    for begins, ends, at_work, excused in (
        (NOW - 9 * HOUR, NOW - 8 * HOUR, False, NOW - 8 * HOUR),
        (NOW - 2 * HOUR, None, True, NOW - 8 * HOUR),
        (NOW + HOUR, NOW + 2 * HOUR, True, NOW - 8 * HOUR),
    ):
        with fleet_database.write() as connection:
            spell = {"source_id": source_id, "begins_at": begins, "ends_at": ends, "author": "A", "note": "n"}
            connection.execute(sa.insert(maintenance_spells).values(spell))
        watched = one(fleet_database, "W-T1-Q").watched
        assert (watched.maintenance, watched.excused_until) == (at_work, excused)
