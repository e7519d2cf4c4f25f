"""What a person decides about an import, and what the import tells of units, alerts, doubts and cells."""

import io
import threading
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import pytest
import sqlalchemy as sa
from api_cast import load_cast
from fleet_cast import TESTS

from app.domain.model import Source, SourceKind
from app.intake.files.profile import load_profile
from app.services.files.import_file import (
    AlertEffect,
    ImportChoices,
    ImportPreview,
    ImportResult,
    UnitEffect,
    UnknownUnit,
    describe,
    import_file,
    preview,
)
from app.services.files.import_trace import trace_sample
from app.services.recording.record_samples import BatchTerms
from app.services.registering import register
from app.store.database import Database
from app.store.files import laboratory_profiles
from app.store.schema import alert_events, alerts, file_imports, files, messages, samples

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
CONTEXT = BatchTerms("http://127.0.0.1:8750")
NO_CHOICES = ImportChoices()
SEMICOLON = (TESTS / "data" / "laboratory" / "good" / "semicolon.csv").read_bytes()
ALARMING = SEMICOLON.replace(b"12;6;4;3;<0,5", b"2400;900;300;1500;420")
THEIRS = (
    SEMICOLON.replace(b"KEL-T1;007", b"TANK 9;")
    .replace(b"NA;S-2;", b"TANK 10;;")
    .replace(b"\n;S-2;", b"\nTANK 10;;")
)


@pytest.fixture
def fleet(database: Database) -> Database:
    load_cast(database)
    return database


def take(database: Database, content: bytes, choices: ImportChoices = NO_CHOICES) -> ImportResult:
    return import_file(database, content, "a.csv", "QUILLFEN", "A. Author", NOW, CONTEXT, choices)


def look(database: Database, content: bytes, choices: ImportChoices = NO_CHOICES) -> ImportPreview:
    return preview(database, content, "a.csv", "QUILLFEN", NOW, choices)


def count(database: Database, table: sa.Table) -> int:
    with database.read() as connection:
        return int(connection.execute(sa.select(sa.func.count()).select_from(table)).scalar_one())


def test_unknown_units_are_listed_once_a_text_with_what_is_written_alike(fleet: Database) -> None:
    unknown = look(fleet, THEIRS).unknown_units
    assert [(one.text, one.column, one.lines) for one in unknown] == [
        ("TANK 9", "Plant no.", (2,)),
        ("TANK 10", "Plant no.", (3, 4)),
    ]
    misspelt = SEMICOLON.replace(b"KEL-T1;007", b"KEL-T7;")
    assert look(fleet, misspelt).unknown_units == (UnknownUnit("KEL-T7", "Plant no.", (2,), ("KEL-T1",)),)


def test_a_unit_that_a_person_picked_is_taken_and_kept_with_the_import(fleet: Database) -> None:
    choices = ImportChoices(units={"TANK 9": "KEL-T1", "TANK 10": "NA"})
    assert look(fleet, THEIRS, choices).problems == ()
    done = take(fleet, THEIRS, choices)
    assert [row.sample.asset_code for row in done.rows] == ["KEL-T1", "NA", "NA"]
    with fleet.read() as connection:
        (kept,) = connection.execute(sa.select(file_imports)).all()
    assert (kept.file_id, kept.author, kept.units) == (done.file_id, "A. Author", dict(choices.units))
    assert kept.profile["name"] == "quillfen"
    trace = trace_sample(fleet, done.rows[0].sample_id or 0)
    assert trace is not None
    assert (trace.unit_said_to_be, trace.imported_by) == ("TANK 9", "A. Author")


@pytest.mark.parametrize(
    ("units", "says"),
    [
        ({"TANK 9": "KEL-T8", "TANK 10": "NA"}, "was said to be 'KEL-T8', which is not registered"),
        (
            {"TANK 9": "KEL-T1", "S-9": "NA", "TANK 10": "NA"},
            "the texts of this row were said to be KEL-T1 and NA; choose one",
        ),
    ],
)
def test_a_wrong_pick_is_a_problem_of_the_row(fleet: Database, units: dict[str, str], says: str) -> None:
    content = THEIRS.replace(b"TANK 9;;", b"TANK 9;S-9;")
    (problem,) = look(fleet, content, ImportChoices(units=units)).problems
    assert (problem.line, problem.column, problem.reason) == (2, "Plant no.", says)


def test_the_preview_tells_status_and_alerts_and_the_import_does_the_same(fleet: Database) -> None:
    before = look(fleet, ALARMING)
    assert count(fleet, alerts) == count(fleet, messages) == 0
    effects = {(one.asset_code, one.compartment): one for one in before.effects}
    alarmed = effects["KEL-T1", "main"]
    assert (alarmed.status_before, alarmed.status_after, alarmed.rows) == (None, 3, 1)
    assert alarmed.fault_after is not None
    gassing = next(alert for alert in alarmed.alerts if alert.condition == "gassing")
    assert (gassing.from_state, gassing.to_state, gassing.severity) == ("normal", "unacknowledged", 4)
    assert gassing.headline.startswith("Status 3, high gas or probable active gassing")
    assert effects["NA", "main"].alerts == ()
    done = take(fleet, ALARMING).effects
    assert all(
        alert.alert_id for effect in done for alert in effect.alerts
    )  # they exist now, to be linked to
    unlinked = [replace(e, alerts=tuple(replace(alert, alert_id=None) for alert in e.alerts)) for e in done]
    assert unlinked == list(before.effects)
    assert "KEL-T1, main: no status -> status 3" in "\n".join(describe(before))
    assert look(fleet, ALARMING).effects == ()


def test_a_correction_tells_old_and_new_status_and_the_alert_that_changes(fleet: Database) -> None:
    take(fleet, ALARMING)
    (effect,) = look(fleet, SEMICOLON).effects
    assert isinstance(effect, UnitEffect)
    assert (effect.status_before, effect.status_after) == (3, 1)
    gassing = next(alert for alert in effect.alerts if alert.condition == "gassing")
    with fleet.read() as connection:
        raised = sa.select(alerts.c.id).where(alerts.c.condition == "gassing", alerts.c.severity == 4)
        raised_ids = set(connection.execute(raised).scalars())
        events = connection.execute(sa.select(sa.func.count()).select_from(alert_events)).scalar_one()
    assert gassing.alert_id in raised_ids
    assert gassing == AlertEffect(
        "gassing", "unacknowledged", "returned", 0, gassing.headline, gassing.alert_id
    )
    assert gassing.headline.startswith("Status 1, low gas, no sign of gassing")
    take(fleet, SEMICOLON)
    assert count(fleet, alert_events) > events
    changes = look(fleet, ALARMING).rows[0].changes
    assert changes["h2"] == ("12", "2400")
    assert changes["c2h2"] == ("<0.5", "420")


def test_a_sample_that_took_air_is_in_doubt_and_the_row_says_why(fleet: Database) -> None:
    # oxygen and nitrogen as in air-saturated oil, after an airless sample of the same unit
    head, first, *_ = SEMICOLON.decode().split("\n")
    cells = first.split(";")
    place = {name.strip(): i for i, name in enumerate(head.split(";"))}
    rows = []
    for day, h2, o2, n2 in (("03.03.2024", "60", "900", "45000"), ("03.03.2025", "12", "32000", "64000")):
        row = list(cells)
        row[place["Drawn on"]] = day
        row[place["Hydrogen (ppm)"]], row[place["Oxygen (ppm)"]], row[place["Nitrogen (ppm)"]] = h2, o2, n2
        rows.append(";".join(row))
    done = look(fleet, "\n".join([head, *rows, ""]).encode())
    assert done.problems == ()
    assert [bool(row.doubts) for row in done.rows] == [False, True]
    assert done.counts["doubtful"] == 1
    assert any(line.startswith("line 3: in doubt: KEL-T1: ") for line in describe(done))


def test_progress_is_told_by_stage_to_the_end(fleet: Database) -> None:
    told: list[tuple[str, int, int]] = []
    take(fleet, SEMICOLON, ImportChoices(progress=lambda *said: told.append(said)))
    assert told[0] == ("reading", 0, 3)
    assert told[-1] == ("judging", 3, 3)
    assert [stage for stage, _, _ in told] == sorted((stage for stage, _, _ in told), reverse=True)


def test_a_profile_may_be_chosen_for_one_import_and_one_made_by_hand_counts(fleet: Database) -> None:
    head = SEMICOLON.replace(b"Plant no.", b"Tank")
    assert look(fleet, head).problems != ()
    text = Path(TESTS.parent, "app/intake/files/profiles/quillfen.yaml").read_text(encoding="utf-8")
    mapped = text.replace("Plant no.", "Tank").replace("name: quillfen", "name: by_hand")
    with fleet.write() as connection:
        laboratory_profiles.add(connection, "QUILLFEN", mapped, "A. Author", NOW)
    assert look(fleet, head).profile == "by_hand"
    assert look(fleet, SEMICOLON, ImportChoices(profile=load_profile("quillfen"))).problems == ()
    with fleet.write() as connection:
        laboratory_profiles.add(connection, "QUILLFEN", "name: broken", "A. Author", NOW)
    (problem,) = look(fleet, head).problems
    assert "cannot send files: the profile that was made for QUILLFEN: " in problem.reason


def test_every_stored_value_is_traced_to_its_cell(fleet: Database) -> None:
    done = take(fleet, SEMICOLON)
    row = done.rows[1]
    trace = trace_sample(fleet, row.sample_id or 0)
    assert trace is not None
    assert (trace.filename, trace.profile, set(trace.places)) == (
        "a.csv",
        "quillfen",
        set(row.sample.readings),
    )
    place = trace.places["h2"]
    assert (place.line, place.column, place.address, place.text) == (3, "Hydrogen (ppm)", None, "ND")
    with fleet.write() as connection:
        connection.execute(samples.update().where(samples.c.id == row.sample_id).values(c2h4=77.0))
    changed = trace_sample(fleet, row.sample_id or 0)
    assert changed is not None
    assert set(row.sample.readings) - set(changed.places) == {"c2h4"}
    assert trace_sample(fleet, 10**6) is None


def test_a_workbooks_values_are_traced_to_the_cells_a_spreadsheet_shows(fleet: Database) -> None:
    laboratory = Source("TESSARINE", "Tessarine", SourceKind.LABORATORY, profile="tessarine")
    register.register_source(fleet, laboratory)
    sample_file = TESTS.parent / "sample_data" / "laboratory" / "tessarine_order_4471.xlsx"
    units = {"QUE-T1": "KEL-T1", "QUE-T2": "NA", "Shunt reactor": "KEL-T1"}
    content = sample_file.read_bytes()
    done = import_file(
        fleet, content, sample_file.name, "TESSARINE", "A", NOW, CONTEXT,
        ImportChoices(units={k: v for k, v in units.items() if v != "NA"} | {"QUE-T2": "KEL-T1"}),
    )  # fmt: skip
    assert done.problems == ()
    sheet = openpyxl.load_workbook(io.BytesIO(content), data_only=True)["Results"]
    for row in done.rows:
        trace = trace_sample(fleet, row.sample_id or 0)
        assert trace is not None
        assert set(trace.places) == set(row.sample.readings)
        for place in trace.places.values():
            assert place.address is not None
            cell = sheet[place.address]
            assert cell.row == place.line
            shown = str(cell.value) if "%" not in cell.number_format else f"{cell.value * 100:g}%"
            assert place.text.rstrip("0%").rstrip(".") == shown.rstrip("0%").rstrip(".")
    assert count(fleet, files) == 1


def test_a_file_is_read_before_anybody_has_to_wait(sqlite_database: Database) -> None:
    """On SQLite one writer keeps the others out: a large file must not do so while its cells are checked."""
    load_cast(sqlite_database)
    reading, done = threading.Event(), list[ImportResult]()
    choices = ImportChoices(progress=lambda stage, *_: reading.set() if stage == "reading" else None)
    importing = threading.Thread(target=lambda: done.append(take(sqlite_database, SEMICOLON, choices)))
    with sqlite_database.write():
        importing.start()
        assert reading.wait(timeout=20)
        assert done == []
    importing.join(timeout=20)
    assert done[0].stored
