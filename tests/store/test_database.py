"""Transactions: a rehearsal leaves nothing behind and, on SQLite, keeps nobody waiting."""

import threading

import pytest
import sqlalchemy as sa

from app.domain.model import Site
from app.store.database import ConnectionOptions, Database, try_alone, wait_alone
from app.store.registering import fleet, registration


def test_nothing_of_a_rehearsal_stays(database: Database) -> None:
    with database.rehearse() as connection:
        registration.upsert_site(connection, Site("N", "North", "UTC"))
        assert [site.code for site in fleet.all_sites(connection)] == ["N"]
    with database.read() as connection:
        assert fleet.all_sites(connection) == []


def test_a_rehearsal_sees_what_is_stored(database: Database) -> None:
    with database.write() as connection:
        registration.upsert_site(connection, Site("N", "North", "UTC"))
    with database.rehearse() as connection:
        assert [site.code for site in fleet.all_sites(connection)] == ["N"]


def test_others_write_while_a_rehearsal_goes_on(database: Database) -> None:
    done = threading.Event()

    def write() -> None:
        with database.write() as connection:
            registration.upsert_site(connection, Site("S", "South", "UTC"))
        done.set()

    with database.rehearse() as connection:
        registration.upsert_site(connection, Site("N", "North", "UTC"))
        threading.Thread(target=write).start()
        assert done.wait(10), "the writer did not wait for the rehearsal's end"
    with database.read() as connection:
        assert [site.code for site in fleet.all_sites(connection)] == ["S"]


def test_what_fails_is_taken_back(database: Database) -> None:
    try:
        with database.write() as connection:
            registration.upsert_site(connection, Site("N", "North", "UTC"))
            connection.execute(sa.text("SELECT * FROM no_such_table"))
    except sa.exc.DBAPIError:
        pass
    with database.read() as connection:
        assert fleet.all_sites(connection) == []


def test_a_glance_sees_what_is_committed_and_leaves_transactions_as_they_are(database: Database) -> None:
    with database.write() as connection:
        registration.upsert_site(connection, Site("N", "North", "UTC"))
    with database.glance() as connection:
        assert [site.code for site in fleet.all_sites(connection)] == ["N"]
    with database.read() as connection:  # of the same pool: what is changed in it is rolled back as ever
        registration.upsert_site(connection, Site("S", "South", "UTC"))
    with database.glance() as connection:
        assert [site.code for site in fleet.all_sites(connection)] == ["N"]


@pytest.mark.postgresql
def test_one_at_a_time_is_at_a_duty(postgresql_database: Database) -> None:
    entered = threading.Event()

    def waits() -> None:
        with postgresql_database.write() as connection:
            wait_alone(connection, "cleaning")
            entered.set()

    with postgresql_database.write() as first:
        wait_alone(first, "cleaning")
        with postgresql_database.write() as second:
            assert not try_alone(second, "cleaning")
            assert try_alone(second, "another duty")
        thread = threading.Thread(target=waits)
        thread.start()
        assert not entered.wait(0.2)
    thread.join(60)
    assert entered.is_set(), "the end of the first transaction lets the next one in"
    with postgresql_database.write() as third:
        assert try_alone(third, "cleaning")


@pytest.mark.postgresql
def test_a_statement_of_a_server_is_bounded_in_time_and_the_connection_goes_on(postgresql_url: str) -> None:
    database = Database(postgresql_url, ConnectionOptions(statement_seconds=0.2))
    with database.read() as connection:
        with pytest.raises(sa.exc.OperationalError, match="statement timeout"):
            connection.exec_driver_sql("SELECT pg_sleep(60)")
        connection.rollback()
        assert connection.exec_driver_sql("SHOW idle_in_transaction_session_timeout").scalar() == "5min"
    with database.read() as connection:
        assert connection.exec_driver_sql("SELECT 1").scalar() == 1
    database.dispose()


def test_what_is_committed_meanwhile_does_not_come_between_two_queries_of_a_read(database: Database) -> None:
    with database.read() as reading:
        assert fleet.all_sites(reading) == []
        with database.write() as connection:
            registration.upsert_site(connection, Site("N", "North", "UTC"))
        assert fleet.all_sites(reading) == []
    with database.read() as reading:
        assert [site.code for site in fleet.all_sites(reading)] == ["N"]


@pytest.mark.postgresql
def test_a_snapshot_sees_one_moment(postgresql_database: Database) -> None:
    with postgresql_database.snapshot() as before:
        assert fleet.all_sites(before) == []
        with postgresql_database.write() as connection:
            registration.upsert_site(connection, Site("N", "North", "UTC"))
        assert fleet.all_sites(before) == []
    with postgresql_database.snapshot() as after:
        assert [site.code for site in fleet.all_sites(after)] == ["N"]
