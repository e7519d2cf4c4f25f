"""The files of the invented laboratories in sample_data, imported into the demo's fleet and compared value by value
with a table that was written by hand."""

import csv
from datetime import UTC, datetime
from pathlib import Path

import pytest
import sqlalchemy as sa
import yaml
from fleet_cast import PROJECT

from app.domain.model import Reading
from app.intake.files.profile import Profile, load_profile, profile_names
from app.services.files.import_file import ImportResult, import_file
from app.services.recording.record_samples import BatchTerms
from app.services.registering.load_fleet import load_fleet
from app.store.database import Database
from app.store.schema import files, samples

SAMPLES = PROJECT / "sample_data" / "laboratory"
TABLE = PROJECT / "tests" / "data" / "laboratory" / "expected_of_samples.csv"
NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
FILES = {
    "marrowby_february.csv": "MARROWBY",
    "tessarine_order_4471.xlsx": "TESSARINE",
    "osmunda_export.txt": "OSMUNDA",
    "hollowell_26-118.csv": "HOLLOWELL",
    "quillfen_history.csv": "QUILLFEN",
}
with TABLE.open(encoding="utf-8", newline="") as text:
    EXPECTED = list(csv.DictReader(line for line in text if not line.startswith("#")))


@pytest.fixture
def fleet(sqlite_database: Database) -> Database:
    for path in (PROJECT / "sample_data" / "fleet.yaml", SAMPLES / "laboratories.yaml"):
        load_fleet(sqlite_database, path.read_text(encoding="utf-8"), path.name)
    return sqlite_database


def take(database: Database, name: str) -> ImportResult:
    content = (SAMPLES / name).read_bytes()
    return import_file(database, content, name, FILES[name], "A. Author", NOW, BatchTerms(""))


def test_every_file_of_the_folder_is_expected_here() -> None:
    assert {p.name for p in SAMPLES.iterdir()} - {"laboratories.yaml"} == set(FILES)
    assert {row["file"] for row in EXPECTED} == set(FILES)


@pytest.mark.parametrize("name", FILES)
def test_a_laboratorys_file_imports_value_by_value(fleet: Database, name: str) -> None:
    done = take(fleet, name)
    assert done.problems == ()
    assert done.stored
    expected = [row for row in EXPECTED if row["file"] == name]
    found = {row.line: row.sample for row in done.rows}
    if name != "quillfen_history.csv":
        assert set(found) == {int(row["line"]) for row in expected}
    for row in expected:
        sample = found[int(row["line"])]
        assert (sample.asset_code, sample.compartment) == (row["asset"], row["compartment"])
        assert sample.taken_at == datetime.fromisoformat(row["taken_at"])
        assert sample.laboratory_number == row["number"]
        assert written(sample.readings) == dict(cell.split("=") for cell in row["readings"].split())


def written(readings: object) -> object:
    """Readings that compare equal to the table's texts within its seven digits."""
    assert isinstance(readings, dict)
    return {name: _Near(reading) for name, reading in readings.items()}


class _Near:
    def __init__(self, reading: Reading) -> None:
        self.reading = reading

    def __eq__(self, text: object) -> bool:
        assert isinstance(text, str)
        below = text.startswith("<")
        number = pytest.approx(float(text.removeprefix("<")), rel=2e-7)
        return below == (self.reading.below is not None) and self.reading.number == number

    def __hash__(self) -> int:
        return 0

    def __repr__(self) -> str:
        return str(self.reading)


def test_the_long_history_is_what_its_cells_say(fleet: Database) -> None:
    """All 44 rows of the wide file, read again here by nothing but the csv module."""
    done = take(fleet, "quillfen_history.csv")
    text = (SAMPLES / "quillfen_history.csv").read_bytes().decode("cp1252")
    rows = list(csv.DictReader(text.splitlines(), delimiter=";"))
    assert len(rows) == len(done.rows) == 44
    columns = {column.column: column.quantity for column in load_profile("quillfen").readings}
    for row, result in zip(rows, done.rows, strict=True):
        assert result.sample.asset_code == row["Plant no."]
        cells = {
            columns[c]: t.replace(",", ".") for c, t in row.items() if c in columns and t not in ("", "-")
        }
        assert {q: str(r) for q, r in result.sample.readings.items()} == {
            q: f"<{float(t[1:]):g}" if t[0] == "<" else f"{float(t):g}" for q, t in cells.items()
        }


def test_what_each_file_showed_is_used_by_one_of_the_profiles() -> None:
    """Between them the shipped profiles use every feature a profile can declare."""
    folder = PROJECT / "app" / "intake" / "files" / "profiles"
    profiles = [
        yaml.safe_load((folder / f"{name}.yaml").read_text(encoding="utf-8")) for name in profile_names()
    ]
    used = {key: {str(p[key]) for p in profiles if key in p} for key in {k for p in profiles for k in p}}
    assert used["layout"] == {"wide", "long"}
    assert used["file"] == {"workbook"}
    assert used["encoding"] == {"cp1252", "utf-8", "utf-16-le", "iso8859-15"}
    assert used["decimal_mark"] == {",", "."}
    assert {"None", ",", " "} <= used["thousands_mark"]
    assert used["gas_volume_temperature"] == {"0", "20", "25"}
    assert {c["by"] for p in profiles for c in p["unit"]} == {"code", "serial", "name"}
    assert {p["time"]["zone"] for p in profiles} == {"site", "offset", "CET", "EST5EDT"}
    assert {p["time"].get("repeated_hour", "refuse") for p in profiles} == {"refuse", "first", "second"}
    units = {c["unit"] for p in profiles for c in p["readings"]}
    assert {"µL/L", "ppm", "%", "mL/L", "mg/kg", "ppb", "°C", "°F"} <= units
    assert {"long", "sheet", "units_under_header", "zero", "header_within_rows", "escaped_text"} <= set(used)


# --- bad files of these laboratories, named for their fault -----------------------------------------------------

DATA = PROJECT / "tests" / "data" / "laboratory"
BAD = sorted((DATA / "bad_of_others").iterdir())
TOLD: dict[str, list[tuple[str, str, str]]] = {}
with (DATA / "expected_of_bad_of_others.csv").open(newline="", encoding="utf-8") as text:
    for line in csv.DictReader(text):
        TOLD.setdefault(line["file"], []).append((line["line"], line["column"], line["message"]))


def test_every_bad_file_has_an_expectation() -> None:
    assert {path.name for path in BAD} == set(TOLD)
    assert len(BAD) + len(list((DATA / "bad").iterdir())) >= 40


@pytest.mark.parametrize("path", BAD, ids=lambda path: path.name)
def test_a_bad_file_is_refused_in_these_words_and_nothing_is_stored(fleet: Database, path: Path) -> None:
    laboratory = path.name.partition(".")[0].upper()
    done = import_file(fleet, path.read_bytes(), path.name, laboratory, "A. Author", NOW, BatchTerms(""))
    assert [(str(p.line or ""), p.column or "", p.reason) for p in done.problems] == TOLD[path.name]
    assert (done.stored, done.rows, done.effects) == (False, (), ())
    with fleet.read() as connection:
        for table in (samples, files):
            assert connection.execute(sa.select(sa.func.count()).select_from(table)).scalar_one() == 0


# --- the documentation ------------------------------------------------------------------------------------------


def test_every_shipped_profile_and_every_key_of_a_profile_is_documented() -> None:
    manual = (PROJECT / "app/help/laboratory-files.md").read_text(encoding="utf-8")
    assert [name for name in profile_names() if f"| `{name}` |" not in manual] == []
    developers = (PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8")
    keys = set(Profile.model_fields) - {"name", "description"}
    assert [key for key in sorted(keys) if f"`{key}`" not in developers] == []
