"""Daily summaries of on-line readings in and out, many at a time."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import sqlalchemy as sa

from app.domain.recording.summary import DaySummaries
from app.science.quantities import DAY_COLUMNS, DAY_QUANTITIES, NAMES
from app.store.bulk import upsert_rows
from app.store.database import Connection
from app.store.recording.online_rows import Floats, flags, masks
from app.store.schema import daily_summaries

FIRST_DAY = date(1970, 1, 1).toordinal()


@dataclass(frozen=True)
class StoredDays:
    """Daily medians of one series: ``day`` (d,) days since 1970, ``medians`` and ``limits`` (d, 10) of
    ``DAY_QUANTITIES``, NaN where the median is a detection limit and elsewhere, respectively."""

    day: Floats
    medians: Floats
    limits: Floats


_DAYS = (
    sa.select(
        daily_summaries.c.day, daily_summaries.c.below, *(daily_summaries.c[name] for name in DAY_QUANTITIES)
    )
    .where(
        daily_summaries.c.compartment_id == sa.bindparam("of_compartment"),
        daily_summaries.c.source_id == sa.bindparam("of_source"),
        daily_summaries.c.day >= sa.bindparam("since"),
        daily_summaries.c.day <= sa.bindparam("until"),
    )
    .order_by(daily_summaries.c.day)
)


def stored_days(
    connection: Connection, compartment_id: int, source_id: int, since: date, until: date
) -> StoredDays:
    """What is stored of a series between two UTC days, both included."""
    found = connection.execute(
        _DAYS, {"of_compartment": compartment_id, "of_source": source_id, "since": since, "until": until}
    ).all()
    table = np.array([row[1:] for row in found], dtype=np.float64).reshape(
        len(found), 1 + len(DAY_QUANTITIES)
    )
    below = flags(table[:, 0].astype(np.int64))[:, DAY_COLUMNS]
    return StoredDays(
        np.array([row[0].toordinal() for row in found], dtype=np.float64) - FIRST_DAY,
        np.where(below, np.nan, table[:, 1:]),
        np.where(below, table[:, 1:], np.nan),
    )


def oil_temperatures(
    connection: Connection, compartment_id: int, days: Sequence[date]
) -> list[tuple[date, float]]:
    """Daily medians of a compartment's oil temperature [°C] on some UTC days, of all its instruments together."""
    found: list[tuple[date, float]] = []
    for begin in range(0, len(days), 500):
        query = (
            sa.select(daily_summaries.c.day, sa.func.avg(daily_summaries.c.oil_temperature))
            .where(
                daily_summaries.c.compartment_id == compartment_id,
                daily_summaries.c.day.in_(days[begin : begin + 500]),
                daily_summaries.c.oil_temperature.is_not(None),
            )
            .group_by(daily_summaries.c.day)
            .order_by(daily_summaries.c.day)
        )
        found += [(day, float(temperature)) for day, temperature in connection.execute(query)]
    return found


def put_days(connection: Connection, days: Sequence[tuple[int, int, DaySummaries]]) -> None:
    """Store the summaries of (compartment id, source id, days), in place of what was there; none of an empty day."""
    records = []
    for compartment_id, source_id, found in days:
        empty = [day for day, count in zip(found.day, found.count, strict=True) if not count]
        if empty:
            _forget_days(connection, compartment_id, source_id, empty)
        below = masks(found.below).tolist()
        measured = [np.flatnonzero(row) for row in found.number > 0]
        median = found.median.tolist()
        for i, day in enumerate(found.day):
            if not found.count[i]:
                continue
            ranges = {
                NAMES[q]: [float(found.least[i, q]), float(found.greatest[i, q]), int(found.number[i, q])]
                for q in measured[i]
            }
            medians = (None if v != v else v for v in median[i])
            records.append((compartment_id, source_id, day, found.count[i], below[i], ranges, *medians))
    columns = ("compartment_id", "source_id", "day", "count", "below", "ranges", *NAMES)
    upsert_rows(connection, daily_summaries, columns, records)


def _forget_days(connection: Connection, compartment_id: int, source_id: int, days: Sequence[date]) -> None:
    connection.execute(
        sa.delete(daily_summaries).where(
            daily_summaries.c.compartment_id == compartment_id,
            daily_summaries.c.source_id == source_id,
            daily_summaries.c.day.in_(days),
        )
    )
