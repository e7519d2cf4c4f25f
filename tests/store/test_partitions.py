"""On-line readings by month on PostgreSQL: months come when they are needed, and nobody waits or fails for it."""

import threading
from collections.abc import Callable
from contextlib import ExitStack
from datetime import UTC, date, datetime, timedelta

import pytest
import sqlalchemy as sa

from app.domain.model import Reading, Sample
from app.store import partitions
from app.store.database import Connection, Database
from app.store.recording import samples
from app.store.recording.samples import NewRow
from app.store.registering import fleet
from app.store.schema import samples as samples_table

pytestmark = pytest.mark.postgresql
NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


def row(at: datetime, *, online: bool = True, compartment_id: int = 1) -> NewRow:
    sample = Sample("W-T1", "main", "W-T1-M", at, {"h2": Reading("h2", value=20.0)}, origin={})
    return NewRow(compartment_id, 1, sample, online)


def stored_in(connection: Connection) -> dict[str, int]:
    """Rows by the table that holds them."""
    query = "SELECT tableoid::regclass::text, count(*) FROM samples GROUP BY 1"
    return {str(name): int(n) for name, n in connection.exec_driver_sql(query)}


def test_each_reading_lies_in_its_month_and_laboratory_samples_apart(postgresql_database: Database) -> None:
    times = [
        datetime(1989, 12, 31, 23, 59, tzinfo=UTC),
        datetime(2026, 10, 31, 23, 59, 59, 999999, tzinfo=UTC),
        datetime(2026, 11, 1, tzinfo=UTC),
        datetime(2026, 12, 31, 23, tzinfo=UTC),
        datetime(2100, 1, 1, tzinfo=UTC),
    ]
    with postgresql_database.write() as connection:
        samples.add_new(connection, [row(at) for at in times], NOW)
        samples.add_new(connection, [row(NOW, online=False)], NOW)
        assert stored_in(connection) == {
            "samples_online_before": 1,
            "samples_online_2026_10": 1,
            "samples_online_2026_11": 1,
            "samples_online_2026_12": 1,
            "samples_online_after": 1,
            "samples_laboratory": 1,
        }
        assert partitions.months(connection) == [date(2026, month, 1) for month in (10, 11, 12)]


@pytest.mark.parametrize(
    ("month", "following"),
    [(date(2026, 11, 1), date(2026, 12, 1)), (date(2026, 12, 1), date(2027, 1, 1))],
)
def test_the_month_after(month: date, following: date) -> None:
    assert partitions.next_month(month) == following


def test_a_month_is_a_utc_month() -> None:
    assert partitions.month_of(datetime.fromisoformat("2026-12-01T00:30:00+01:00")) == date(2026, 11, 1)


def test_a_month_has_every_index_of_the_whole(postgresql_database: Database) -> None:
    with postgresql_database.write() as connection:
        partitions.ensure_months(connection, [NOW])
    inspector = sa.inspect(postgresql_database.engine)

    def indexes(table: str) -> list[tuple[str, ...]]:
        return sorted(tuple(str(c) for c in i["column_names"]) for i in inspector.get_indexes(table))

    assert indexes("samples_online_2026_11") == indexes("samples")
    assert inspector.get_pk_constraint("samples_online_2026_11")["constrained_columns"] == [
        "id",
        "online",
        "taken_at",
    ]


def test_nobody_waits_while_a_month_is_made_beside_open_transactions(postgresql_database: Database) -> None:
    """A writer and a reader hold their transactions open over the samples all the while."""
    with postgresql_database.write() as writer, postgresql_database.read() as reader:
        samples.add_new(writer, [row(NOW)], NOW)
        assert stored_in(reader) == {}
        with postgresql_database.write() as other:
            other.exec_driver_sql("SET LOCAL lock_timeout = '5s'")
            samples.add_new(other, [row(NOW + timedelta(days=31), compartment_id=2)], NOW)
        assert stored_in(reader) == {}, "it sees one moment"
        with postgresql_database.read() as later:
            assert stored_in(later) == {"samples_online_2026_12": 1}
        samples.add_new(writer, [row(NOW + timedelta(days=32))], NOW)  # which now has its month


def test_what_is_rolled_back_takes_no_month_with_it(postgresql_database: Database) -> None:
    with postgresql_database.rehearse() as connection:
        samples.add_new(connection, [row(NOW)], NOW)
    with postgresql_database.write() as connection:
        samples.add_new(connection, [row(NOW)], NOW)
        assert stored_in(connection) == {"samples_online_2026_11": 1}


def test_many_that_need_the_same_new_months_at_once_all_get_them(postgresql_url: str) -> None:
    """Each with an engine of its own, as processes have; months in opposite orders."""
    months = [datetime(2024, m, 15, tzinfo=UTC) for m in range(1, 13)]
    databases = [Database(postgresql_url) for _ in range(6)]
    errors: list[BaseException] = []
    start = threading.Barrier(len(databases))

    def record(place: int) -> Callable[[], None]:
        def run() -> None:
            try:
                start.wait(30)
                for at in months if place % 2 else months[::-1]:
                    with databases[place].write() as connection:
                        samples.add_new(connection, [row(at, compartment_id=place)], NOW)
            except BaseException as error:  # noqa: BLE001 - told below
                errors.append(error)

        return run

    threads = [threading.Thread(target=record(place)) for place in range(len(databases))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert errors == []
    with databases[0].read() as connection:
        assert stored_in(connection) == {f"samples_online_2024_{m:02}": 6 for m in range(1, 13)}
    for database in databases:
        database.dispose()


def test_a_full_pool_is_no_obstacle(postgresql_url: str) -> None:
    """Every connection of the pool is in a transaction that needs a month of its own."""
    database = Database(postgresql_url)
    with ExitStack() as held:
        for i in range(20):
            connection = held.enter_context(database.write())
            at = datetime(2020 + i // 12, 1 + i % 12, 1, tzinfo=UTC)
            samples.add_new(connection, [row(at)], NOW)
    with database.read() as connection:
        assert connection.execute(sa.select(sa.func.count()).select_from(samples_table)).scalar() == 20
    database.dispose()


def test_ids_come_from_the_one_sequence(postgresql_database: Database) -> None:
    with postgresql_database.write() as connection:
        stored = samples.add_new(connection, [row(NOW), row(NOW + timedelta(hours=1))], NOW)
        following = connection.exec_driver_sql("SELECT nextval('samples_id_seq')").scalar()
    assert [one.sample_id for one in stored] == [1, 2]
    assert following == 3


def test_sqlite_needs_none_of_it(sqlite_database: Database) -> None:
    with sqlite_database.write() as connection:
        partitions.ensure_months(connection, [NOW])
        fleet.lock_compartments(connection, [1])
        assert samples.add_new(connection, [row(NOW)], NOW)[0].result == "stored"
