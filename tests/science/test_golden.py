"""Published numbers and worked examples, row by row."""

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from app.science.diagnosis import energy, pentagons, ratios, triangles
from app.science.oil import moisture
from app.science.trends.rates import least_squares_rate

GOLDEN = Path(__file__).parent / "golden"

ZONES: dict[str, tuple[Callable[..., NDArray[np.int8]], tuple[str, ...], tuple[str, ...]]] = {
    "duval_triangle_1": (triangles.duval_triangle_1, triangles.TRIANGLE_1_GASES, triangles.TRIANGLE_1_ZONES),
    "duval_pentagon_1": (pentagons.duval_pentagon_1, pentagons.PENTAGON_GASES, pentagons.PENTAGON_1_ZONES),
    "duval_pentagon_2": (pentagons.duval_pentagon_2, pentagons.PENTAGON_GASES, pentagons.PENTAGON_2_ZONES),
}
SCALARS: dict[str, Callable[..., NDArray[np.float64]]] = {
    name: getattr(module, name)
    for module, names in (
        (energy, ("nei_oil", "nei_oil_without_ethane", "nei_paper")),
        (ratios, ("co2_co", "o2_n2", "tdcg")),
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
    assert len(tables) >= 8
    for table in tables:
        assert read_golden(table)


def test_a_golden_row_without_source_is_refused(tmp_path: Path) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text("x,expected,tolerance,source,clause\n1,1,0,,a\n", encoding="utf-8")
    with pytest.raises(AssertionError, match=r"bad\.csv line 2: source is empty"):
        read_golden(bad)


def test_zones_of_published_cases() -> None:
    for row in golden("zones"):
        method, gases, names = ZONES[row["method"]]
        zone = method(*(float(row[g]) for g in gases))
        assert names[int(zone)] == row["expected"], row


def test_printed_percentages() -> None:
    for row in golden("percentages"):
        found = triangles.percentages(*(float(row[g]) for g in triangles.TRIANGLE_1_GASES))
        expected = [float(x) for x in row["expected"].split()]
        assert np.allclose([float(f) for f in found], expected, rtol=0, atol=float(row["tolerance"])), row


def test_ratio_methods() -> None:
    for row in golden("ratio_methods"):
        h2, ch4, c2h6, c2h4, c2h2 = (float(row[g]) for g in ("h2", "ch4", "c2h6", "c2h4", "c2h2"))
        if row["method"] == "rogers_ratios":
            said = str(ratios.rogers_case(h2, ch4, c2h6, c2h4, c2h2))
        elif row["method"] == "iec_60599_ratios":
            held = ratios.iec_60599_cases(h2, ch4, c2h6, c2h4, c2h2)
            said = " ".join(c for c, h in zip(ratios.IEC_60599_CASES, held, strict=True) if h) or "none"
        elif row["method"] == "doernenburg_ratios":
            fault, step = ratios.doernenburg(h2, ch4, c2h6, c2h4, c2h2, float(row["co"]))
            said = ratios.DOERNENBURG_FAULTS[int(fault)] if step == 0 else ratios.DOERNENBURG_STEPS[int(step)]
            assert (fault >= 0) == (step == 0)
        else:
            found = ratios.key_gas(h2, ch4, c2h6, c2h4, c2h2, float(row["co"]))
            said = ratios.KEY_GAS_CASES[int(found.case)]
        assert said == row["expected"], row


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
