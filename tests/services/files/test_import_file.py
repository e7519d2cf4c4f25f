"""Laboratory files, from bytes to stored samples: good ones, and bad ones named for their fault."""

import csv
import runpy
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from api_cast import load_cast
from fleet_cast import TESTS

from app.domain.model import Reading, Site
from app.services.files.import_file import ImportPreview, ImportResult, describe, import_file, preview
from app.services.recording.record_samples import BatchTerms
from app.services.registering import register
from app.store.database import Database
from app.store.schema import assessments, files, messages, samples

DATA = TESTS / "data" / "laboratory"
GOOD = sorted((DATA / "good").glob("*.csv"))
BAD = sorted((DATA / "bad").glob("*.csv"))
NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
CONTEXT = BatchTerms("http://127.0.0.1:8750")
SEMICOLON = (DATA / "good" / "semicolon.csv").read_bytes()


@pytest.fixture
def fleet(database: Database) -> Database:
    load_cast(database)
    return database


@pytest.fixture
def one_fleet(sqlite_database: Database) -> Database:
    load_cast(sqlite_database)
    return sqlite_database


def take(
    database: Database, content: bytes, name: str = "a.csv", laboratory: str = "QUILLFEN"
) -> ImportResult:
    return import_file(database, content, name, laboratory, "A. Author", NOW, CONTEXT)


def look(database: Database, content: bytes, laboratory: str = "QUILLFEN") -> ImportPreview:
    return preview(database, content, "a.csv", laboratory, NOW)


def count(database: Database, table: sa.Table) -> int:
    with database.read() as connection:
        return int(connection.execute(sa.select(sa.func.count()).select_from(table)).scalar_one())


def told(done: ImportPreview) -> list[Any]:
    """What rows say, without the ids that only an import has."""
    return [(r.line, r.result, r.sample) for r in done.rows]


@pytest.mark.parametrize("path", GOOD, ids=lambda path: path.stem)
def test_a_good_file_is_read_alike_however_it_is_written(one_fleet: Database, path: Path) -> None:
    done = take(one_fleet, path.read_bytes(), path.name)
    assert done.problems == ()
    first, second, third = (row.sample for row in done.rows[:3])
    # 3 March 10:15 in a zone one hour ahead of UTC in winter
    assert (first.asset_code, first.compartment) == ("KEL-T1", "main")
    assert first.taken_at == datetime(2025, 3, 3, 9, 15, tzinfo=UTC)
    assert first.readings["c2h2"] == Reading("c2h2", below=0.5)
    assert first.readings["water"] == Reading("water", value=9.5)
    assert first.readings["o2"] == Reading("o2", value=18000.0)
    assert first.laboratory_number == "Q-1001"
    assert (second.asset_code, second.remark) == ("NA", "first sample")
    assert second.readings["h2"] == Reading("h2", below=3.0)
    assert second.readings["c2h2"] == Reading("c2h2", below=0.5)
    assert (third.asset_code, third.compartment) == ("NA", "tap_changer")
    assert third.remark == "µ-test; quoted"
    assert "n2" not in third.readings
    assert len(first.readings) == 11 + ("furfural" in first.readings)


def test_an_import_stores_samples_assesses_them_and_keeps_the_file(fleet: Database) -> None:
    done = take(fleet, SEMICOLON, "march.csv")
    assert (done.stored, done.known_file) == (True, False)
    assert done.counts == {
        "new": 3,
        "already_known": 0,
        "changes": 0,
        "repeated": 0,
        "doubtful": 0,
        "error": 0,
    }
    with fleet.read() as connection:
        rows = connection.execute(sa.select(samples).order_by(samples.c.file_line)).all()
        kept = connection.execute(sa.select(files)).one()
    assert [(r.file_line, r.file_id, r.laboratory_number) for r in rows] == [
        (2, kept.id, "Q-1001"),
        (3, kept.id, "Q-1002"),
        (4, kept.id, "Q-1003"),
    ]
    assert {r.id for r in rows} == {r.sample_id for r in done.rows}
    assert (kept.name, kept.content, kept.uploaded_by) == ("march.csv", SEMICOLON, "A. Author")
    assert count(fleet, assessments) == 3


def test_a_preview_says_what_the_import_does_and_stores_nothing(fleet: Database) -> None:
    before = look(fleet, SEMICOLON)
    assert [count(fleet, table) for table in (samples, files, assessments, messages)] == [0, 0, 0, 0]
    done = take(fleet, SEMICOLON)
    assert told(before) == told(done)
    again = look(fleet, SEMICOLON)
    assert (again.counts["already_known"], again.known_file) == (3, True)


def test_the_same_file_twice_does_no_harm(fleet: Database) -> None:
    first, second = take(fleet, SEMICOLON), take(fleet, SEMICOLON, "again.csv")
    assert [row.result for row in second.rows] == ["already_known"] * 3
    assert (second.known_file, second.file_id) == (True, first.file_id)
    assert (count(fleet, samples), count(fleet, files)) == (3, 1)


def test_a_corrected_file_says_which_sample_it_changes(fleet: Database) -> None:
    take(fleet, SEMICOLON)
    corrected = SEMICOLON.replace(b";12;6;4;3;", b";13;6;4;3;")
    before = look(fleet, corrected)
    assert [row.result for row in before.rows] == ["changes", "already_known", "already_known"]
    assert describe(before) == [
        "a.csv: 2 already known, 1 changed against an earlier file (a preview: nothing is stored)",
        "line 2: changed against an earlier file: KEL-T1, main, 2025-03-03 09:15 UTC: h2 12 -> 13",
    ]
    assert before.rows[0].changes == {"h2": ("12", "13")}
    take(fleet, corrected)
    with fleet.read() as connection:
        query = sa.select(samples.c.h2, samples.c.current).where(samples.c.laboratory_number == "Q-1001")
        assert set(connection.execute(query).all()) == {(12.0, False), (13.0, True)}


def test_a_row_that_stands_twice_is_stored_once_and_reported(fleet: Database) -> None:
    done = take(fleet, (DATA / "good" / "row_repeated.csv").read_bytes())
    assert [row.result for row in done.rows] == ["new", "new", "new", "repeated"]
    assert count(fleet, samples) == 3
    assert describe(done)[1] == "line 5: repeated within the file: KEL-T1, main, 2025-03-03 09:15 UTC"


EXPECTED: dict[str, list[tuple[str, str, str]]] = {}
with (DATA / "expected_of_bad.csv").open(newline="", encoding="utf-8") as text:
    for line in csv.DictReader(text):
        EXPECTED.setdefault(line["file"], []).append((line["line"], line["column"], line["message"]))


def test_every_bad_file_has_an_expectation() -> None:
    assert {path.name for path in BAD} == set(EXPECTED)
    assert len(BAD) >= 10


@pytest.mark.parametrize("path", BAD, ids=lambda path: path.stem)
def test_a_bad_file_is_refused_in_these_words_and_nothing_is_stored(one_fleet: Database, path: Path) -> None:
    content = path.read_bytes()
    done = take(one_fleet, content, path.name)
    found = [(str(p.line or ""), p.column or "", p.reason) for p in done.problems]
    assert found == EXPECTED[path.name]
    assert (done.stored, done.rows) == (False, ())
    assert look(one_fleet, content).problems == done.problems
    assert (count(one_fleet, samples), count(one_fleet, files)) == (0, 0)
    assert describe(done)[0].startswith(f"{path.name}: ")


def test_one_bad_row_keeps_the_whole_file_out(fleet: Database) -> None:
    done = take(fleet, SEMICOLON.replace(b"KEL-T1", b"KEL-T9"))
    (problem,) = done.problems
    assert (problem.line, problem.column, problem.text) == (2, "Plant no.", "KEL-T9")
    assert problem.reason == (
        "no unit 'KEL-T9' is registered, but the row's other columns say KEL-T1; correct one of them"
    )
    assert count(fleet, samples) == 0


def test_the_zone_is_the_sites(one_fleet: Database) -> None:
    register.register_site(one_fleet, Site("KEL", "Kelder Yard", "UTC"))
    assert look(one_fleet, SEMICOLON).rows[0].sample.taken_at == datetime(2025, 3, 3, 10, 15, tzinfo=UTC)


@pytest.mark.parametrize(
    ("laboratory", "says"),
    [
        ("NONE", "no laboratory has the code 'NONE'; known are QUILLFEN"),
        ("MON-1", "no laboratory has the code"),
    ],
)
def test_an_unknown_laboratory_is_a_problem_of_the_file(
    one_fleet: Database, laboratory: str, says: str
) -> None:
    (problem,) = look(one_fleet, SEMICOLON, laboratory).problems
    assert problem.field == "laboratory"
    assert says in problem.reason


def test_a_name_that_no_database_takes_is_made_one(fleet: Database) -> None:
    done = import_file(fleet, SEMICOLON, "a\0\ud800" + "x" * 300, "QUILLFEN", "A\0", NOW, CONTEXT)
    assert done.stored
    with fleet.read() as connection:
        kept = connection.execute(sa.select(files.c.name, files.c.uploaded_by)).one()
    assert (kept.name, kept.uploaded_by) == ("a??" + "x" * 252, "A?")
    assert look(fleet, SEMICOLON, "Q\0").problems[0].field == "laboratory"


def test_an_alarming_laboratory_sample_queues_mail_once_and_a_preview_none(fleet: Database) -> None:
    cast_contact = runpy.run_path(str(TESTS / "casts" / "api_cast.py"))["planner"]
    register.register_contact(fleet, cast_contact)
    alarming = SEMICOLON.replace(b"12;6;4;3;<0,5", b"2400;900;300;1500;420")
    look(fleet, alarming)
    assert count(fleet, messages) == 0
    take(fleet, alarming)
    queued = count(fleet, messages)
    assert queued >= 1
    take(fleet, alarming)
    assert count(fleet, messages) == queued
