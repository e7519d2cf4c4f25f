"""Databases for the tests: SQLite files and a real PostgreSQL, migrated once and copied for each test."""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

import psycopg
import pytest
import story
from command_cast import loaded, march, run, start
from fleet_cast import DATA
from own_postgresql import OwnPostgresql, plain, programs

from app.services.registering.load_fleet import load_fleet
from app.store.database import Database
from app.store.keeping import migrate

__all__ = ["loaded", "march", "run", "start"]
"""Fixtures of the cast of commands."""


@pytest.fixture(scope="session")
def migrated_sqlite(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A migrated SQLite file to copy."""
    path = tmp_path_factory.mktemp("sqlite") / "migrated.db"
    database = Database(f"sqlite:///{path}")
    migrate.upgrade(database)
    with database.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    database.dispose()
    return path


@pytest.fixture(scope="session")
def told_sqlite(migrated_sqlite: Path) -> Path:
    """A SQLite file with the pages' story to copy: telling it anew for each test would cost most of their time."""
    path = migrated_sqlite.with_name("told.db")
    shutil.copy(migrated_sqlite, path)
    database = Database(f"sqlite:///{path}")
    story.tell(database)
    with database.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    database.dispose()
    return path


@pytest.fixture
def sqlite_database(migrated_sqlite: Path, tmp_path: Path) -> Iterator[Database]:
    """An empty, migrated SQLite database."""
    path = tmp_path / "ullage.db"
    shutil.copy(migrated_sqlite, path)
    database = Database(f"sqlite:///{path}")
    yield database
    database.dispose()


# --- PostgreSQL -------------------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def postgresql_server() -> Iterator[str]:
    """The URL of a PostgreSQL server of this test run, without a database name."""
    if programs() is None:
        message = "PostgreSQL is not installed; on Debian: apt-get install postgresql"
        if os.environ.get("CI") == "true":
            pytest.fail(message)
        pytest.skip(message)
    server = OwnPostgresql.create(durable=False, options=("max_connections=100", "max_wal_size=1GB"))
    server.start()
    yield server.url
    server.stop()
    server.remove()


@pytest.fixture(scope="session")
def migrated_postgresql(postgresql_server: str) -> str:
    """A migrated template database; returns its name."""
    _execute(postgresql_server, 'CREATE DATABASE "migrated"')
    database = Database(postgresql_server.format(name="migrated"))
    migrate.upgrade(database)
    database.dispose()
    return "migrated"


def _execute(server: str, statement: str) -> None:
    with psycopg.connect(plain(server.format(name="postgres")), autocommit=True) as connection:
        connection.execute(statement)


@pytest.fixture
def empty_postgresql_url(postgresql_server: str) -> Iterator[str]:
    """The URL of a PostgreSQL database without any table."""
    name = f"empty_{uuid4().hex[:12]}"
    _execute(postgresql_server, f'CREATE DATABASE "{name}"')
    yield postgresql_server.format(name=name)
    _execute(postgresql_server, f'DROP DATABASE "{name}" WITH (FORCE)')


@pytest.fixture
def postgresql_url(postgresql_server: str, migrated_postgresql: str) -> Iterator[str]:
    """The URL of an empty, migrated PostgreSQL database."""
    name = f"test_{uuid4().hex[:12]}"
    _execute(postgresql_server, f'CREATE DATABASE "{name}" TEMPLATE "{migrated_postgresql}"')
    yield postgresql_server.format(name=name)
    _execute(postgresql_server, f'DROP DATABASE "{name}" WITH (FORCE)')


@pytest.fixture
def postgresql_database(postgresql_url: str) -> Iterator[Database]:
    """An empty, migrated PostgreSQL database."""
    database = Database(postgresql_url)
    yield database
    database.dispose()


@pytest.fixture(scope="session")
def told_postgresql(postgresql_server: str, migrated_postgresql: str) -> str:
    """A template database with the pages' story; returns its name."""
    _execute(postgresql_server, f'CREATE DATABASE "told" TEMPLATE "{migrated_postgresql}"')
    database = Database(postgresql_server.format(name="told"))
    story.tell(database)
    database.dispose()
    return "told"


@pytest.fixture
def told_sqlite_database(told_sqlite: Path, tmp_path: Path) -> Iterator[Database]:
    """The pages' story on SQLite."""
    path = tmp_path / "told.db"
    shutil.copy(told_sqlite, path)
    database = Database(f"sqlite:///{path}")
    yield database
    database.dispose()


@pytest.fixture
def told_postgresql_database(postgresql_server: str, told_postgresql: str) -> Iterator[Database]:
    """The pages' story on PostgreSQL."""
    name = f"told_{uuid4().hex[:12]}"
    _execute(postgresql_server, f'CREATE DATABASE "{name}" TEMPLATE "{told_postgresql}"')
    database = Database(postgresql_server.format(name=name))
    yield database
    database.dispose()
    _execute(postgresql_server, f'DROP DATABASE "{name}" WITH (FORCE)')


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
def told_database(request: pytest.FixtureRequest) -> Database:
    """The story of the pages (tests/casts/story.py): the test runs on SQLite and on PostgreSQL."""
    found = request.getfixturevalue(f"told_{request.param}_database")
    assert isinstance(found, Database)
    return found


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
def database(request: pytest.FixtureRequest) -> Database:
    """An empty, migrated database: the test runs on SQLite and on PostgreSQL."""
    found = request.getfixturevalue(f"{request.param}_database")
    assert isinstance(found, Database)
    return found


@pytest.fixture
def fleet_database(database: Database) -> Database:
    """A database with the small fleet of tests/data/fleet.yaml: W-T1, W-T2, E-R1; W-T1-M, W-T2-M; LAB."""
    load_fleet(database, (DATA / "fleet.yaml").read_text(encoding="utf-8"), "fleet.yaml")
    return database
