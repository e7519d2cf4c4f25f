"""Transactions: a rehearsal leaves nothing behind and, on SQLite, keeps nobody waiting."""

import threading

import sqlalchemy as sa

from app.domain.model import Site
from app.store import fleet
from app.store.database import Database


def test_nothing_of_a_rehearsal_stays(database: Database) -> None:
    with database.rehearse() as connection:
        fleet.upsert_site(connection, Site("N", "North", "UTC"))
        assert [site.code for site in fleet.all_sites(connection)] == ["N"]
    with database.read() as connection:
        assert fleet.all_sites(connection) == []


def test_a_rehearsal_sees_what_is_stored(database: Database) -> None:
    with database.write() as connection:
        fleet.upsert_site(connection, Site("N", "North", "UTC"))
    with database.rehearse() as connection:
        assert [site.code for site in fleet.all_sites(connection)] == ["N"]


def test_others_write_while_a_rehearsal_goes_on(database: Database) -> None:
    done = threading.Event()

    def write() -> None:
        with database.write() as connection:
            fleet.upsert_site(connection, Site("S", "South", "UTC"))
        done.set()

    with database.rehearse() as connection:
        fleet.upsert_site(connection, Site("N", "North", "UTC"))
        threading.Thread(target=write).start()
        assert done.wait(10), "the writer did not wait for the rehearsal's end"
    with database.read() as connection:
        assert [site.code for site in fleet.all_sites(connection)] == ["S"]


def test_what_fails_is_taken_back(database: Database) -> None:
    try:
        with database.write() as connection:
            fleet.upsert_site(connection, Site("N", "North", "UTC"))
            connection.execute(sa.text("SELECT * FROM no_such_table"))
    except sa.exc.DBAPIError:
        pass
    with database.read() as connection:
        assert fleet.all_sites(connection) == []


def test_a_glance_sees_what_is_committed_and_leaves_transactions_as_they_are(database: Database) -> None:
    with database.write() as connection:
        fleet.upsert_site(connection, Site("N", "North", "UTC"))
    with database.glance() as connection:
        assert [site.code for site in fleet.all_sites(connection)] == ["N"]
    with database.read() as connection:  # of the same pool: what is changed in it is rolled back as ever
        fleet.upsert_site(connection, Site("S", "South", "UTC"))
    with database.glance() as connection:
        assert [site.code for site in fleet.all_sites(connection)] == ["N"]
