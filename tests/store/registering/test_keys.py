"""Keys on both databases: shown once, kept as a digest, refused when altered, revoked or expired."""

from datetime import datetime, timedelta

import pytest
import sqlalchemy as sa
from fleet_cast import NOW

from app.store.database import Database
from app.store.registering import keys, source_lookup
from app.store.schema import api_keys


@pytest.fixture
def key(fleet_database: Database) -> str:
    """A key of the monitor W-T1-M."""
    with fleet_database.write() as connection:
        source = source_lookup.find_source(connection, "W-T1-M")
        assert source is not None
        return keys.issue(connection, "instrument", source.id, NOW)


def holder(database: Database, key: str, at: datetime = NOW) -> keys.KeyHolder | None:
    with database.read() as connection:
        return keys.check(connection, key, at)


def change(database: Database, **values: datetime) -> None:
    with database.write() as connection:
        connection.execute(sa.update(api_keys).values(values))


def test_a_key_leads_to_its_instrument(fleet_database: Database, key: str) -> None:
    found = holder(fleet_database, key)
    assert found is not None
    assert (found.scope, found.source_code) == ("instrument", "W-T1-M")


def test_a_registrar_s_key_belongs_to_no_source(database: Database) -> None:
    with database.write() as connection:
        key = keys.issue(connection, "registrar", None, NOW)
    found = holder(database, key)
    assert found is not None
    assert (found.scope, found.source_code) == ("registrar", None)


def test_the_database_does_not_hold_the_secret(fleet_database: Database, key: str) -> None:
    _, prefix, secret = key.split("_", 2)
    assert len(secret) >= 43, "256 random bits in base64"
    with fleet_database.read() as connection:
        row = connection.execute(sa.select(api_keys)).one()
    assert row.prefix == prefix
    assert all(secret not in str(value) for value in row)


def test_no_two_keys_are_alike(fleet_database: Database, key: str) -> None:
    with fleet_database.write() as connection:
        others = {keys.issue(connection, "registrar", None, NOW) for _ in range(20)}
    assert len(others | {key}) == 21


@pytest.mark.parametrize("spoil", [lambda k: k[:-1], lambda k: k + "x", str.upper, lambda k: k[4:]])
def test_an_altered_key_is_refused(fleet_database: Database, key: str, spoil: object) -> None:
    assert callable(spoil)
    assert holder(fleet_database, spoil(key)) is None


@pytest.mark.parametrize(
    "text", ["", "ull", "ull__", "ull_0_0", "\0", "ull_\0_x", "ull_\ud800_x", "é" * 5000]
)
def test_what_is_no_key_is_refused(fleet_database: Database, text: str) -> None:
    assert holder(fleet_database, text) is None


def test_a_secret_goes_with_its_own_prefix_only(fleet_database: Database, key: str) -> None:
    with fleet_database.write() as connection:
        other = keys.issue(connection, "registrar", None, NOW)
    mixed = "_".join([*other.split("_", 2)[:2], key.split("_", 2)[2]])
    assert holder(fleet_database, mixed) is None


def test_a_revoked_key_and_an_expired_key_are_refused(fleet_database: Database, key: str) -> None:
    change(fleet_database, expires_at=NOW + timedelta(days=1))
    assert holder(fleet_database, key, NOW + timedelta(days=1) - timedelta(seconds=1)) is not None
    assert holder(fleet_database, key, NOW + timedelta(days=1)) is None
    change(fleet_database, expires_at=NOW + timedelta(days=9), revoked_at=NOW)
    assert holder(fleet_database, key) is None


def test_its_last_use_is_written_once_in_ten_minutes_at_most(fleet_database: Database, key: str) -> None:
    first = holder(fleet_database, key)
    assert first is not None
    assert first.stale
    with fleet_database.write() as connection:
        keys.touch(connection, first.key_id, NOW)
    stale = [
        found.stale
        for seconds in (0, 599, 600)
        if (found := holder(fleet_database, key, NOW + timedelta(seconds=seconds)))
    ]
    assert stale == [False, False, True]
