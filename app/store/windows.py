"""The history that the engine needs, as arrays: a compartment's samples, an instrument's daily medians."""

from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
import sqlalchemy as sa
from numpy.typing import NDArray

from app.domain.model import SourceKind
from app.science.quantities import NAMES
from app.store.database import Connection
from app.store.reading_columns import counting, matrix
from app.store.tables import daily_summaries, samples, sources

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


@dataclass(frozen=True)
class MedianWindow:
    """Daily medians of one compartment and instrument: days, and (d, quantities) values, NaN where censored.

    ``limits`` has the detection limit where a median is one, NaN elsewhere.
    """

    days: list[date]
    values: NDArray[np.float64]
    limits: NDArray[np.float64]


def laboratory_window(
    connection: Connection, compartment_id: int, begin: datetime, end: datetime | None = None
) -> Window:
    """All laboratories' samples of a compartment that count, begin <= taken_at (<= end), in time order."""
    laboratory = sa.select(sources.c.id).where(sources.c.kind == SourceKind.LABORATORY.value)
    return _window(connection, compartment_id, samples.c.source_id.in_(laboratory), begin, end)


def instrument_window(
    connection: Connection, compartment_id: int, source_id: int, begin: datetime, end: datetime | None = None
) -> Window:
    """One instrument's samples of a compartment that count, in time order."""
    return _window(connection, compartment_id, samples.c.source_id == source_id, begin, end)


def _window(
    connection: Connection,
    compartment_id: int,
    which: sa.ColumnElement[bool],
    begin: datetime,
    end: datetime | None,
) -> Window:
    query = (
        sa.select(
            samples.c.id,
            samples.c.taken_at,
            samples.c.source_id,
            *_MASKED_READINGS,
        )
        .where(
            samples.c.compartment_id == compartment_id,
            which,
            *counting(),
            samples.c.taken_at >= begin,
        )
        .order_by(samples.c.taken_at, samples.c.id)
    )
    if end is not None:
        query = query.where(samples.c.taken_at <= end)
    found = connection.execute(query).all()
    values, below = matrix([tuple(r[3:]) for r in found])
    return Window([r[0] for r in found], [r[1] for r in found], [r[2] for r in found], values, below)


def median_window(
    connection: Connection, compartment_id: int, source_id: int, begin: date, end: date
) -> MedianWindow:
    """Daily medians, begin <= day <= end, in time order."""
    query = (
        sa.select(
            daily_summaries.c.day,
            daily_summaries.c.below,
            sa.literal(0),
            *(daily_summaries.c[n] for n in NAMES),
        )
        .where(
            daily_summaries.c.compartment_id == compartment_id,
            daily_summaries.c.source_id == source_id,
            daily_summaries.c.day.between(begin, end),
        )
        .order_by(daily_summaries.c.day)
    )
    found = connection.execute(query).all()
    values, below = matrix([tuple(r[1:]) for r in found])
    return MedianWindow(
        [r[0] for r in found], np.where(below, np.nan, values), np.where(below, values, np.nan)
    )
