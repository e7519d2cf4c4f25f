"""Reader of the golden tables beside these tests: every row names its source, clause and tolerance."""

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

GOLDEN = Path(__file__).parent / "golden"

Rows = list[dict[str, str]]


def _read(path: Path) -> Rows:
    """Rows of a golden table; refuses one without source, clause, expected value or tolerance."""
    with path.open(encoding="utf-8", newline="") as file:
        found = list(csv.DictReader(file))
    assert found, f"{path.name} is empty"
    for number, row in enumerate(found, 2):
        for column in ("expected", "tolerance", "source", "clause"):
            assert row.get(column, "").strip(), f"{path.name} line {number}: {column} is empty"
    return found


@pytest.fixture
def read_golden() -> Callable[[Path], Rows]:
    return _read


@pytest.fixture
def golden() -> Callable[[str], Rows]:
    return lambda name: _read(GOLDEN / f"{name}.csv")
