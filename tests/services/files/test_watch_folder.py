"""The watched folder: files that stopped growing are imported and moved, bad ones explained, crashes harmless."""

import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import psycopg
import pytest
import sqlalchemy as sa
from api_cast import load_cast
from fleet_cast import TESTS

from app.jobs import patience
from app.jobs import watch as job
from app.services.files import watch_folder
from app.services.files.watch_folder import Taken, Watch, look
from app.services.recording.record_samples import BatchTerms
from app.store.database import Database
from app.store.schema import samples

DATA = TESTS / "data" / "laboratory"
GOOD = (DATA / "good" / "semicolon.csv").read_bytes()
BAD = (DATA / "bad" / "unknown_unit.csv").read_bytes()
NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)


@pytest.fixture
def database(sqlite_database: Database) -> Database:
    load_cast(sqlite_database)
    return sqlite_database


@pytest.fixture
def watch(tmp_path: Path) -> Watch:
    folder = tmp_path / "inbox"
    folder.mkdir()
    return Watch(folder, "QUILLFEN", "watcher", 100_000, BatchTerms(""))


def twice(database: Database, watch: Watch) -> list[Taken]:
    """Two looks with nothing changed in between."""
    first, seen = look(database, watch, {}, lambda: NOW)
    second, _ = look(database, watch, seen, lambda: NOW)
    return first + second


def stored(database: Database) -> int:
    with database.read() as connection:
        return int(connection.execute(sa.select(sa.func.count()).select_from(samples)).scalar_one())


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_a_good_file_is_imported_and_moved_to_done(database: Database, watch: Watch) -> None:
    (watch.folder / "march.csv").write_bytes(GOOD)
    (taken,) = twice(database, watch)
    assert (taken.name, taken.fate, taken.moved_to) == (
        "march.csv",
        "done",
        watch.folder / "done" / "march.csv",
    )
    assert taken.lines[0] == "march.csv: 3 new"
    assert (watch.folder / "done" / "march.csv").read_bytes() == GOOD
    assert names(watch.folder) == {"done"}
    assert stored(database) == 3


def test_a_bad_file_is_set_aside_with_a_report_in_words(database: Database, watch: Watch) -> None:
    (watch.folder / "march.csv").write_bytes(BAD)
    (taken,) = twice(database, watch)
    assert taken.fate == "set aside"
    aside = watch.folder / "set-aside"
    assert names(aside) == {"march.csv", "march.csv.txt"}
    assert (aside / "march.csv.txt").read_text(encoding="utf-8") == (
        "march.csv was not imported: 1 problem. Nothing of it is stored.\n"
        "- line 3, column 'Plant no.': no unit 'KEL-T9' is registered; was 'KEL-T1' meant?\n"
        "\n"
        "Mend the file (or ask the laboratory to) and put it into the watched folder again.\n"
        "Laboratory QUILLFEN, 2026-03-02 12:00 UTC\n"
    )
    assert stored(database) == 0


def test_a_file_that_still_grows_waits(database: Database, watch: Watch) -> None:
    path = watch.folder / "march.csv"
    path.write_bytes(GOOD[:200])
    _, seen = look(database, watch, {}, lambda: NOW)
    path.write_bytes(GOOD)
    taken, seen = look(database, watch, seen, lambda: NOW)
    assert taken == []
    (one,), _ = look(database, watch, seen, lambda: NOW)
    assert one.fate == "done"


def test_what_is_no_finished_file_is_left_alone(database: Database, watch: Watch) -> None:
    for name in ("march.csv.part", ".hidden.csv", "~lock.csv", "march.TMP"):
        (watch.folder / name).write_bytes(GOOD)
    (watch.folder / "older").mkdir()
    assert twice(database, watch) == []
    assert len(names(watch.folder)) == 5


def test_a_file_that_is_too_large_is_set_aside_unread(database: Database, watch: Watch) -> None:
    path = watch.folder / "march.csv"
    with path.open("wb") as file:
        file.truncate(200 * 1024**2)
    (taken,) = twice(database, watch)
    assert taken.lines == (
        "march.csv: 209715200 bytes; at most 100000 are taken, see ULLAGE_MAX_UPLOAD_BYTES",
    )
    assert names(watch.folder / "set-aside") == {"march.csv", "march.csv.txt"}


def test_files_of_the_same_name_are_all_kept(database: Database, watch: Watch) -> None:
    for content in (GOOD, GOOD.replace(b";12;6;4;3;", b";13;6;4;3;")):
        (watch.folder / "march.csv").write_bytes(content)
        twice(database, watch)
    assert names(watch.folder / "done") == {"march.csv", "march (2).csv"}
    assert stored(database) == 4


def test_a_crash_between_commit_and_move_does_no_harm(
    database: Database, watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    (watch.folder / "march.csv").write_bytes(GOOD)
    with monkeypatch.context() as patch:

        def crash(*_: object) -> None:
            raise OSError("power cut")

        patch.setattr(watch_folder, "_move", crash)
        with pytest.raises(OSError, match="power cut"):
            twice(database, watch)
    assert (stored(database), names(watch.folder)) == (3, {"march.csv"})
    (taken,) = twice(database, watch)
    assert taken.lines[0] == "march.csv: 3 already known"
    assert (stored(database), names(watch.folder)) == (3, {"done"})


def test_a_crash_before_the_commit_leaves_the_file_where_it_was(
    database: Database, watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    (watch.folder / "march.csv").write_bytes(GOOD)
    with monkeypatch.context() as patch:

        def crash(*_: object) -> None:
            raise KeyboardInterrupt

        patch.setattr("app.services.files.import_file.effects_of", crash)
        with pytest.raises(KeyboardInterrupt):
            twice(database, watch)
    assert (stored(database), names(watch.folder)) == (0, {"march.csv"})
    assert twice(database, watch)[0].fate == "done"


def test_the_loop_takes_what_arrives_until_it_is_stopped(database: Database, watch: Watch) -> None:
    assert (
        said_by_the_loop(database, watch)[-1] == f"march.csv: done, now {watch.folder / 'done' / 'march.csv'}"
    )


def said_by_the_loop(database: Database, watch: Watch) -> list[str]:
    """What it says until it has taken a file."""
    stop, said = threading.Event(), list[str]()

    def say(line: str) -> None:
        said.append(line)
        if line.startswith("march.csv: done"):
            stop.set()

    (watch.folder / "march.csv").write_bytes(GOOD)
    loop = threading.Thread(target=job.run, args=(database, watch, stop, 0.05, say))
    loop.start()
    loop.join(timeout=20)
    stop.set()
    assert not loop.is_alive()
    return said


def test_the_loop_outlives_a_database_that_goes_away(
    database: Database, watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(patience, "FIRST_PAUSE_SECONDS", 0.05)
    real, looks = look, list[int]()

    def shaky(*words: Any) -> Any:
        looks.append(1)
        if len(looks) in (2, 3):
            raise sa.exc.OperationalError("SELECT 1", {}, psycopg.OperationalError("the server hung up"))
        return real(*words)

    monkeypatch.setattr(job, "look", shaky)
    first, second, *_, last = said_by_the_loop(database, watch)
    assert first == "the database cannot be reached (the server hung up); the next look is in 0.05 s"
    assert second == first.replace("0.05", "0.1")
    assert last.startswith("march.csv: done")
