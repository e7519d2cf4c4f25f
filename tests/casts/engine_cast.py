"""The cast of the engine's tests: a quiet unit, series made from a few numbers, and the golden tables."""

import csv
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import numpy as np

from app.domain.findings import Assessment
from app.domain.judging.engine import Judgement, assess
from app.domain.judging.frame import SampleFrame, frame_of
from app.domain.judging.norms import Norming
from app.domain.judging.report import ReportOptions, report
from app.science.quantities import NAMES

GOLDEN: Final = Path(__file__).parents[1] / "domain" / "golden"
START: Final = datetime(2015, 1, 1, tzinfo=UTC)
QUIET: Final = {
    "h2": 10.0,
    "ch4": 5.0,
    "c2h6": 4.0,
    "c2h4": 3.0,
    "c2h2": 0.0,
    "co": 200.0,
    "co2": 2000.0,
    "o2": 1000.0,
    "n2": 50_000.0,
}
"""A sealed unit without a fault: O2/N2 0.02, all gases far below Table 1."""

Samples = Sequence[tuple[float, Mapping[str, float] | Mapping[str, float | str]]]
"""(day, readings); a reading written "<5" is censored."""


def frame(samples: Samples, *, age: float | None = 5.0, online: bool = False, series: int = 0) -> SampleFrame:
    """One series."""
    return frame_of(
        [series] * len(samples),
        [START + timedelta(days=day) for day, _ in samples],
        [[_number(readings.get(name)) for name in NAMES] for _, readings in samples],
        [[str(readings.get(name)).startswith("<") for name in NAMES] for _, readings in samples],
        age=age,
        online=online,
    )


def judge(samples: Samples, *, age: float | None = 5.0, norming: Norming | None = None) -> Judgement:
    """The judgement of one laboratory series."""
    return assess(frame(samples, age=age), norming=norming)


def one(
    readings: Mapping[str, float | str] | Mapping[str, float],
    *,
    age: float | None = 5.0,
    norming: Norming | None = None,
) -> Assessment:
    """The assessment of a first sample that has only these readings, without draws."""
    return report(judge([(0.0, readings)], age=age, norming=norming), 0, ReportOptions(detailed=False))


def last(samples: Samples, *, detailed: bool = False, **options: Any) -> Assessment:
    """The assessment of the last sample of a series."""
    judgement = judge(samples, **options)
    return report(judgement, len(samples) - 1, ReportOptions(detailed=detailed))


def steady(count: int = 4, every: float = 180.0, **changed: float) -> list[tuple[float, dict[str, float]]]:
    """So many samples of a quiet unit, some gases at another level, each a little off the one before."""
    wobble = (1.0, 1.02, 0.98, 1.01, 0.99)
    quiet = QUIET | changed
    return [
        (every * i, {name: value * wobble[i % len(wobble)] for name, value in quiet.items()})
        for i in range(count)
    ]


def join(frames: Sequence[SampleFrame]) -> SampleFrame:
    """Frames of different series one after another."""
    return SampleFrame(
        *(np.concatenate([getattr(f, name) for f in frames]) for name in SampleFrame.__dataclass_fields__)
    )


def golden(name: str) -> list[dict[str, str]]:
    """Rows of a golden table; refuses one without source or clause.

    Raises:
        ValueError: naming the line and the column that is empty.
    """
    return read_golden(GOLDEN / f"{name}.csv")


def read_golden(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        found = list(csv.DictReader(file))
    if not found:
        raise ValueError(f"{path.name} is empty")
    for number, row in enumerate(found, 2):
        for column in ("source", "clause"):
            if not (row.get(column) or "").strip():
                raise ValueError(f"{path.name} line {number}: {column} is empty")
    return found


def _number(reading: float | str | None) -> float | None:
    return None if reading is None else float(str(reading).lstrip("<"))
