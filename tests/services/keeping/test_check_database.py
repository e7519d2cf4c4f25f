"""`ullage db check` finds each thing that can be wrong when it is made so by hand, and nothing in a sound record."""

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from app.domain.model import Reading, Sample
from app.services.keeping import upkeep
from app.services.keeping.check_database import check_database, mend
from app.services.recording.record_samples import BatchTerms, record_samples
from app.store.database import Database
from app.store.keeping import checks

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
CONTEXT = BatchTerms("http://localhost")
HIGH = {"h2": 900.0, "ch4": 800.0, "c2h6": 300.0, "c2h4": 900.0, "c2h2": 60.0, "co": 400.0, "co2": 4000.0}


@pytest.fixture
def recorded(fleet_database: Database) -> Database:
    """Laboratory samples that raise an alert, and forty days of a monitor."""
    readings = {name: Reading(name, value=value) for name, value in HIGH.items()}
    for days in (200, 100, 1):
        sample = Sample("W-T1", "main", "LAB", NOW - timedelta(days=days), readings, origin={})
        record_samples(fleet_database, "LAB", [sample], NOW, CONTEXT)
    online = [
        Sample(
            "W-T1",
            "main",
            "W-T1-M",
            NOW - timedelta(hours=8 * i),
            {
                "h2": Reading("h2", value=20.0 + i % 7),
                "ch4": Reading("ch4", below=2.0) if i % 2 else Reading("ch4", value=2.5),
            },
            origin={},
        )
        for i in reversed(range(120))
    ]
    record_samples(fleet_database, "W-T1-M", online, NOW, CONTEXT)
    upkeep.create_partitions_ahead(fleet_database, NOW)
    return fleet_database


def wrong(database: Database, *, full: bool = False) -> list[str]:
    return [one.what for one in check_database(database, NOW, full=full).broken]


def test_a_sound_record_is_sound(recorded: Database) -> None:
    checked = check_database(recorded, NOW, full=True)
    assert checked.broken == ()
    assert "41 daily summaries" in checked.looked_at
    if recorded.is_sqlite:
        assert "the database's own files and indexes" in checked.looked_at


BREAKAGES = (
    (
        "INSERT INTO samples (id, compartment_id, source_id, taken_at, revision, current, received_at, online,"
        " suspect, below, unjudged) SELECT 9999, compartment_id, source_id, taken_at, 2, true, received_at,"
        " online, suspect, below, unjudged FROM samples WHERE id = 1",
        "more than one revision of a sample is in force",
    ),
    ("UPDATE samples SET rule_set = NULL WHERE id = 2", "samples that count were never judged"),
    (
        "DELETE FROM assessments WHERE sample_id = 2",
        "laboratories' samples that count have no assessment",
    ),
    ("UPDATE samples SET status = 1 WHERE id = 3", "samples do not stand as their assessment says"),
    (
        "UPDATE samples SET source_id = (SELECT id FROM sources WHERE code = 'W-T1-M') WHERE id = 3",
        "samples are filed under the wrong kind of source",
    ),
    (
        "UPDATE samples SET compartment_id = 999 WHERE id = 3",
        "samples are of a compartment that is not there",
    ),
    ("UPDATE samples SET source_id = 999 WHERE id = 3", "samples are of a source that is not there"),
    ("UPDATE samples SET file_id = 999 WHERE id = 3", "samples came with a file that is not there"),
    (
        "INSERT INTO assessments (sample_id, rule_set, assessed_at, suspect, detail)"
        " VALUES (777, 'x', '2026-11-25', false, '{}')",
        "assessments are of a sample that is not there",
    ),
    (
        "INSERT INTO corrections (sample_id, at, author, kind, reason, detail)"
        " VALUES (777, '2026-11-25', 'x', 'edited', 'x', '{}')",
        "corrections are of a sample that is not there",
    ),
    ("UPDATE alert_events SET sample_id = 777", "events of alerts name a sample that is not there"),
    ("UPDATE messages SET sample_id = 777", "messages name a sample that is not there"),
    ("UPDATE alerts SET site_id = 1", "alerts are about more than one thing"),
)


def test_what_is_made_wrong_is_found(recorded: Database) -> None:
    for statement, what in BREAKAGES:
        with recorded.rehearse() as connection:
            assert connection.exec_driver_sql(statement).rowcount != 0, statement
            found = [checks.broken(connection, invariant) for invariant in checks.INVARIANTS]
        assert what in [one.what for one in found if one is not None], statement
    assert {what for _, what in BREAKAGES} == {invariant.what for invariant in checks.INVARIANTS}


@pytest.mark.parametrize(
    "change", ["h2 = h2 + 1e-6", "below = below + 1", "count = count + 1", "ranges = '{}'", "ch4 = NULL"]
)
def test_a_summary_that_is_not_what_the_readings_say_is_found(recorded: Database, change: str) -> None:
    day = date(2026, 11, 20)
    with recorded.rehearse() as connection:
        (series,) = checks.series_with_summaries(connection)
        assert checks.wrong_days(connection, series, day, day) == []
        connection.exec_driver_sql(f"UPDATE daily_summaries SET {change} WHERE day = '{day}'")
        assert checks.wrong_days(connection, series, day - timedelta(days=3), day) == [day]


def test_a_schema_that_was_changed_by_hand_is_found(database: Database) -> None:
    with database.write() as connection:
        connection.exec_driver_sql("ALTER TABLE sites ADD COLUMN altitude INTEGER")
    assert "the schema is not the one of its revision" in wrong(database)


def test_a_day_is_missing_and_old_days_are_looked_at_when_all_are(recorded: Database) -> None:
    with recorded.write() as connection:
        connection.exec_driver_sql("DELETE FROM daily_summaries WHERE day = '2026-11-20'")
        connection.exec_driver_sql("UPDATE daily_summaries SET count = 99 WHERE day = '2026-10-20'")
    (newest,) = check_database(recorded, NOW).broken
    assert (newest.count, newest.examples[0][:10]) == (1, "2026-11-20")
    (both,) = check_database(recorded, NOW, full=True).broken
    assert both.count == 2
    assert mend(recorded, NOW, full=True) == 2
    assert wrong(recorded, full=True) == []


def test_readings_that_have_passed_retention_leave_a_sound_record(recorded: Database) -> None:
    with recorded.read() as connection:
        before = connection.exec_driver_sql("SELECT count(*) FROM samples").scalar_one()
    assert upkeep.end_of_raw(recorded, NOW, 1).readings == 0
    later = NOW + timedelta(days=30)
    assert 0 < upkeep.end_of_raw(recorded, later, 1).readings < before
    upkeep.create_partitions_ahead(recorded, later)
    assert check_database(recorded, later, full=True).broken == ()


@pytest.mark.postgresql
def test_months_that_are_not_made_ahead_are_missed_and_made(postgresql_database: Database) -> None:
    assert wrong(postgresql_database) == ["months of on-line readings are not made ahead"]
    mend(postgresql_database, NOW)
    assert wrong(postgresql_database) == []


def test_an_old_schema_is_told_first(tmp_path: Path) -> None:
    database = Database(f"sqlite:///{tmp_path / 'new.db'}")
    (one,) = check_database(database, NOW).broken
    assert one.what == "the schema is at None, the program at 0001"
    assert one.mend == "run `ullage db upgrade`"
    database.dispose()


def test_a_damaged_file_is_noticed(sqlite_database: Database) -> None:
    path = Path(str(sqlite_database.url.database))
    with sqlite_database.write() as connection:
        for i in range(400):
            connection.exec_driver_sql(f"INSERT INTO heartbeats VALUES ('worker {i:05}', '2026-01-01')")
        connection.exec_driver_sql("UPDATE heartbeats SET worker = worker || '!' WHERE worker LIKE '%7'")
    with sqlite_database.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    sqlite_database.dispose()
    data = path.read_bytes()
    assert data.count(b"worker 00100") == 2, "in the table and in the index of its key"
    path.write_bytes(data.replace(b"worker 00100", b"worker 0O100", 1))
    checked = check_database(sqlite_database, NOW)
    assert checked.broken
    assert all("restore a backup" in one.mend for one in checked.broken)


@pytest.mark.postgresql
def test_indexes_are_checked_where_postgresql_has_the_means(recorded: Database) -> None:
    if recorded.is_sqlite:
        return
    with recorded.write() as connection:
        connection.exec_driver_sql("CREATE EXTENSION amcheck")
    checked = check_database(recorded, NOW)
    assert (checked.looked_at[1], checked.broken) == ("the database's own files and indexes", ())
