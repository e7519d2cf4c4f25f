"""What the look at an instrument's readings needs: its readings of some weeks, its days, the laboratory's samples."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import numpy as np
import sqlalchemy as sa

from app.domain.instruments.record import DailyRecord, LaboratoryRecord, empty_daily
from app.domain.judging.frame import Bools, Floats, to_days
from app.domain.model import utc_day
from app.science.quantities import INDEX, NAMES
from app.store.database import Connection
from app.store.recording.reading_columns import counting, matrix
from app.store.schema import daily_summaries, samples

LIMIT = 50_000
"""Readings of one look, at most; the newest count."""
_READINGS = [samples.c.below, samples.c.unjudged, *(samples.c[name] for name in NAMES)]


@dataclass(frozen=True)
class Readings:
    """n readings that count, in time order: (n,) times [days since 1970], (n, quantities) values and limits."""

    at: Floats
    values: Floats
    below: Bools


def readings(
    connection: Connection, compartment_id: int, source_id: int, begin: datetime, end: datetime
) -> Readings:
    """An instrument's readings of one compartment, begin <= taken_at <= end."""
    query = (
        sa.select(samples.c.taken_at, *_READINGS)
        .where(
            samples.c.compartment_id == compartment_id,
            samples.c.source_id == source_id,
            samples.c.online,
            *counting(),
            samples.c.taken_at.between(begin, end),
        )
        .order_by(samples.c.taken_at.desc())
        .limit(LIMIT)
    )
    return _readings_of(connection, query)


def laboratory_readings(
    connection: Connection, compartment_id: int, begin: datetime, end: datetime
) -> LaboratoryRecord:
    """All laboratories' samples of a compartment, begin <= taken_at <= end."""
    query = (
        sa.select(samples.c.taken_at, *_READINGS)
        .where(
            samples.c.compartment_id == compartment_id,
            ~samples.c.online,
            *counting(),
            samples.c.taken_at.between(begin, end),
        )
        .order_by(samples.c.taken_at.desc())
        .limit(LIMIT)
    )
    found = _readings_of(connection, query)
    return LaboratoryRecord(found.at, found.values, found.below)


def _readings_of(connection: Connection, query: sa.Select[Any]) -> Readings:
    rows = connection.execute(query).all()[::-1]
    values, below = matrix([tuple(row[1:]) for row in rows])
    return Readings(np.array([to_days(row[0]) for row in rows], dtype=np.float64), values, below)


def days(
    connection: Connection, compartment_id: int, source_id: int, begin: datetime, end: datetime
) -> DailyRecord:
    """An instrument's daily summaries of one compartment, from the day of ``begin`` to that of ``end``."""
    query = (
        sa.select(
            daily_summaries.c.day,
            daily_summaries.c.count,
            daily_summaries.c.ranges,
            daily_summaries.c.below,
            sa.literal(0),
            *(daily_summaries.c[name] for name in NAMES),
        )
        .where(
            daily_summaries.c.compartment_id == compartment_id,
            daily_summaries.c.source_id == source_id,
            daily_summaries.c.day.between(utc_day(begin), utc_day(end)),
        )
        .order_by(daily_summaries.c.day)
    )
    rows = connection.execute(query).all()
    if not rows:
        return empty_daily()
    medians, limits = matrix([tuple(row[3:]) for row in rows])
    low, high = np.full(medians.shape, np.nan), np.full(medians.shape, np.nan)
    counts = np.zeros(medians.shape)
    for i, row in enumerate(rows):
        for name, (least, greatest, count) in row.ranges.items():
            q = INDEX[name]
            low[i, q], high[i, q], counts[i, q] = least, greatest, count
    return DailyRecord(
        day=np.array([_number(row.day) for row in rows], dtype=np.float64),
        medians=medians,
        low=low,
        high=high,
        limits=limits,
        counts=counts,
        total=np.array([row[1] for row in rows], dtype=np.float64),
    )


def _number(day: date) -> int:
    return day.toordinal() - date(1970, 1, 1).toordinal()
