"""The labelled cases of ``calibrate_fault_call.py`` (which tells the format) and what the zone methods say of them."""

import csv
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from app.science.diagnosis.fault_call import FAULT_CLASSES, METHODS, one_hot
from app.science.diagnosis.pentagons import PENTAGON_GASES, duval_pentagon_1, duval_pentagon_2
from app.science.diagnosis.triangles import TRIANGLE_1_GASES, duval_triangle_1
from app.science.measuring.uncertainty import (
    FLOOR_IN_DETECTION_LIMITS,
    LABORATORY_RELATIVE_SD,
    detection_limit,
    draws,
    zone_probabilities,
)
from app.science.norms.limits import limit
from app.science.quantities import FAULT_GASES

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CITATIONS: Final = {
    "IEEE Std C57.104-2019": ("IEEE C57.104", "2019", "Annex E, inspected units", "standard"),
    "E. Li": (
        "E. Li, Dissolved gas data in transformer oil, IEEE DataPort",
        "2019",
        "doi 10.21227/h8g0-8z59",
        "paper",
    ),
}
ZoneMethod = Callable[..., NDArray[np.int8]]
ZONE_METHODS: Final[dict[str, tuple[ZoneMethod, tuple[str, ...], tuple[str, ...]]]] = {
    "duval_triangle_1": (duval_triangle_1, TRIANGLE_1_GASES, METHODS["duval_triangle_1"]),
    "duval_pentagon_1": (duval_pentagon_1, PENTAGON_GASES, METHODS["duval_pentagon_1"]),
    "duval_pentagon_2": (duval_pentagon_2, PENTAGON_GASES, METHODS["duval_pentagon_2"]),
}
SEEN: Final = limit("acetylene_seen").value
"""[µL/L] Acetylene from which on it can be told from none."""
DRAWS: Final = 1000
SEED: Final = 20190114


@dataclass(frozen=True)
class Cases:
    """Known cases: gases (n, 5) [µL/L] in the order of FAULT_GASES, fault numbers (n,), source of each."""

    gases: Floats
    fault: Ints
    source: tuple[str, ...]

    @property
    def with_acetylene(self) -> NDArray[np.bool_]:
        """(n,) whether acetylene was seen."""
        return np.asarray(self.gases[:, FAULT_GASES.index("c2h2")] >= SEEN)

    def __len__(self) -> int:
        return len(self.fault)


@dataclass(frozen=True)
class Evidence:
    """Of one method: the zone of each case as rows (n, zones), and the rows it is asked with."""

    zones: tuple[str, ...]
    seen: Floats
    asked: Floats


def read_cases(path: Path) -> Cases:
    """Cases of a labelled file, the last sample of each unit.

    Raises:
        ValueError: naming the line and what to mend.
    """
    fault_of = {name: i for i, fault in enumerate(FAULT_CLASSES) for name in (fault, *fault.split("/"))}
    units: dict[tuple[str, str], tuple[list[float], int, str]] = {}
    with path.open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file)
        needed = ("source", "case_id", *FAULT_GASES, "fault_label")
        if missing := set(needed) - set(reader.fieldnames or ()):
            raise ValueError(f"{path.name} line 1: no column {', '.join(sorted(missing))}")
        for row in reader:
            where = f"{path.name} line {reader.line_num}"
            cells = [(row[gas] or "").strip() for gas in FAULT_GASES]
            if row["fault_label"] not in fault_of or not all(cells):
                continue
            try:
                gases = [float(cell) for cell in cells]
            except ValueError as error:
                raise ValueError(f"{where}: a gas is not a number: {', '.join(cells)}") from error
            if not all(0.0 <= gas < np.inf for gas in gases):
                raise ValueError(f"{where}: a gas is negative or not finite: {', '.join(cells)}")
            source = next((known for known in CITATIONS if row["source"].startswith(known)), None)
            if source is None:
                raise ValueError(f"{where}: {row['source']!r} is not among CITATIONS; add its citation there")
            unit = row["case_id"].rpartition("-")[0] or row["case_id"]
            units[source, unit] = (gases, fault_of[row["fault_label"]], source)
    if not units:
        raise ValueError(f"{path.name}: no case with all five gases and a fault label")
    gases_of, faults, sources = zip(*units.values(), strict=True)
    return Cases(np.array(gases_of), np.array(faults), tuple(sources))


def evidence(cases: Cases, method: str, spread: bool) -> Evidence:
    """Zones of the cases by a method, asked with the zones or with zone probabilities of ±15 % measurements."""
    ask, gases, zones = ZONE_METHODS[method]
    columns = [FAULT_GASES.index(gas) for gas in gases]
    seen = one_hot(ask(*cases.gases[:, columns].T), zones)
    if not spread:
        return Evidence(zones, seen, seen)
    floor = [FLOOR_IN_DETECTION_LIMITS * detection_limit(gas) for gas in FAULT_GASES]
    below = np.zeros(cases.gases.shape, dtype=np.bool_)
    drawn = draws(cases.gases, below, LABORATORY_RELATIVE_SD, floor, DRAWS, SEED)
    asked = zone_probabilities(ask, zones, drawn[..., columns])
    return Evidence(zones, seen, asked / asked.sum(axis=-1, keepdims=True))
