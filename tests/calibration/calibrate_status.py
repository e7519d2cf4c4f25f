"""Report how well the probability of a status holds on simulated units whose true status is known.

Run by hand from the root of the project when rules/certainty.py or its numbers change:

    python tests/calibration/calibrate_status.py [UNITS]

It prints ``status_reliability.csv``, kept beside this file; docs/decisions/certainty.md quotes it. The same seed gives
the same table; 20,000 units take about half a minute a world. :mod:`simulated_units` tells what is simulated.
"""

import csv
import sys
from collections.abc import Sequence
from typing import Final

import numpy as np
from simulated_units import World, reliability, simulate, status_chances

from app.domain.judging.frame import Floats, Integers

SEED: Final = 20261128
WORLDS: Final = {
    "as the engine takes it to be": World(),
    "no unit gasses": World(gassing=0.0),
    "one unit in three gasses": World(gassing=0.35),
    "careful laboratories": World(accuracy=0.05, bias=0.03),
    "careless laboratories": World(accuracy=0.11, bias=0.05),
    "no shared bias": World(bias=0.0),
}


def figures(name: str, chances: Floats, truth: Integers) -> list[tuple[str, str, str, int, str, str]]:
    """Rows of the table: world, figure, status, cases, told, true."""
    known = np.eye(3)[truth - 1]
    brier = ((chances - known) ** 2).sum(axis=1).mean()
    right = chances.argmax(axis=1) + 1 == truth
    rows = [
        (name, "Brier score", "", len(truth), f"{brier:.4f}", ""),
        (
            name,
            "likeliest status",
            "",
            len(truth),
            f"{chances.max(axis=1).mean():.4f}",
            f"{right.mean():.4f}",
        ),
    ]
    for status in (1, 2, 3):
        for low, cases, told, true in reliability(chances, truth, status):
            rows.append((name, f"from {low:.1f}", str(status), cases, f"{told:.4f}", f"{true:.4f}"))
    return rows


def main(arguments: Sequence[str]) -> int:
    units = int(arguments[0]) if arguments else 20_000
    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(("world", "figure", "status", "cases", "told", "true"))
    for name, world in WORLDS.items():
        writer.writerows(figures(name, *status_chances(simulate(units, SEED, world))))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
