"""The newest look at each instrument's days: claimed, read and kept."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import sqlalchemy as sa

from app.domain.judging.frame import Bools, Floats
from app.domain.watching.found import FoundOnline
from app.science.quantities import INDEX, NORM_GASES
from app.store.bulk import upsert_rows
from app.store.database import Connection
from app.store.recording.online_rows import flags
from app.store.schema import (
    daily_summaries,
    instrument_states,
    online_courses,
    source_compartments,
    sources,
)

DRIVERS = ("oil_temperature", "load")
AIR = ("o2", "n2")
NOT_HEARD = timedelta(days=400)
"""Days of an instrument that was not heard for so long are not looked at any more."""


@dataclass(frozen=True, slots=True)
class OnlineCourse:
    """What the newest look at one instrument's days found of a compartment."""

    source_id: int
    source_code: str
    source_name: str
    looked_at: datetime
    day: date
    found: FoundOnline


@dataclass(frozen=True)
class Days:
    """d days of one series: (d, 7) medians of the norm gases, whether they are limits, (d, 2) temperature and load,
    (d, 2) oxygen and nitrogen."""

    day: Sequence[date]
    values: Floats
    below: Bools
    drivers: Floats
    air: Floats


def claim_due(connection: Connection, now: datetime, due_at: datetime, limit: int) -> list[int]:
    """Ids of instruments whose days were not looked at since ``due_at``, marked as looked at.

    Several workers may claim at once: each instrument is taken by one.
    """
    table = instrument_states
    query = (
        sa.select(table.c.source_id)
        .where(
            sa.or_(table.c.watched_at.is_(None), table.c.watched_at < due_at),
            table.c.heard_at > now - NOT_HEARD,
        )
        .order_by(table.c.watched_at.is_not(None), table.c.watched_at, table.c.source_id)
        .limit(limit)
        .with_for_update(skip_locked=True)
    )
    ids = list(connection.execute(query).scalars())
    if ids:
        connection.execute(sa.update(table).where(table.c.source_id.in_(ids)).values(watched_at=now))
    return ids


def days_of(connection: Connection, compartment_id: int, source_id: int, since: date, until: date) -> Days:
    """The daily medians of a series between two UTC days, both included."""
    of = daily_summaries.c
    query = (
        sa.select(of.day, of.below, *(of[name] for name in (*NORM_GASES, *DRIVERS, *AIR)))
        .where(of.compartment_id == compartment_id, of.source_id == source_id, of.day.between(since, until))
        .order_by(of.day)
    )
    rows = connection.execute(query).all()
    gases = len(NORM_GASES)
    more = (*DRIVERS, *AIR)
    table = np.array([row[1:] for row in rows], dtype=np.float64).reshape(len(rows), 1 + gases + len(more))
    below = flags(table[:, 0].astype(np.int64))
    others = np.where(below[:, [INDEX[name] for name in more]], np.nan, table[:, 1 + gases :])
    drivers, air = others[:, : len(DRIVERS)], others[:, len(DRIVERS) :]
    return Days([row[0] for row in rows], table[:, 1 : 1 + gases], below[:, :gases], drivers, air)


def keep(
    connection: Connection, compartment_id: int, source_id: int, found: FoundOnline, now: datetime
) -> None:
    """What a look found, in place of what the one before did."""
    course, watch = found.course, found.watch
    row = (
        compartment_id,
        source_id,
        now,
        date.fromisoformat(watch.day),
        course.state,
        None if course.since is None else date.fromisoformat(course.since),
        course.gravity,
        watch.severity,
        found.to_json(),
    )
    upsert_rows(connection, online_courses, [c.name for c in online_courses.columns], [row])


def forget(connection: Connection, compartment_id: int, source_id: int) -> None:
    """Nothing is known of a series any more: its baseline began anew, and no day of the new one is over."""
    of = online_courses.c
    connection.execute(
        sa.delete(online_courses).where(of.compartment_id == compartment_id, of.source_id == source_id)
    )


def courses_of(connection: Connection, compartment_ids: Sequence[int]) -> dict[int, list[OnlineCourse]]:
    """By compartment id, of the instruments that serve it, the gravest first; compartments without any are left out."""
    table = online_courses
    query = (
        _serving(sa.select(table, sources.c.code, sources.c.name))
        .join(sources, sources.c.id == table.c.source_id)
        .order_by(table.c.severity.desc(), table.c.gravity.desc(), sources.c.code)
    )
    found: dict[int, list[OnlineCourse]] = {}
    for some in _parts(compartment_ids):
        for row in connection.execute(query.where(table.c.compartment_id.in_(some))):
            found.setdefault(row.compartment_id, []).append(_course(row))
    return found


def gravities_of(connection: Connection, compartment_ids: Sequence[int]) -> dict[int, int]:
    """By compartment id, the gravity of the gravest of :func:`courses_of`."""
    table = online_courses
    query = _serving(sa.select(table.c.compartment_id, sa.func.max(table.c.gravity)))
    query = query.group_by(table.c.compartment_id)
    found: dict[int, int] = {}
    for some in _parts(compartment_ids):
        found.update(tuple(row) for row in connection.execute(query.where(table.c.compartment_id.in_(some))))
    return found


def _serving(query: sa.Select[Any]) -> sa.Select[Any]:
    of, table = source_compartments.c, online_courses.c
    return query.join(
        source_compartments,
        sa.and_(of.source_id == table.source_id, of.compartment_id == table.compartment_id),
    )


def _parts(ids: Sequence[int]) -> Iterator[list[int]]:
    """Ids that stand in one query."""
    return (list(ids[first : first + _AT_ONCE]) for first in range(0, len(ids), _AT_ONCE))


_AT_ONCE = 5000


def _course(row: Any) -> OnlineCourse:
    return OnlineCourse(
        row.source_id, row.code, row.name, row.looked_at, row.day, FoundOnline.from_json(row.detail)
    )
