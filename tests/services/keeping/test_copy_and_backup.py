"""The record moves between stores and through files without a change in any table, or it does not move at all."""

import json
import shutil
import threading
import zipfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from app.demo.fleet import read_fleet
from app.demo.history import Demo
from app.demo.setup import prepare
from app.domain.model import Reading, Sample
from app.services.keeping.backup import backup, restore
from app.services.keeping.copy_database import copy_database
from app.services.recording.record_samples import BatchTerms, record_samples
from app.store import bulk
from app.store.database import Connection, Database
from app.store.keeping import archive, migrate, transfer
from app.store.keeping.transfer import TransferError
from app.store.schema import metadata

NOW = datetime(2026, 11, 25, 9, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def demo(migrated_sqlite: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    """The demo's record on SQLite, with some of every kind of row that it makes."""
    path = tmp_path_factory.mktemp("demo") / "ullage.db"
    shutil.copy(migrated_sqlite, path)
    database = Database(f"sqlite:///{path}")
    fleet = read_fleet()
    prepare(
        database, fleet, Demo(fleet.assets, fleet.service_events, NOW), "http://localhost", lambda _: None
    )
    yield database
    database.dispose()


@pytest.fixture
def empty_sqlite(tmp_path: Path) -> Iterator[Database]:
    database = Database(f"sqlite:///{tmp_path / 'new' / 'ullage.db'}")
    yield database
    database.dispose()


@pytest.fixture
def empty_postgresql(empty_postgresql_url: str) -> Iterator[Database]:
    database = Database(empty_postgresql_url)
    yield database
    database.dispose()


def contents(database: Database) -> dict[str, list[Any]]:
    """Every row of every table, as Python values, by key."""
    with database.read() as connection:
        return {
            table.name: [
                tuple(row) for row in connection.execute(sa.select(table).order_by(*table.primary_key))
            ]
            for table in metadata.sorted_tables
        }


def same(one: Database, other: Database) -> bool:
    first, second = contents(one), contents(other)
    assert len(first["samples"]) > 8_000
    assert {name: len(rows) for name, rows in first.items()} == {n: len(rows) for n, rows in second.items()}
    return first == second


def next_id(database: Database) -> int:
    """The id that a further sample gets, recorded by the service itself."""
    with database.read() as connection:
        query = (
            "SELECT s.code, a.code FROM sources s JOIN assets a ON a.id = s.asset_id ORDER BY s.id LIMIT 1"
        )
        source, asset = connection.exec_driver_sql(query).one()
    at = NOW + timedelta(days=40)
    sample = Sample(asset, "main", source, at, {"h2": Reading("h2", value=20.0)}, origin={})
    (outcome,) = record_samples(database, source, [sample], at, BatchTerms("http://localhost"))
    assert outcome.result == "stored"
    assert outcome.sample_id is not None
    return outcome.sample_id


@pytest.mark.postgresql
def test_to_postgresql_and_back_every_table_is_the_same(
    demo: Database, empty_postgresql: Database, empty_sqlite: Database
) -> None:
    told: list[tuple[str, int, int]] = []
    copied = copy_database(demo, empty_postgresql, lambda *words: told.append(words))
    assert same(demo, empty_postgresql)
    in_all = sum(copied.rows.values())
    assert {stage for stage, _, _ in told} == {"copying", "reading back"}
    assert [(stage, done, total) for stage, done, total in told if done == in_all] == [
        ("copying", in_all, in_all),
        ("reading back", in_all, in_all),
    ]
    copy_database(empty_postgresql, empty_sqlite)
    assert same(demo, empty_sqlite)
    for database in (demo, empty_postgresql, empty_sqlite):  # to the database itself, what is nothing is NULL
        with database.read() as connection:
            query = "SELECT count(*) FROM samples WHERE qualities IS NULL"
            assert connection.exec_driver_sql(query).scalar() == copied.rows["samples"]
    assert migrate.differences(empty_postgresql) == migrate.differences(empty_sqlite) == []
    greatest = max(row[0] for row in contents(demo)["samples"])
    assert next_id(empty_postgresql) > greatest
    assert next_id(empty_sqlite) == greatest + 1


@pytest.mark.postgresql
def test_a_copy_that_is_not_the_same_is_not_kept(
    demo: Database, empty_postgresql: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    def losing(connection: Connection, table: sa.Table, columns: list[str], rows: list[Any]) -> None:
        bulk.insert_rows(connection, table, columns, rows[:-1])

    monkeypatch.setattr(transfer, "insert_rows", losing)
    with pytest.raises(TransferError, match="is not what was read: nothing is kept"):
        copy_database(demo, empty_postgresql)
    assert sa.inspect(empty_postgresql.engine).get_table_names() == []


def test_a_target_that_holds_something_is_refused(demo: Database, fleet_database: Database) -> None:
    before = contents(fleet_database)
    with pytest.raises(TransferError, match="the target is not empty: its table"):
        copy_database(demo, fleet_database)
    assert contents(fleet_database) == before


def test_a_source_of_another_revision_is_refused(empty_sqlite: Database, sqlite_database: Database) -> None:
    with pytest.raises(TransferError, match="the source is at revision none"):
        copy_database(empty_sqlite, sqlite_database)


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
def stores(request: pytest.FixtureRequest, demo: Database) -> tuple[Database, Database]:
    """The demo's record in a store, and an empty one of the same kind."""
    if request.param == "sqlite":
        return demo, request.getfixturevalue("empty_sqlite")
    filled: Database = request.getfixturevalue("postgresql_database")
    copy_database(demo, filled)
    return filled, request.getfixturevalue("empty_postgresql")


def test_restored_is_what_was_backed_up(stores: tuple[Database, Database], tmp_path: Path) -> None:
    filled, empty = stores
    made = backup(filled, tmp_path / "b", NOW)
    assert (tmp_path / "b").stat().st_mode & 0o777 == 0o600
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".ullage")] == []
    assert restore(empty, tmp_path / "b") == made
    assert same(filled, empty)
    assert made.rows["samples"] == len(contents(empty)["samples"])
    assert migrate.differences(empty) == []
    assert next_id(empty) == max(row[0] for row in contents(filled)["samples"]) + 1


def test_a_file_is_not_written_over(sqlite_database: Database, tmp_path: Path) -> None:
    (tmp_path / "b").write_text("mine")
    with pytest.raises(TransferError, match="is there already"):
        backup(sqlite_database, tmp_path / "b", NOW)
    assert (tmp_path / "b").read_text() == "mine"


def test_a_database_that_holds_something_is_not_restored_into(
    fleet_database: Database, tmp_path: Path
) -> None:
    before = contents(fleet_database)
    backup(fleet_database, tmp_path / "b", NOW)
    with pytest.raises(TransferError, match="is not empty"):
        restore(fleet_database, tmp_path / "b")
    assert contents(fleet_database) == before


@pytest.mark.postgresql
def test_a_backup_of_the_other_kind_says_the_way(
    sqlite_database: Database, empty_postgresql: Database, tmp_path: Path
) -> None:
    backup(sqlite_database, tmp_path / "b", NOW)
    with pytest.raises(TransferError, match="restore it into sqlite and move it with `ullage db copy`"):
        restore(empty_postgresql, tmp_path / "b")


def _flip(path: Path) -> None:
    """A bit in the midst of the largest part; elsewhere it may lie in a header that says the same twice."""
    with zipfile.ZipFile(path) as archive:
        largest = max(archive.infolist(), key=lambda part: part.compress_size)
    data = bytearray(path.read_bytes())
    begin = (
        largest.header_offset + 30
    )  # of its name, which a field for large files and then the content follow
    name, extra = (int.from_bytes(data[begin - 4 + i : begin - 2 + i], "little") for i in (0, 2))
    data[begin + name + extra + largest.compress_size // 2] ^= 0x10
    path.write_bytes(data)


def _cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def _nonsense(path: Path) -> None:
    path.write_text("id,name\n1,x\n")


def _rewritten(change: Callable[[dict[str, bytes]], None]) -> Callable[[Path], None]:
    """The archive made anew with other contents: sound as a zip, and not what was backed up."""

    def damage(path: Path) -> None:
        with zipfile.ZipFile(path) as old:
            parts = {name: old.read(name) for name in old.namelist()}
        change(parts)
        with zipfile.ZipFile(path, "w") as new:
            for name, content in parts.items():
                new.writestr(name, content)

    return damage


def _without_a_row(parts: dict[str, bytes]) -> None:
    name = "sites.copy" if "sites.copy" in parts else "ullage.db"
    parts[name] = parts[name][: len(parts[name]) // 2]


def _without_a_part(parts: dict[str, bytes]) -> None:
    parts.pop("sites.copy" if "sites.copy" in parts else "ullage.db")


def _of_tomorrow(parts: dict[str, bytes]) -> None:
    manifest = json.loads(parts["manifest.json"]) | {"revision": "9999"}
    parts["manifest.json"] = json.dumps(manifest).encode()


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (_flip, "damaged"),
        (_cut, "damaged"),
        (_nonsense, "damaged"),
        (_rewritten(_without_a_row), "is not what was backed up"),
        (_rewritten(_without_a_part), "does not hold what its manifest lists"),
        (_rewritten(lambda parts: parts.update({"more": b"x"})), "does not hold what its manifest lists"),
        (_rewritten(lambda parts: parts.update({"manifest.json": b"{}"})), "no backup of Ullage"),
        (_rewritten(_of_tomorrow), "revision 9999, which this version does not know"),
    ],
)
def test_a_damaged_backup_restores_nothing(
    fleet_database: Database,
    request: pytest.FixtureRequest,
    tmp_path: Path,
    damage: Callable[[Path], None],
    words: str,
) -> None:
    kind = "sqlite" if fleet_database.is_sqlite else "postgresql"
    empty: Database = request.getfixturevalue(f"empty_{kind}")
    backup(fleet_database, tmp_path / "b", NOW)
    damage(tmp_path / "b")
    with pytest.raises(TransferError, match=words):
        restore(empty, tmp_path / "b")
    assert sa.inspect(empty.engine).get_table_names() == []


@pytest.mark.postgresql
def test_what_goes_wrong_half_way_leaves_nothing(
    demo: Database, postgresql_database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As if the file changed between the look-through and the loading."""
    copy_database(demo, postgresql_database)
    made = backup(postgresql_database, tmp_path / "b", NOW)
    _rewritten(lambda parts: parts.update({"messages.copy": b"1\t1\n"}))(tmp_path / "b")
    empty = Database(postgresql_database.url.render_as_string(hide_password=False))
    monkeypatch.setattr(archive, "check_parts", lambda *_: made)
    with empty.write() as connection:
        connection.exec_driver_sql("DROP SCHEMA public CASCADE")
        connection.exec_driver_sql("CREATE SCHEMA public")
    with pytest.raises(Exception, match="missing data for column"):
        restore(empty, tmp_path / "b")
    assert sa.inspect(empty.engine).get_table_names() == []
    empty.dispose()


def test_a_backup_made_during_recording_is_of_one_moment(
    fleet_database: Database, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    """Two tables grow together in single transactions: in the backup they are as long as each other."""
    filled = fleet_database
    empty: Database = request.getfixturevalue(f"empty_{'sqlite' if filled.is_sqlite else 'postgresql'}")
    stop, written = threading.Event(), threading.Event()

    def record() -> None:
        i = 0
        while not stop.is_set():
            with filled.write() as connection:
                for table, key in (("heartbeats", "worker"), ("laboratory_profiles", "code")):
                    more = ", text, created_at, author" if key == "code" else ", at"
                    values = ", 'x', '2026-01-01', 'x'" if key == "code" else ", '2026-01-01'"
                    connection.exec_driver_sql(f"INSERT INTO {table} ({key}{more}) VALUES ('w{i}'{values})")
            i += 1
            written.set()

    thread = threading.Thread(target=record)
    thread.start()
    try:
        assert written.wait(60)
        made = backup(filled, tmp_path / "b", NOW)
    finally:
        stop.set()
        thread.join(60)
    assert made.rows["heartbeats"] == made.rows["laboratory_profiles"] > 0
    restore(empty, tmp_path / "b")
    with empty.read() as connection:
        for table in ("heartbeats", "laboratory_profiles"):
            count = connection.exec_driver_sql(f"SELECT count(*) FROM {table}").scalar()
            assert count == made.rows["heartbeats"]
        if empty.is_sqlite:
            assert connection.exec_driver_sql("PRAGMA foreign_key_check").all() == []
