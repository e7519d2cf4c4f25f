"""The engine on a data frame says what `ullage interpret` says of the same samples."""

import io
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from app.analysis import interpret, samples
from app.services.exporting.export_tables import SAID_COLUMNS
from app.services.judging.interpret import interpret_csv
from app.services.judging.interpret_rows import CsvError

TEXT = (
    "asset,taken_at,age_years,source_kind,baseline,h2,ch4,c2h6,c2h4,c2h2,co,co2,o2,n2\n"
    "E1,2004-01-13,1,laboratory,,95,421,128,695,7,25,360,2304,76540\n"
    "Q,2004-01-20,10,,,5,4,3,<0.5,<0.5,200,2000,900,50000\n"
    "E1,2004-01-28T00:00:00+00:00,1,laboratory,,104,404,138,678,5,31,343,4503,83976\n"
    "E1,2004-02-10T01:00+01:00,1,laboratory,degassed,120,554,199,839,9,30,378,2387,86795\n"
)
"""IEEE C57.104-2019, Annex E.1, with a quiet unit and a new baseline between them."""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "samples.csv"
    path.write_text(TEXT, encoding="utf-8")
    return path


def same(frame: pd.DataFrame, told: list[dict[str, Any]]) -> None:
    assert len(frame) == len(told)
    for row, one in zip(frame.to_dict("records"), told, strict=True):
        assert row["status"] == one["status"]
        assert row["suspect"] == one["suspect"]
        assert row["status_reasons"] == "; ".join(one["status_reasons"])
        assert row["norm_set"] == one["norm_set"]
        for gas, delta in one["deltas"].items():
            assert row[f"delta_{gas}"] == delta
        for name, call in one["methods"].items():
            assert row[name] == call["code"] or (call["code"] is None and pd.isna(row[name]))
        assert row["verdict"] == " ".join(sentence["text"] for sentence in one["verdict"])


@pytest.mark.parametrize("detailed", [True, False])
def test_a_file_and_a_frame_give_what_the_command_gives(file: Path, detailed: bool) -> None:
    told = list(interpret_csv(io.StringIO(TEXT), detailed=detailed))
    same(interpret(file, detailed=detailed), told)
    same(interpret(samples(file), detailed=detailed), told)
    as_text = pd.read_csv(file, dtype=str, keep_default_na=False)
    same(interpret(as_text, detailed=detailed), told)


def test_the_columns_are_those_of_assessments_and_the_index_is_the_frames_own(file: Path) -> None:
    given = samples(file).set_index(pd.Index(list("abcd")))
    found = interpret(given.sort_values("h2"), detailed=False)
    assert tuple(found.columns) == ("asset", "taken_at", *SAID_COLUMNS, "verdict")
    assert list(found.index) == ["b", "a", "c", "d"]
    assert found.loc["a", "duval_triangle_1"] == "T3"
    assert given.join(found["status"]).loc["b", "status"] == 1
    assert found.attrs["units"]["delta_h2"] == "µL/L"


def test_compartments_and_instruments_are_series_of_their_own() -> None:
    start = datetime(2026, 1, 1, tzinfo=UTC)
    rows = [
        ("T1", compartment, source, kind, start + timedelta(days=60 * n), h2)
        for n in range(3)
        for compartment, source, kind, h2 in (
            ("main", "LAB", "laboratory", 10.0),
            ("cable box", "LAB", "laboratory", 900.0),
            ("main", "M1", "instrument", 30.0),
            ("main", "LAB2", "laboratory", 10.0),
        )
    ]
    columns = ["asset", "compartment", "source", "source_kind", "taken_at", "h2"]
    frame = pd.DataFrame(rows, columns=columns).drop_duplicates(["compartment", "source_kind", "taken_at"])
    found = interpret(frame, detailed=False)
    assert list(found.columns[:4]) == ["asset", "compartment", "source", "taken_at"]
    assert found["delta_h2"].dropna().eq(0.0).all()
    assert list(found[found["compartment"] == "main"]["status"]) == [1] * 6


def test_an_empty_frame_gives_an_empty_one(file: Path) -> None:
    found = interpret(samples(file).head(0))
    assert len(found) == 0
    assert found["status"].dtype == "Int64"


@pytest.mark.parametrize(
    ("columns", "says"),
    [
        ({"asset": ["T"], "h2": [1.0]}, "the column 'taken_at' is missing"),
        ({"asset": ["T"], "taken_at": ["2026-01-01"], "H2": [1.0]}, "the column 'H2' must be written 'h2'"),
        ({"asset": ["T"], "taken_at": ["yesterday"]}, "row 1: taken_at: 'yesterday'"),
        ({"asset": [""], "taken_at": ["2026-01-01"]}, "row 1: asset: is empty"),
        (
            {"asset": ["T"], "taken_at": ["2026-01-01"], "h2": [-3]},
            "row 1: h2: -3.0 µL/L is below the possible minimum",
        ),
        ({"asset": ["T"], "taken_at": ["2026-01-01"], "h2": ["1,5"]}, "row 1: h2: '1,5' is not a number"),
    ],
)
def test_what_cannot_be_judged_is_told(columns: dict[str, list[Any]], says: str) -> None:
    with pytest.raises(CsvError) as told:
        interpret(pd.DataFrame(columns))
    assert says in str(told.value)
