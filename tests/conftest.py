"""Databases for the tests: SQLite files and a real PostgreSQL, migrated once and copied for each test."""

import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

import psycopg
import pytest

from app.services.load_fleet import load_fleet
from app.store import migrate
from app.store.database import Database

DATA = Path(__file__).parent / "data"


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


@pytest.fixture
def sqlite_database(migrated_sqlite: Path, tmp_path: Path) -> Iterator[Database]:
    """An empty, migrated SQLite database."""
    path = tmp_path / "ullage.db"
    shutil.copy(migrated_sqlite, path)
    database = Database(f"sqlite:///{path}")
    yield database
    database.dispose()


# --- PostgreSQL -------------------------------------------------------------------------------------------


def _server_programs() -> Path | None:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"))
    return found[-1].parent if found else None


def _as_postgres(command: list[str]) -> None:
    """PostgreSQL refuses to run as root: then the user of Debian's package runs it."""
    user, groups = ("postgres", list[str]()) if os.geteuid() == 0 else (None, None)
    # a file and not a pipe: the server keeps it open for as long as it runs
    with tempfile.TemporaryFile() as output:
        done = subprocess.run(
            command,
            stdout=output,
            stderr=output,
            timeout=60,
            check=False,
            cwd="/",
            user=user,
            group=user,
            extra_groups=groups,
        )
        output.seek(0)
        if done.returncode:
            raise RuntimeError(f"{' '.join(command)} failed: {output.read().decode(errors='replace')}")


@pytest.fixture(scope="session")
def postgresql_server() -> Iterator[str]:
    """The URL of a PostgreSQL server of this test run, without a database name."""
    programs = _server_programs()
    if programs is None:
        message = "PostgreSQL is not installed; on Debian: apt-get install postgresql"
        if os.environ.get("CI") == "true":
            pytest.fail(message)
        pytest.skip(message)
    folder = Path(tempfile.mkdtemp(prefix="ullage-pg-"))
    folder.chmod(0o755)
    if os.geteuid() == 0:
        shutil.chown(folder, "postgres", "postgres")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    data = str(folder / "data")
    _as_postgres(
        [str(programs / "initdb"), "-D", data, "-U", "postgres", "-A", "trust", "-E", "UTF8", "--no-sync"]
    )
    options = (
        "listen_addresses=",
        f"unix_socket_directories={folder}",
        f"port={port}",
        "fsync=off",
        "full_page_writes=off",
    )
    settings = " ".join(f"-c {option}" for option in options)
    control = [str(programs / "pg_ctl"), "-D", data, "-w", "-o", settings, "-l", str(folder / "log")]
    _as_postgres([*control, "start"])
    yield f"postgresql+psycopg://postgres@/{{name}}?host={folder}&port={port}"
    _as_postgres([str(programs / "pg_ctl"), "-D", data, "-m", "immediate", "-w", "stop"])
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(scope="session")
def migrated_postgresql(postgresql_server: str) -> str:
    """A migrated template database; returns its name."""
    _execute(postgresql_server, 'CREATE DATABASE "migrated"')
    database = Database(postgresql_server.format(name="migrated"))
    migrate.upgrade(database)
    database.dispose()
    return "migrated"


def _execute(server: str, statement: str) -> None:
    url = server.format(name="postgres").replace("postgresql+psycopg://", "postgresql://")
    with psycopg.connect(url, autocommit=True) as connection:
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
