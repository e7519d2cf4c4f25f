"""Daily summaries of on-line readings: median, least, greatest, number; kept beside the samples for ever."""

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import sqlalchemy as sa

from app.domain.model import utc_day
from app.science.quantities import NAMES
from app.store.database import Connection
from app.store.recording.reading_columns import counting, matrix
from app.store.schema import daily_summaries, samples

_READINGS = [samples.c[name] for name in NAMES]


def refresh_daily_summaries(connection: Connection, days: Iterable[tuple[int, int, date]]) -> None:
    """Recompute the medians of (compartment, source, UTC day) from the samples that count."""
    by_series: dict[tuple[int, int], list[date]] = {}
    for compartment_id, source_id, day in set(days):
        by_series.setdefault((compartment_id, source_id), []).append(day)
    for (compartment_id, source_id), wanted in by_series.items():
        _refresh_series(connection, compartment_id, source_id, sorted(wanted))


def _refresh_series(connection: Connection, compartment_id: int, source_id: int, wanted: list[date]) -> None:
    begin = datetime.fromisoformat(f"{wanted[0]}T00:00:00+00:00")
    end = datetime.fromisoformat(f"{wanted[-1]}T00:00:00+00:00") + timedelta(days=1)
    query = sa.select(samples.c.taken_at, samples.c.below, samples.c.unjudged, *_READINGS).where(
        samples.c.compartment_id == compartment_id,
        samples.c.source_id == source_id,
        *counting(),
        samples.c.taken_at >= begin,
        samples.c.taken_at < end,
    )
    grouped: dict[date, list[Any]] = {day: [] for day in wanted}
    for row in connection.execute(query):
        if (day := utc_day(row.taken_at)) in grouped:
            grouped[day].append(row)
    connection.execute(
        sa.delete(daily_summaries).where(
            daily_summaries.c.compartment_id == compartment_id,
            daily_summaries.c.source_id == source_id,
            daily_summaries.c.day.in_(wanted),
        )
    )
    new = [
        {
            "compartment_id": compartment_id,
            "source_id": source_id,
            "day": day,
            "count": len(rows),
            **_summary(rows),
        }
        for day, rows in grouped.items()
        if rows
    ]
    if new:
        connection.execute(sa.insert(daily_summaries), new)


def _summary(rows: list[Any]) -> dict[str, Any]:
    """Medians as columns, and the least, the greatest and the number of each quantity's readings."""
    values, below = matrix([tuple(r[1:]) for r in rows])
    result: dict[str, Any] = dict.fromkeys(NAMES)
    ranges, mask = {}, 0
    for q, name in enumerate(NAMES):
        known = ~np.isnan(values[:, q])
        if not known.any():
            continue
        column, limits = values[known, q], below[known, q]
        order = np.lexsort((~limits, column))
        low, high = (len(order) - 1) // 2, len(order) // 2
        result[name] = float(0.5 * (column[order[low]] + column[order[high]]))
        ranges[name] = [float(column.min()), float(column.max()), len(column)]
        if limits[order[high]]:
            mask |= 1 << q
    return result | {"below": mask, "ranges": ranges}
