"""Samples, assessments and alerts as CSV and xlsx: what stands in them, and that no cell can run."""

import csv
import io
from datetime import UTC, datetime, timedelta
from typing import Any

import openpyxl
import pytest
import sqlalchemy as sa
from hypothesis import given
from hypothesis import strategies as st

from app.domain.findings import Assessment
from app.domain.judging.methods import METHODS, TITLES
from app.domain.model import Reading, Sample
from app.intake.escaping import escaped, unescaped
from app.intake.files.profile import load_profile
from app.services.exporting.export_files import Wanted, export
from app.services.exporting.export_tables import COLUMNS, Kind, UnknownScopeError
from app.services.files.import_file import ImportChoices, ImportResult, import_file
from app.services.recording.record_samples import BatchTerms, record_samples
from app.store.database import Database
from app.store.exporting.exports import Scope
from app.store.schema import assessments, samples

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
AT = datetime(2025, 6, 1, 8, 30, 15, 250_000, tzinfo=UTC)
CONTEXT = BatchTerms("http://127.0.0.1:8750")
FLEET = Scope()
AWKWARD = 0.1 + 0.2  # no short decimal gives this float


def sample(
    unit: str, source: str, at: datetime, *, remark: str | None = None, **numbers: float | str
) -> Sample:
    readings = {
        name: Reading(name, below=float(n[1:])) if isinstance(n, str) else Reading(name, value=n)
        for name, n in numbers.items()
    }
    return Sample(unit, "main", source, at, readings, {}, "007", remark)


@pytest.fixture
def recorded(fleet_database: Database) -> Database:
    """Two laboratory samples at two sites and one on-line reading."""
    alarming = sample(
        "W-T1", "LAB", AT, h2=2400.0, ch4=900.0, c2h6=300.0, c2h4=1500.0, c2h2=420.0, co=AWKWARD
    )
    calm = sample(
        "E-R1", "LAB", AT, remark="=SUM(A1)", h2="<5", ch4=6.0, water=9.25, ambient_temperature=-5.5
    )
    for source, batch in (
        ("LAB", [alarming, calm]),
        ("W-T1-M", [sample("W-T1", "W-T1-M", AT + timedelta(hours=1), h2=2410.0)]),
    ):
        record_samples(fleet_database, source, batch, NOW, CONTEXT)
    return fleet_database


def as_csv(database: Database, kind: Kind, scope: Scope = FLEET) -> list[dict[str, str]]:
    out = io.BytesIO()
    count = export(database, Wanted(kind, scope), out)
    rows = list(csv.DictReader(io.StringIO(out.getvalue().decode("utf-8-sig"), newline="")))
    assert len(rows) == count
    return rows


def as_sheet(database: Database, kind: Kind) -> list[list[Any]]:
    out = io.BytesIO()
    export(database, Wanted(kind, form="xlsx"), out)
    return [list(row) for row in openpyxl.load_workbook(out)[kind].iter_rows(values_only=True)]


def test_samples_keep_every_digit_limit_and_moment(recorded: Database) -> None:
    calm, alarming, online = as_csv(recorded, "samples")
    assert (calm["asset"], calm["site"], calm["source"], calm["taken_at"]) == (
        "E-R1", "E", "LAB", "2025-06-01T08:30:15.250000Z",
    )  # fmt: skip
    assert (calm["h2"], calm["ch4"], calm["c2h2"], calm["ambient_temperature"]) == ("<5.0", "6.0", "", "-5.5")
    assert (float(alarming["co"]), alarming["status"], alarming["laboratory_number"]) == (AWKWARD, "3", "007")
    assert (online["source"], online["source_kind"], online["revision"]) == ("W-T1-M", "instrument", "1")


def test_scopes_are_an_asset_a_site_and_the_fleet(recorded: Database) -> None:
    assert [row["asset"] for row in as_csv(recorded, "samples", Scope(asset="E-R1"))] == ["E-R1"]
    assert {row["asset"] for row in as_csv(recorded, "samples", Scope(site="W"))} == {"W-T1"}
    assert as_csv(recorded, "samples", Scope(asset="W-T2")) == []
    for scope in (Scope(asset="W-T9"), Scope(site="Q")):
        with pytest.raises(UnknownScopeError, match=r"no (asset|site) has the code"):
            export(recorded, Wanted("samples", scope), io.BytesIO())


def test_assessments_and_alerts_say_what_the_record_says(recorded: Database) -> None:
    found = {(row["asset"], row["source"]): row for row in as_csv(recorded, "assessments")}
    alarming = found["W-T1", "LAB"]
    assert (alarming["status"], alarming["fault"] != "", alarming["duval_triangle_1"] != "") == (
        "3",
        True,
        True,
    )
    assert "above the 95th percentile" in alarming["status_reasons"]
    gassing = next(row for row in as_csv(recorded, "alerts") if row["condition"] == "gassing")
    assert (gassing["asset"], gassing["state"], gassing["severity"]) == ("W-T1", "unacknowledged", "4")


def test_the_columns_of_assessments_are_these() -> None:
    """Spreadsheets of owners read them by name, and some by place."""
    gases = ("h2", "ch4", "c2h6", "c2h4", "c2h2", "co", "co2")
    assert COLUMNS["assessments"] == (
        "asset", "site", "compartment", "source", "taken_at", "status", "suspect", "doubtful", "fault",
        "fault_name", "confidence", "status_reasons", *(method.name for method in METHODS),
        *(f"delta_{gas}" for gas in gases), *(f"rate_{gas}" for gas in gases),
        "nei_oil", "relative_saturation", "norm_set", "course_state", "gravity", "rule_set", "assessed_at",
    )  # fmt: skip


def test_every_method_has_its_column(recorded: Database) -> None:
    with recorded.read() as connection:
        details = connection.execute(sa.select(assessments.c.detail)).scalars()
        said = next(found for detail in details if (found := Assessment.from_json(detail)).status == 3)
    alarming = next(row for row in as_csv(recorded, "assessments") if row["status"] == "3")
    assert {name: alarming[name] or None for name in TITLES} == {n: c.code for n, c in said.methods.items()}
    assert sum(call.applicable for call in said.methods.values()) > len(TITLES) / 2


@pytest.mark.parametrize("kind", COLUMNS)
def test_a_workbook_says_the_same_as_the_csv(recorded: Database, kind: Kind) -> None:
    header, *rows = as_sheet(recorded, kind)
    assert tuple(header) == COLUMNS[kind]
    assert [row[0] for row in rows] == [row["asset"] for row in as_csv(recorded, kind)]


def test_in_a_workbook_numbers_are_numbers_and_times_are_times(recorded: Database) -> None:
    header, calm, alarming, _ = as_sheet(recorded, "samples")
    place = {name: i for i, name in enumerate(header)}
    assert calm[place["ambient_temperature"]] == -5.5
    assert calm[place["h2"]] == "<5.0"
    assert alarming[place["co"]] == pytest.approx(AWKWARD, rel=1e-15)  # a workbook has sixteen digits
    assert abs(calm[place["taken_at"]] - AT.replace(tzinfo=None)) < timedelta(milliseconds=1)
    assert calm[place["remark"]] == "'=SUM(A1)"
    assert alarming[place["laboratory_number"]] == "007"


def test_no_text_can_run_in_a_spreadsheet(recorded: Database) -> None:
    remarks = [row["remark"] for row in as_csv(recorded, "samples")]
    assert "'=SUM(A1)" in remarks
    out = io.BytesIO()
    export(recorded, Wanted("samples", form="xlsx"), out)
    cells = [cell for row in openpyxl.load_workbook(out)["samples"].iter_rows() for cell in row]
    assert {cell.data_type for cell in cells} <= {"s", "n", "d"}


RISKY = st.sampled_from(["=", "+", "-", "@", "\t", "\r", "'", "＝", "a", ""])


@given(st.lists(RISKY, max_size=6).map("".join), st.text(max_size=20))
def test_escaping_is_undone_exactly_and_leaves_nothing_that_runs(start: str, rest: str) -> None:
    text = start + rest
    assert unescaped(escaped(text)) == text
    assert not escaped(text).startswith(("=", "+", "-", "@", "\t", "\r"))


def come_back(database: Database, content: bytes) -> ImportResult:
    choices = ImportChoices(profile=load_profile("ullage"))
    return import_file(database, content, "out.csv", "LAB", "A. Author", NOW, CONTEXT, choices)


def test_an_exported_file_is_already_known_where_it_came_from(recorded: Database) -> None:
    out = io.BytesIO()
    export(recorded, Wanted("samples"), out)
    done = come_back(recorded, out.getvalue())
    assert (done.problems, done.counts["already_known"]) == ((), 3)


def test_what_an_exported_file_says_of_sources_must_be_registered(recorded: Database) -> None:
    out = io.BytesIO()
    export(recorded, Wanted("samples", Scope(asset="W-T1")), out)
    moved = out.getvalue().replace(b"W-T1,W,", b"W-T2,W,").replace(b",LAB,", b",LAB-9,")
    assert [(p.column, p.reason) for p in come_back(recorded, moved).problems] == [
        ("source", "'LAB-9' is neither an instrument nor a laboratory that is registered"),
        ("source", "the instrument 'W-T1-M' does not measure W-T2, main"),
    ]


def test_an_excluded_sample_and_an_old_revision_stay_at_home(recorded: Database) -> None:
    with recorded.write() as connection:
        connection.execute(samples.update().where(samples.c.remark.is_not(None)).values(excluded_at=NOW))
    corrected = sample("W-T1", "LAB", AT, h2=24.0)
    record_samples(recorded, "LAB", [corrected], NOW, CONTEXT)
    found = as_csv(recorded, "samples")
    assert [(row["asset"], row["h2"], row["revision"]) for row in found] == [
        ("W-T1", "24.0", "2"),
        ("W-T1", "2410.0", "1"),
    ]
