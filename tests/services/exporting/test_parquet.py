"""Parquet: the same record as the CSV, with types, a limit's sign in its own column, and units in the file."""

import csv
import io
import sys
from datetime import UTC, datetime, timedelta

import pandas as pd
import pytest
from pyarrow import parquet

from app.domain.judging.methods import TITLES
from app.domain.model import Reading, Sample
from app.science.quantities import NAMES
from app.services.exporting import frames
from app.services.exporting.export_files import Format, NoParquetError, Wanted, export
from app.services.exporting.export_tables import COLUMNS, Kind, UnknownScopeError
from app.services.exporting.frames import frame_of, read_frame, type_of, units
from app.services.recording.record_samples import BatchTerms, record_samples
from app.store.database import Database
from app.store.exporting.exports import Scope

AT = datetime(2025, 6, 1, 8, 30, 15, 250_000, tzinfo=UTC)
AWKWARD = 0.1 + 0.2  # no short decimal gives this float


@pytest.fixture
def recorded(fleet_database: Database) -> Database:
    """Two laboratory samples and an on-line reading, a day apart."""
    alarming: dict[str, float | str] = {
        "h2": 2400.0,
        "ch4": 900.0,
        "c2h6": 300.0,
        "c2h4": 1500.0,
        "c2h2": 420.0,
        "co": AWKWARD,
    }
    calm: dict[str, float | str] = {"h2": "<5", "ch4": 6.0, "water": 9.25, "ambient_temperature": -5.5}
    online: dict[str, float | str] = {"h2": 2410.0}
    given = (("W-T1", "LAB", alarming), ("E-R1", "LAB", calm), ("W-T1", "W-T1-M", online))
    for day, (unit, source, numbers) in enumerate(given):
        readings = {
            name: Reading(name, below=float(n[1:])) if isinstance(n, str) else Reading(name, value=float(n))
            for name, n in numbers.items()
        }
        sample = Sample(unit, "main", source, AT + timedelta(days=day), readings, {}, "007", "=SUM(A1)")
        record_samples(fleet_database, source, [sample], AT + timedelta(days=30), BatchTerms(""))
    return fleet_database


FLEET = Scope()


def written(database: Database, kind: Kind, form: Format, scope: Scope = FLEET) -> io.BytesIO:
    out = io.BytesIO()
    export(database, Wanted(kind, scope, form), out)
    out.seek(0)
    return out


@pytest.mark.parametrize("kind", COLUMNS)
def test_it_holds_cell_by_cell_what_the_csv_holds(recorded: Database, kind: Kind) -> None:
    text = written(recorded, kind, "csv").getvalue().decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    frame = pd.read_parquet(written(recorded, kind, "parquet"))
    assert len(frame) == len(rows) > 0
    assert [c for c in frame.columns if not c.endswith("_below")] == list(COLUMNS[kind])
    for row, found in zip(rows, frame.to_dict("records"), strict=True):
        for name, cell in row.items():
            value = found[name]
            if cell == "":
                assert pd.isna(value)
            elif type_of(name) == "number":
                assert float(cell.removeprefix("<")) == value
                assert found.get(f"{name}_below", False) is cell.startswith("<")
            elif type_of(name) == "time":
                assert datetime.fromisoformat(cell) == value
            elif type_of(name) == "truth":
                assert cell == str(value).lower()
            else:
                assert cell in {str(value), f"'{value}"}  # only a spreadsheet needs the apostrophe


def test_digits_limits_and_moments_are_exact(recorded: Database) -> None:
    frame = pd.read_parquet(written(recorded, "samples", "parquet"))
    calm, alarming, _ = frame.to_dict("records")
    assert (calm["h2"], calm["h2_below"], calm["ch4"], calm["ch4_below"]) == (5.0, True, 6.0, False)
    assert pd.isna(calm["c2h2"])
    assert not calm["c2h2_below"]
    assert (alarming["co"], alarming["taken_at"], alarming["laboratory_number"]) == (AWKWARD, AT, "007")
    assert alarming["remark"] == "=SUM(A1)"


def test_units_are_in_the_file_for_pandas_and_for_others(recorded: Database) -> None:
    file = written(recorded, "samples", "parquet")
    assert pd.read_parquet(file).attrs["units"] == {name: units()[name] for name in NAMES}
    schema = parquet.read_schema(file)
    assert schema.field("h2").metadata == {b"unit": "µL/L".encode()}
    assert schema.field("asset").metadata is None


def test_types_do_not_depend_on_what_is_in_the_table(recorded: Database) -> None:
    for kind in COLUMNS:
        full, empty = (
            parquet.read_schema(written(recorded, kind, "parquet", scope))
            for scope in (Scope(), Scope(asset="W-T2"))
        )
        assert full.equals(empty)
    assert read_frame(recorded, "samples", Scope(asset="W-T2")).dtypes.equals(frame_of("samples", []).dtypes)


def test_a_long_table_is_written_and_read_in_parts(
    recorded: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("app.services.exporting.parquet_file.ROWS_AT_ONCE", 2)
    file = written(recorded, "samples", "parquet")
    assert parquet.ParquetFile(file).metadata.num_row_groups == 2
    whole = pd.read_parquet(file)
    monkeypatch.setattr(frames, "_ROWS_AT_ONCE", 2)
    pd.testing.assert_frame_equal(whole, read_frame(recorded, "samples", Scope()))


def test_a_window_of_time_narrows_samples_and_assessments(recorded: Database) -> None:
    day = timedelta(days=1)
    for kind in ("samples", "assessments"):
        found = read_frame(recorded, kind, Scope(since=AT + day, until=AT + 2 * day))
        assert list(found["taken_at"]) == [AT + day]
    with pytest.raises(UnknownScopeError, match="no asset has the code 'W-T9'"):
        read_frame(recorded, "samples", Scope(asset="W-T9"))


def test_without_pyarrow_it_is_said_how_to_get_it(
    recorded: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    out = io.BytesIO()
    with pytest.raises(NoParquetError, match=r"pip install 'ullage\[parquet\]'"):
        export(recorded, Wanted("samples", form="parquet"), out)
    assert out.getvalue() == b""


def test_every_column_has_a_type_of_its_own() -> None:
    """A column added to a table is text until it is said to be more: this list is what is text on purpose."""
    words = {c for kind in COLUMNS for c in COLUMNS[kind] if type_of(c) == "text"}
    assert words - set(TITLES) == {
        *("asset", "site", "serial", "liquid", "paper", "compartment", "compartment_kind"),
        *("source", "source_kind", "laboratory_number", "remark", "file"),
        *("fault", "fault_name", "status_reasons", "norm_set", "course_state", "rule_set"),
        *("condition", "state", "headline", "acknowledged_by", "instrument"),
    }
