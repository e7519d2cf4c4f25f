"""Months made ahead, and raw on-line readings ended: what goes, what stays, and what is said of it."""

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import pytest
import sqlalchemy as sa
from fleet_cast import FLEET

from app.domain.model import Reading, Sample
from app.services.correcting.put_right import Place, move_sample
from app.services.keeping import upkeep
from app.services.pages.missing_sample import why_missing
from app.services.pages.trend_data import trend_data
from app.services.recording.record_samples import BatchTerms, record_samples
from app.services.recording.sample_contents import PutRightError
from app.services.registering.load_fleet import load_fleet
from app.store.correcting.corrections import By
from app.store.database import Database
from app.store.keeping import retention
from app.store.partitions import ensure_months, months
from app.store.schema import daily_summaries, samples

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
CONTEXT = BatchTerms("http://localhost")


def record(database: Database, source: str, at: datetime, hydrogen: float = 20.0) -> int:
    sample = Sample("W-T1", "main", source, at, {"h2": Reading("h2", value=hydrogen)}, origin={})
    (outcome,) = record_samples(database, source, [sample], NOW, CONTEXT)
    assert outcome.result == "stored", outcome
    assert outcome.sample_id is not None
    return outcome.sample_id


def fill(database: Database) -> dict[str, int]:
    """A reading in each of five months, the last of August and the first of September, and an old laboratory's."""
    return {
        "laboratory": record(database, "LAB", datetime(2026, 6, 3, tzinfo=UTC)),
        "july": record(database, "W-T1-M", datetime(2026, 7, 2, 5, tzinfo=UTC), 11.0),
        "august": record(database, "W-T1-M", datetime(2026, 8, 31, 23, 59, 59, tzinfo=UTC), 12.0),
        "september": record(database, "W-T1-M", datetime(2026, 9, 1, tzinfo=UTC)),
        "october": record(database, "W-T1-M", datetime(2026, 10, 5, tzinfo=UTC)),
        "november": record(database, "W-T1-M", datetime(2026, 11, 24, tzinfo=UTC)),
    }


def left(database: Database) -> set[int]:
    with database.read() as connection:
        return set(connection.execute(sa.select(samples.c.id)).scalars())


@pytest.mark.parametrize(
    ("keep", "first"),
    [
        (1, datetime(2026, 10, 1, tzinfo=UTC)),
        (10, datetime(2026, 1, 1, tzinfo=UTC)),
        (11, datetime(2025, 12, 1, tzinfo=UTC)),
        (24, datetime(2024, 11, 1, tzinfo=UTC)),
    ],
)
def test_what_is_kept_begins_with_a_month(keep: int, first: datetime) -> None:
    assert upkeep.horizon(NOW, keep) == first


def test_without_a_setting_all_is_kept(fleet_database: Database) -> None:
    ids = fill(fleet_database)
    assert upkeep.end_of_raw(fleet_database, NOW, 0) == upkeep.EndOfRaw(None)
    assert left(fleet_database) == set(ids.values())


def test_raw_readings_go_by_whole_months_and_summaries_and_laboratories_stay(
    fleet_database: Database,
) -> None:
    ids = fill(fleet_database)
    before = datetime(2026, 9, 1, tzinfo=UTC)
    ended = upkeep.end_of_raw(fleet_database, NOW, 2)
    assert (ended.before, ended.readings) == (before, 2)
    if not fleet_database.is_sqlite:
        assert ended.months == (date(2026, 7, 1), date(2026, 8, 1))
    assert left(fleet_database) == set(ids.values()) - {ids["july"], ids["august"]}
    with fleet_database.read() as connection:
        query = sa.select(daily_summaries.c.day, daily_summaries.c.h2).order_by(daily_summaries.c.day)
        kept = [(day, h2) for day, h2 in connection.execute(query)]
        assert retention.raw_begins(connection) == before
    assert kept[:3] == [(date(2026, 7, 2), 11.0), (date(2026, 8, 31), 12.0), (date(2026, 9, 1), 20.0)]
    assert upkeep.end_of_raw(fleet_database, NOW, 2).readings == 0  # once more: nothing is left to do


def test_a_dry_run_counts_and_changes_nothing(fleet_database: Database) -> None:
    ids = fill(fleet_database)
    assert upkeep.end_of_raw(fleet_database, NOW, 2, dry_run=True).readings == 2
    assert left(fleet_database) == set(ids.values())
    with fleet_database.read() as connection:
        assert retention.raw_begins(connection) is None


def test_many_rows_go_some_at_a_time(sqlite_database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(upkeep, "DELETED_AT_ONCE", 2)
    with sqlite_database.write() as connection:
        connection.exec_driver_sql("INSERT INTO sites (code, name, time_zone) VALUES ('S', 'S', 'UTC')")
        connection.exec_driver_sql(
            "INSERT INTO assets (site_id, code, name, kind, liquid, preservation, tap_changer, norm_set, paper)"
            " VALUES (1, 'A', 'A', 'transformer', 'mineral', 'sealed', 'none', 'ieee_c57_104_2019', 'unknown')"
        )
        connection.exec_driver_sql(
            "INSERT INTO compartments (asset_id, name, kind) VALUES (1, 'main', 'main')"
        )
        for i in range(7):
            connection.execute(
                sa.insert(samples).values(
                    compartment_id=1,
                    source_id=1,
                    taken_at=datetime(2020, 1, 1 + i, tzinfo=UTC),
                    revision=1,
                    current=True,
                    received_at=NOW,
                    online=True,
                    suspect=False,
                    below=0,
                    unjudged=0,
                )
            )
    assert upkeep.end_of_raw(sqlite_database, NOW, 1).readings == 6
    assert left(sqlite_database) == {7}, "the greatest id must not be given to another sample"


@pytest.mark.postgresql
def test_months_can_be_kept_as_tables_by_themselves(postgresql_database: Database) -> None:
    with postgresql_database.write() as connection:
        ensure_months(connection, [datetime(2020, 1, 5, tzinfo=UTC)])
    upkeep.end_of_raw(postgresql_database, NOW, 2, keep_tables=True)
    with postgresql_database.read() as connection:
        assert months(connection) == []
        assert connection.exec_driver_sql("SELECT count(*) FROM samples_online_2020_01").scalar() == 0


@pytest.mark.postgresql
def test_months_are_made_ahead(postgresql_database: Database) -> None:
    made = upkeep.create_partitions_ahead(postgresql_database, datetime(2026, 11, 30, 23, tzinfo=UTC))
    assert made == [date(2026, 11, 1), date(2026, 12, 1), date(2027, 1, 1), date(2027, 2, 1)]
    with postgresql_database.read() as connection:
        assert months(connection) == made
    assert upkeep.create_partitions_ahead(postgresql_database, NOW) == []
    following = upkeep.create_partitions_ahead(postgresql_database, NOW + timedelta(days=40))
    assert following == [date(2027, 3, 1), date(2027, 4, 1)]
    assert all(a < b for a, b in pairwise(made))


@pytest.mark.postgresql
def test_somebody_who_reads_for_long_makes_it_wait_and_nothing_is_half_done(
    fleet_postgresql: Database,
) -> None:
    ids = fill(fleet_postgresql)
    with fleet_postgresql.read() as reader:
        reader.execute(sa.select(sa.func.count()).select_from(samples))
        with pytest.raises(sa.exc.OperationalError, match="lock timeout"):
            upkeep.end_of_raw(fleet_postgresql, NOW, 2)
    assert left(fleet_postgresql) == set(ids.values())
    assert upkeep.end_of_raw(fleet_postgresql, NOW, 2).readings == 2


@pytest.fixture
def fleet_postgresql(postgresql_database: Database) -> Database:
    text = FLEET.read_text(encoding="utf-8")
    load_fleet(postgresql_database, text, "fleet.yaml")
    return postgresql_database


def test_what_is_said_of_a_sample_that_is_not_stored(fleet_database: Database) -> None:
    ids = fill(fleet_database)
    assert why_missing(fleet_database, 4711) == "No sample has the id 4711."
    upkeep.end_of_raw(fleet_database, NOW, 2)
    told = why_missing(fleet_database, ids["july"])
    assert "passed retention (on-line readings taken before 2026-09-01 UTC are gone)" in told
    assert "The day's summary is kept" in told
    assert why_missing(fleet_database, 4711) == "No sample has the id 4711."


def test_a_trend_shows_the_days_whose_readings_are_gone(fleet_database: Database) -> None:
    fill(fleet_database)
    upkeep.end_of_raw(fleet_database, NOW, 2)
    data = trend_data(fleet_database, "W-T1", "main", "all")
    assert data is not None
    assert [point.value for point in data.online["h2"]][:3] == [11.0, 12.0, 20.0]


def test_a_reading_of_a_time_that_has_ended_is_refused_and_its_day_stays(fleet_database: Database) -> None:
    """One late reading must not make a new summary of a day that is kept."""
    fill(fleet_database)
    upkeep.end_of_raw(fleet_database, NOW, 2)
    late = [
        Sample("W-T1", "main", "W-T1-M", at, {"h2": Reading("h2", value=99.0)}, origin={})
        for at in (datetime(2026, 7, 2, 6, tzinfo=UTC), datetime(2026, 9, 1, 6, tzinfo=UTC))
    ]
    refused, taken = record_samples(fleet_database, "W-T1-M", late, NOW, CONTEXT)
    assert (refused.result, refused.field) == ("rejected", "samples[0].taken_at")
    assert refused.reason is not None
    assert "lies before 2026-09-01 UTC: raw readings of that time have passed retention" in refused.reason
    assert taken.result == "stored"
    with fleet_database.read() as connection:
        query = sa.select(daily_summaries.c.h2).order_by(daily_summaries.c.day)
        assert list(connection.execute(query).scalars())[:3] == [11.0, 12.0, 59.5]


def test_a_reading_is_not_moved_into_a_time_that_has_ended(fleet_database: Database) -> None:
    ids = fill(fleet_database)
    upkeep.end_of_raw(fleet_database, NOW, 2)
    ended = Place("W-T1", "main", datetime(2026, 7, 2, 6, tzinfo=UTC))
    by = By("N. N.", "its clock was wrong", NOW)
    with pytest.raises(PutRightError, match="raw readings before 2026-09-01 UTC have passed retention"):
        move_sample(fleet_database, ids["november"], ended, by, "http://localhost")
    kept = Place("W-T1", "main", datetime(2026, 9, 3, tzinfo=UTC))
    assert move_sample(fleet_database, ids["november"], kept, by, "http://localhost") > ids["november"]
