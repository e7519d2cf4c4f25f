"""The history that the engine needs, as arrays: a compartment's samples, an instrument's daily medians."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import sqlalchemy as sa
from numpy.typing import NDArray

from app.science.quantities import INDEX, NAMES
from app.store.database import Connection
from app.store.recording.reading_columns import counting, matrix
from app.store.schema import samples

_MASKED_READINGS = [samples.c.below, samples.c.unjudged, *(samples.c[name] for name in NAMES)]


@dataclass(frozen=True)
class Window:
    """Samples of one compartment from one kind of source, in time order, as arrays of n rows.

    Attributes:
        ids: sample ids. taken_at: their times. source_ids: who measured.
        values, below: (n, quantities), as in ``SampleFrame``.
    """

    ids: list[int]
    taken_at: list[datetime]
    source_ids: list[int]
    values: NDArray[np.float64]
    below: NDArray[np.bool_]


def laboratory_window(connection: Connection, compartment_id: int, begin: datetime) -> Window:
    """All laboratories' samples of a compartment that count, taken from ``begin`` on, in time order."""
    query = (
        sa.select(samples.c.id, samples.c.taken_at, samples.c.source_id, *_MASKED_READINGS)
        .where(
            ~samples.c.online,
            samples.c.compartment_id == compartment_id,
            *counting(),
            samples.c.taken_at >= begin,
        )
        .order_by(samples.c.taken_at, samples.c.id)
    )
    found = connection.execute(query).all()
    values, below = matrix([tuple(r[3:]) for r in found])
    return Window([r[0] for r in found], [r[1] for r in found], [r[2] for r in found], values, below)


def oxygen_ratios(
    connection: Connection, compartment_ids: Sequence[int], since: datetime, until: datetime
) -> dict[int, list[tuple[datetime, float]]]:
    """O2/N2 of the laboratory samples of some compartments that have both, by compartment, oldest first."""
    both = (1 << INDEX["o2"]) | (1 << INDEX["n2"])
    query = (
        sa.select(samples.c.compartment_id, samples.c.taken_at, samples.c.o2 / samples.c.n2)
        .where(
            ~samples.c.online,
            samples.c.compartment_id.in_(compartment_ids),
            *counting(),
            samples.c.taken_at.between(since, until),
            samples.c.o2.is_not(None),
            samples.c.n2 > 0,
            samples.c.below.bitwise_and(both) == 0,
            samples.c.unjudged.bitwise_and(both) == 0,
        )
        .order_by(samples.c.compartment_id, samples.c.taken_at, samples.c.id)
    )
    found: dict[int, list[tuple[datetime, float]]] = {}
    for compartment_id, at, ratio in connection.execute(query):
        found.setdefault(compartment_id, []).append((at, float(ratio)))
    return found
