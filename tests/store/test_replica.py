"""Pages on a real streaming replica: what it shows, what it must not be asked for, and what happens without it."""

import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest
import structlog
from fastapi.testclient import TestClient
from fleet_cast import DATA
from own_postgresql import OwnPostgresql, as_postgres, programs
from served import free_port

from app.config import load_settings
from app.domain.model import Reading, Sample
from app.services.recording.record_samples import BatchTerms, record_samples
from app.services.registering.load_fleet import load_fleet
from app.services.registering.register import issue_registrar_key
from app.store import replica
from app.store.database import ConnectionOptions, Database
from app.store.keeping import migrate
from app.web.app import create_app

pytestmark = [pytest.mark.postgresql, pytest.mark.xdist_group("replica")]


@dataclass(frozen=True)
class Pair:
    """A primary and its hot standby, and a database of the small fleet on them."""

    primary: OwnPostgresql
    standby: OwnPostgresql

    @property
    def url(self) -> str:
        return self.primary.url.format(name="ullage")

    @property
    def read_url(self) -> str:
        return self.standby.url.format(name="ullage")

    def replay(self, what: str) -> None:
        self.standby.execute(f"SELECT pg_wal_replay_{what}()")

    def database(self) -> Database:
        return Database(self.url, ConnectionOptions(read_url=self.read_url, pool_size=3))


@pytest.fixture(scope="module")
def pair(postgresql_server: str) -> Iterator[Pair]:
    del postgresql_server  # it says what to do where PostgreSQL is not installed
    found = programs()
    assert found is not None
    primary = OwnPostgresql.create(durable=False)
    standby = OwnPostgresql(Path(tempfile.mkdtemp(prefix="ullage-pg-")), free_port(), durable=False)
    try:
        primary.start()
        database = Database(primary.create_database("ullage"))
        migrate.upgrade(database)
        load_fleet(database, (DATA / "fleet.yaml").read_text(encoding="utf-8"), "fleet.yaml")
        database.dispose()
        standby.folder.chmod(0o755)
        shutil.chown(standby.folder, "postgres", "postgres")
        origin = ["-h", str(primary.folder), "-p", str(primary.port), "-U", "postgres"]
        how = ["-R", "-X", "stream", "-c", "fast", "-D", str(standby.folder / "data")]
        as_postgres([str(found / "pg_basebackup"), *origin, *how])
        standby.start()
        yield Pair(primary, standby)
    finally:
        standby.remove()
        primary.remove()


@pytest.fixture(autouse=True)
def short_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(replica, "PAUSE_SECONDS", 0.2)


@pytest.fixture
def database(pair: Pair) -> Iterator[Database]:
    database = pair.database()
    yield database
    database.dispose()


def eventually(true: Callable[[], bool]) -> None:
    until = time.monotonic() + 60
    while not true():
        assert time.monotonic() < until, "it never came to pass"
        time.sleep(0.02)


def on_standby(database: Database) -> bool:
    with database.read() as connection:
        return bool(connection.exec_driver_sql("SELECT pg_is_in_recovery()").scalar())


def beat(database: Database) -> None:
    """Something for the replica to follow, as the worker's heartbeat is."""
    with database.write() as connection:
        connection.exec_driver_sql(
            "INSERT INTO heartbeats VALUES ('test', now()) ON CONFLICT (worker) DO UPDATE SET at = now()"
        )


def sites(database: Database) -> int:
    with database.read() as connection:
        return int(connection.exec_driver_sql("SELECT count(*) FROM sites").scalar_one())


def add_site(database: Database, code: str) -> None:
    with database.write() as connection:
        connection.exec_driver_sql(f"INSERT INTO sites (code, name, time_zone) VALUES ('{code}', 'x', 'UTC')")


def test_only_who_says_so_reads_the_replica(database: Database) -> None:
    beat(database)
    assert not on_standby(database)
    with replica.may_be_stale():
        eventually(lambda: on_standby(database))
    assert not on_standby(database)


def test_who_changed_something_sees_it_and_others_do_as_soon_as_it_is_there(
    pair: Pair, database: Database
) -> None:
    beat(database)
    with replica.may_be_stale():
        eventually(lambda: on_standby(database))
        before = sites(database)
    pair.replay("pause")
    try:
        add_site(database, "NEW")
        with replica.may_be_stale():
            assert sites(database) == before
        with replica.may_be_stale(database.position()):
            assert not on_standby(database)
            assert sites(database) == before + 1
    finally:
        pair.replay("resume")
    with replica.may_be_stale(database.position()):
        eventually(lambda: on_standby(database))
        assert sites(database) == before + 1


def test_a_replica_that_lags_is_not_shown(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    beat(database)
    monkeypatch.setattr(replica, "LONGEST_LAG_SECONDS", -1.0)
    with replica.may_be_stale(), structlog.testing.capture_logs() as lines:
        assert not on_standby(database)
        assert not on_standby(database)
    assert [line["log_level"] for line in lines] == ["warning"], "told once, then left alone for a while"
    assert "s behind" in lines[0]["reason"]


def test_a_replica_that_is_none_is_not_read(pair: Pair) -> None:
    database = Database(pair.url, ConnectionOptions(read_url=pair.url))
    with replica.may_be_stale(), structlog.testing.capture_logs() as lines:
        assert not on_standby(database)
    assert lines[0]["reason"] == "it is no standby"
    database.dispose()


@pytest.fixture
def browser(pair: Pair, database: Database) -> TestClient:
    settings = load_settings({"ULLAGE_DATABASE_URL": pair.url, "ULLAGE_READ_DATABASE_URL": pair.read_url})
    return TestClient(create_app(settings, database), base_url="http://localhost", follow_redirects=False)


def test_the_page_after_an_acknowledge_shows_it(pair: Pair, database: Database, browser: TestClient) -> None:
    high = {"h2": 900.0, "ch4": 800.0, "c2h6": 300.0, "c2h4": 900.0, "c2h2": 60.0, "co": 400.0, "co2": 4000.0}
    readings = {name: Reading(name, value=value) for name, value in high.items()}
    now = datetime.now(UTC)
    sample = Sample("W-T1", "main", "LAB", now, readings, origin={})
    record_samples(database, "LAB", [sample], now, BatchTerms("http://localhost"))
    with database.read() as connection:
        alert = connection.exec_driver_sql("SELECT id FROM alerts WHERE condition = 'gassing'").scalar_one()
    beat(database)
    with replica.may_be_stale(database.position()):
        eventually(lambda: on_standby(database))
    pair.replay("pause")
    try:
        words = {"author": "N. N.", "note": "seen, oil sample ordered"}
        done = browser.post(f"/alerts/{alert}/acknowledge", data=words)
        assert done.status_code == 303, done.text
        assert "seen, oil sample ordered" in browser.get(done.headers["location"]).text
        browser.cookies.clear()  # another reader
        assert "seen, oil sample ordered" not in browser.get(f"/alerts/{alert}").text
        browser.cookies.set("ullage_seen", "no'position")
        assert browser.get(f"/alerts/{alert}").status_code == 200
    finally:
        pair.replay("resume")
    browser.cookies.clear()
    eventually(lambda: "seen, oil sample ordered" in browser.get(f"/alerts/{alert}").text)


def test_programs_read_what_they_wrote(pair: Pair, database: Database, browser: TestClient) -> None:
    beat(database)
    with replica.may_be_stale():
        eventually(lambda: on_standby(database))
    pair.replay("pause")
    try:
        add_site(database, "API")
        key = {"Authorization": f"Bearer {issue_registrar_key(database, datetime.now(UTC))}"}
        assert browser.get("/api/v1/sites/API", headers=key).status_code == 200
    finally:
        pair.replay("resume")


def test_without_the_replica_pages_come_from_the_primary(
    pair: Pair, database: Database, browser: TestClient
) -> None:
    beat(database)
    with replica.may_be_stale():
        eventually(lambda: on_standby(database))
    pair.standby.stop()
    try:
        with structlog.testing.capture_logs() as lines:
            assert browser.get("/").status_code == 200
            assert browser.get("/alerts").status_code == 200
        told = [line for line in lines if line["event"].startswith("the replica is not read")]
        assert told
        assert all(line["log_level"] == "warning" for line in told)
    finally:
        pair.standby.start()
    with replica.may_be_stale():
        eventually(lambda: on_standby(database))


def test_a_restart_of_postgresql_needs_no_restart_of_ours(
    pair: Pair, database: Database, browser: TestClient
) -> None:
    add_site(database, "BEFORE")
    before = sites(database)
    pair.primary.stop()
    assert browser.get("/api/v1/sites/BEFORE", headers={"Authorization": "Bearer ull_x_y"}).status_code == 503
    pair.primary.start()
    assert sites(database) == before
    add_site(database, "AFTER")
    assert sites(database) == before + 1
    assert browser.get("/").status_code == 200
