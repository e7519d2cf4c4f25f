"""Samples and assessments as data frames, from a database and from a CSV."""

import io
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pandas as pd
import pytest

from app.analysis import assessments, samples, units
from app.domain.model import Reading, Sample
from app.services.exporting.export_files import Wanted, export
from app.services.exporting.export_tables import COLUMNS, Kind, UnknownScopeError
from app.services.judging.interpret_rows import CsvError
from app.services.recording.record_samples import BatchTerms, record_samples
from app.store.database import Database
from app.store.keeping.migrate import DatabaseUnusableError

AT = datetime(2025, 6, 1, 8, 30, 15, 250_000, tzinfo=UTC)
AWKWARD = 0.1 + 0.2  # no short decimal gives this float


@pytest.fixture
def recorded(fleet_database: Database) -> Database:
    """A laboratory sample a month of W-T1, one of E-R1."""
    for month, unit in enumerate(("W-T1", "W-T1", "E-R1")):
        readings = {"h2": Reading("h2", value=10.0 + month + AWKWARD), "c2h2": Reading("c2h2", below=0.5)}
        at = AT + timedelta(days=30 * month)
        sample = Sample(unit, "main", "LAB", at, readings, {}, "007", "-5 °C at the valve")
        record_samples(fleet_database, "LAB", [sample], AT + timedelta(days=90), BatchTerms(""))
    return fleet_database


def url_of(database: Database) -> str:
    return database.url.render_as_string(hide_password=False)


def file_of(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def test_samples_come_with_units_and_with_limits_apart(recorded: Database) -> None:
    frame = samples(url_of(recorded), asset="W-T1")
    assert list(frame["h2"]) == [10.0 + AWKWARD, 11.0 + AWKWARD]
    assert list(frame["c2h2"]) == [0.5, 0.5]
    assert list(frame["c2h2_below"]) == [True, True]
    assert not frame["h2_below"].any()
    assert frame["ch4"].isna().all()
    assert frame["taken_at"].dtype == "datetime64[us, UTC]"
    assert (frame.attrs["units"]["h2"], units["h2"], units["rate_h2"]) == ("µL/L", "µL/L", "µL/L per year")


def test_a_time_without_a_zone_is_utc_and_the_end_is_outside(recorded: Database) -> None:
    url, naive = url_of(recorded), AT.replace(tzinfo=None)
    assert len(samples(url, since=naive)) == 3
    assert len(samples(url, since=naive + timedelta(days=30), until=naive + timedelta(days=60))) == 1
    assert len(samples(url, site="E", until=AT)) == 0


def test_assessments_stand_beside_their_samples(recorded: Database) -> None:
    url = url_of(recorded)
    said, measured = assessments(url), samples(url)
    assert list(said["taken_at"]) == list(measured["taken_at"])
    assert list(said["status"]) == [1, 1, 1]
    assert said["status"].dtype == "Int64"


@pytest.mark.parametrize("kind", ["samples", "assessments"])
def test_an_export_as_csv_gives_the_same_frame_as_the_database(
    recorded: Database, tmp_path: Path, kind: Kind
) -> None:
    out = io.BytesIO()
    export(recorded, Wanted(kind), out)
    path = tmp_path / "out.csv"
    path.write_bytes(out.getvalue())
    read = samples if kind == "samples" else assessments
    pd.testing.assert_frame_equal(read(path), read(url_of(recorded)))
    assert read(path).attrs == read(url_of(recorded)).attrs
    narrowed = {"site": "W", "since": AT + timedelta(days=1)}
    pd.testing.assert_frame_equal(read(path, **narrowed), read(url_of(recorded), **narrowed))  # type: ignore[arg-type]


def test_nothing_in_a_csv_is_guessed(tmp_path: Path) -> None:
    text = "Asset,taken_at,h2,c2h2,laboratory_number,crew\n007,2025-06-01,NA,0.30000000000000004,0042,NA\n"
    with pytest.raises(
        CsvError, match=r"row 1: h2: 'NA' is not a number like 41\.2, or <0\.5 for below a limit"
    ):
        samples(file_of(tmp_path / "a.csv", text))
    frame = samples(file_of(tmp_path / "b.csv", text.replace(",NA,0.3", ",,0.3") + ",,,,,\n"))
    (row,) = frame.to_dict("records")
    assert (row["asset"], row["laboratory_number"], row["crew"]) == ("007", "0042", "NA")
    assert row["c2h2"] == AWKWARD
    assert pd.isna(row["h2"])
    assert row["taken_at"] == datetime(2025, 6, 1, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "cannot be read as CSV"),
        ("asset,h2\nT,1\n", "the column 'taken_at' is missing"),
        ("asset,taken_at,h2,H2\nT,2025-06-01,1,2\n", "the column 'h2' stands twice"),
        ("asset,taken_at,h2\nT,2025-06-01\n", "row 1: has fewer cells than the header"),
        ("asset,taken_at,h2\nT,2025-06-01,1,5\n", "Expected 3 fields in line 2, saw 4"),
        ("asset,taken_at,h2\nT,1/6/2025,1\n", "row 1: taken_at: '1/6/2025' is no ISO 8601 time"),
        ("asset,taken_at,revision\nT,2025-06-01,1.5\n", "row 1: revision: '1.5' is not a whole number"),
        ("asset,taken_at,suspect\nT,2025-06-01,maybe\n", "row 1: suspect: 'maybe' is not true or false"),
    ],
)
def test_a_faulty_csv_is_told_row_by_row(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(CsvError) as told:
        samples(file_of(tmp_path / "faulty.csv", text))
    assert says in str(told.value)


def test_a_database_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    path = tmp_path / "no" / "ullage.db"
    with pytest.raises(FileNotFoundError, match="there is no database"):
        samples(f"sqlite:///{path}")
    assert not path.parent.exists()
    with pytest.raises(FileNotFoundError):
        samples(tmp_path / "no.csv")


def test_an_old_database_is_left_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "empty.db"
    path.touch()
    with pytest.raises(DatabaseUnusableError, match="not up to date"):
        samples(f"sqlite:///{path}")


def test_an_unknown_unit_is_told(recorded: Database) -> None:
    with pytest.raises(UnknownScopeError, match="no asset has the code 'W-T9'"):
        samples(url_of(recorded), asset="W-T9")


def test_columns_are_those_of_an_export(recorded: Database) -> None:
    frame = samples(url_of(recorded))
    assert tuple(c for c in frame.columns if not c.endswith("_below")) == COLUMNS["samples"]
    assert tuple(assessments(url_of(recorded)).columns) == COLUMNS["assessments"]
