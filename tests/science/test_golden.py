"""Published numbers and worked examples, row by row."""

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from app.science.diagnosis import energy, ratios, triangles
from app.science.oil import moisture
from app.science.trends.rates import least_squares_rate

GOLDEN = Path(__file__).parent / "golden"

SCALARS: dict[str, Callable[..., NDArray[np.float64]]] = {
    name: getattr(module, name)
    for module, names in (
        (energy, ("nei_oil", "nei_oil_without_ethane", "nei_paper")),
        (ratios, ("tdcg",)),
        (moisture, ("solubility", "relative_saturation")),
    )
    for name in names
}


def read_golden(path: Path) -> list[dict[str, str]]:
    """Rows of a golden table; refuses one without source, clause, expected value or tolerance."""
    with path.open(encoding="utf-8", newline="") as file:
        found = list(csv.DictReader(file))
    assert found, f"{path.name} is empty"
    for number, row in enumerate(found, 2):
        for column in ("expected", "tolerance", "source", "clause"):
            assert row.get(column, "").strip(), f"{path.name} line {number}: {column} is empty"
    return found


def golden(name: str) -> list[dict[str, str]]:
    return read_golden(GOLDEN / f"{name}.csv")


def test_every_golden_row_names_its_source() -> None:
    tables = sorted(GOLDEN.glob("*.csv"))
    assert len(tables) >= 7
    for table in tables:
        assert read_golden(table)


def test_a_golden_row_without_source_is_refused(tmp_path: Path) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text("x,expected,tolerance,source,clause\n1,1,0,,a\n", encoding="utf-8")
    with pytest.raises(AssertionError, match=r"bad\.csv line 2: source is empty"):
        read_golden(bad)


def test_printed_percentages() -> None:
    for row in golden("percentages"):
        found = triangles.percentages(*(float(row[g]) for g in triangles.TRIANGLE_1_GASES))
        expected = [float(x) for x in row["expected"].split()]
        assert np.allclose([float(f) for f in found], expected, rtol=0, atol=float(row["tolerance"])), row


def test_single_formulas() -> None:
    for row in golden("scalars"):
        arguments = [float(row[c]) for c in "abcdef" if row[c]]
        found = float(SCALARS[row["function"]](*arguments))
        assert found == pytest.approx(float(row["expected"]), abs=float(row["tolerance"])), row


def test_rates_printed_in_the_guide() -> None:
    lines = golden("rates_b1")
    days = [[float(d) for d in row["days"].split()] for row in lines]
    values = [[float(v) for v in row["values"].split()] for row in lines]
    rate = least_squares_rate(days, values, np.ones((len(lines), 6), dtype=bool))
    for i, row in enumerate(lines):
        assert rate.per_year[i] == pytest.approx(float(row["expected"]), abs=float(row["tolerance"])), row
        assert rate.span_days[i] == float(row["span"])
        assert rate.points[i] == 6
