"""The laboratory files of the demo can be imported, and the one with mistakes is refused with each of them named."""

import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from app.demo.fleet import FLEET_FILE, DemoFleet, read_fleet
from app.demo.history import Demo
from app.demo.laboratory_file import laboratory_csv, write_recent_files
from app.intake.files.profile import load_profile
from app.services.files.import_file import import_file, preview
from app.services.recording.record_samples import BatchTerms
from app.services.registering.load_fleet import load_fleet
from app.store.database import Database

NOW = datetime(2026, 11, 25, 9, 12, tzinfo=UTC)
CONTEXT = BatchTerms("http://127.0.0.1:8809")
COMMITTED = sorted((FLEET_FILE.parent / "laboratory").glob("quillfen_*.csv"))


@pytest.fixture(scope="module")
def fleet() -> DemoFleet:
    return read_fleet()


@pytest.fixture(scope="module")
def demo(fleet: DemoFleet) -> Demo:
    return Demo(fleet.assets, fleet.service_events, NOW)


@pytest.fixture
def database(migrated_sqlite: Path, tmp_path: Path, fleet: DemoFleet) -> Iterator[Database]:
    path = tmp_path / "ullage.db"
    shutil.copy(migrated_sqlite, path)
    found = Database(f"sqlite:///{path}")
    load_fleet(found, fleet.text, FLEET_FILE.name)
    yield found
    found.dispose()


def test_a_fresh_file_is_imported_whole(
    database: Database, demo: Demo, fleet: DemoFleet, tmp_path: Path
) -> None:
    path, _ = write_recent_files(tmp_path / "laboratory", demo, fleet)
    done = import_file(database, path.read_bytes(), path.name, "QUILLFEN", "test", NOW, CONTEXT)
    assert done.problems == ()
    assert done.stored
    assert done.counts["new"] == 4
    assert {row.sample.asset_code for row in done.rows} == {"QUE-T1", "QUE-T2", "OST-T2", "ZEP-S1"}
    assert all(row.sample.taken_at < NOW for row in done.rows)


def test_a_file_says_what_the_samples_say(database: Database, demo: Demo, fleet: DemoFleet) -> None:
    """Written and read again: times through the site's zone, numbers, limits, laboratory numbers."""
    written = demo.laboratory("QUILLFEN", ["MAR-T1", "OST-T1"])
    content = laboratory_csv(written, fleet).encode("cp1252")
    read = preview(database, content, "all.csv", "QUILLFEN", NOW)
    assert read.problems == ()
    known = {column.quantity for column in load_profile("quillfen").readings}
    for sample, row in zip(written, read.rows, strict=True):
        assert row.sample.taken_at == sample.taken_at
        assert row.sample.asset_code == sample.asset_code
        assert row.sample.laboratory_number == sample.laboratory_number
        expected = {q: r for q, r in sample.readings.items() if q in known}
        assert dict(row.sample.readings) == expected


def test_each_mistake_is_told_and_nothing_is_stored(
    database: Database, demo: Demo, fleet: DemoFleet, tmp_path: Path
) -> None:
    _, path = write_recent_files(tmp_path / "laboratory", demo, fleet)
    done = import_file(database, path.read_bytes(), path.name, "QUILLFEN", "test", NOW, CONTEXT)
    assert not done.stored
    assert sorted({problem.line for problem in done.problems if problem.line}) == [2, 3, 4]
    told = " ".join(f"{p.reason} {p.text}" for p in done.problems)
    assert "QUE-T9" in told
    assert "31.02.2026" in told
    assert "12.4" in told or "point" in told


@pytest.mark.parametrize("path", COMMITTED, ids=lambda path: path.name)
def test_committed_files_can_be_imported(database: Database, path: Path) -> None:
    done = import_file(database, path.read_bytes(), path.name, "QUILLFEN", "test", NOW, CONTEXT)
    assert done.problems == ()
    assert done.counts["new"] == len(done.rows) > 0


def test_there_is_a_committed_file() -> None:
    assert COMMITTED
