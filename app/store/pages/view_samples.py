"""What the pages read about samples: lists, windows for charts, the events beside them. Queries only.

Every query is bounded by the caller's list of ids or by a ``limit``.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from functools import cache
from typing import Any

import sqlalchemy as sa

from app.domain.findings import Assessment
from app.domain.model import EventKind, Reading, ServiceEvent, SetAside, SourceKind
from app.store.database import Connection
from app.store.recording.reading_columns import counting, of_kind, unpack
from app.store.schema import (
    assessments,
    assets,
    compartments,
    daily_summaries,
    samples,
    service_events,
    sources,
)


@dataclass(frozen=True, slots=True)
class SampleView:
    """A sample as stored, with who took it and what the engine says of it (None: not assessed)."""

    id: int
    compartment_id: int
    source_code: str
    source_name: str
    source_kind: SourceKind
    taken_at: datetime
    received_at: datetime
    revision: int
    current: bool
    readings: dict[str, Reading]
    laboratory_number: str | None
    remark: str | None
    file_id: int | None
    file_line: int | None
    excluded_at: datetime | None
    excluded_by: str | None
    excluded_because: str | None
    set_aside: SetAside | None
    """Why it is kept and not judged."""
    status: int | None
    """How it stands by the newest judgement, with ``suspect`` and ``fault``."""
    suspect: bool
    fault: str | None
    rule_set: str | None
    """By which rules; None: not judged."""
    assessment: Assessment | None
    """What was said of it in full; of on-line readings only of those at which something changed."""

    @property
    def counts(self) -> bool:
        """False for a superseded revision, an excluded sample and one set aside."""
        return self.current and self.excluded_at is None and self.set_aside is None


@dataclass(frozen=True, slots=True)
class DayView:
    """The median of one UTC day's on-line readings."""

    source_code: str
    day: date
    readings: dict[str, Reading]


def samples_by_id(connection: Connection, sample_ids: Iterable[int]) -> dict[int, SampleView]:
    """Samples with their counting assessment, by id."""
    query = _sample_query().where(samples.c.id.in_(list(sample_ids)))
    return {row.id: _sample(row) for row in connection.execute(query)}


def history(
    connection: Connection,
    compartment_id: int,
    *,
    kind: SourceKind | None = None,
    before: datetime | None = None,
    limit: int = 50,
) -> list[SampleView]:
    """Every sample of a compartment - revisions and excluded ones too - newest first."""
    query = (
        _sample_query()
        .where(samples.c.compartment_id == compartment_id)
        .order_by(samples.c.taken_at.desc(), samples.c.id.desc())
        .limit(limit)
    )
    if before is not None:
        query = query.where(samples.c.taken_at < before)
    if kind is not None:
        query = query.where(of_kind(kind is SourceKind.INSTRUMENT))
    return [_sample(row) for row in connection.execute(query)]


def counting_samples(
    connection: Connection,
    compartment_id: int,
    kind: SourceKind,
    *,
    window: tuple[datetime, datetime],
    limit: int,
) -> list[SampleView]:
    """The newest ``limit`` counting samples of one kind of source within [start, end], oldest first.

    Without their assessments: trends do not need them.
    """
    return _plain(connection, _counting(compartment_id, kind, window).limit(limit))


def spread_readings(
    connection: Connection, compartment_id: int, *, window: tuple[datetime, datetime], most: int
) -> list[SampleView]:
    """At most ``most`` of the counting on-line readings within [start, end], each so many apart, the newest among
    them, oldest first. Without their assessments."""
    query = _counting(compartment_id, SourceKind.INSTRUMENT, window)
    ids = connection.execute(query.with_only_columns(samples.c.id)).scalars().all()
    some = ids[:: max(1, -(-len(ids) // most))]
    return _plain(connection, query.where(samples.c.id.in_(some)))


def _counting(compartment_id: int, kind: SourceKind, window: tuple[datetime, datetime]) -> sa.Select[Any]:
    """Counting samples of one kind of source, newest first."""
    return (
        sa.select(samples, sources.c.code, sources.c.name, sources.c.kind, sa.null().label("detail"))
        .join(sources, sources.c.id == samples.c.source_id)
        .where(
            samples.c.compartment_id == compartment_id,
            of_kind(kind is SourceKind.INSTRUMENT),
            *counting(),
            samples.c.taken_at.between(*window),
        )
        .order_by(samples.c.taken_at.desc())
    )


def _plain(connection: Connection, newest_first: sa.Select[Any]) -> list[SampleView]:
    return [_sample(row) for row in connection.execute(newest_first)][::-1]


def sample_span(connection: Connection, compartment_id: int) -> tuple[datetime, datetime] | None:
    """Times of the first and the last counting sample, or None when there is none.

    Days whose readings have passed retention belong to it.
    """
    *times, first, last = connection.execute(_span_query(), {"compartment_id": compartment_id}).one()
    ends = [at for at in times if at is not None]
    if first is not None and (not ends or first < min(ends).date()):
        ends.append(datetime.combine(first, time(0), UTC))
    if last is not None and (not ends or last > max(ends).date()):
        ends.append(datetime.combine(last, time(23, 59, 59), UTC))
    return (min(ends), max(ends)) if ends else None


@cache
def _span_query() -> sa.Select[Any]:
    """First and last time of either kind of source by an index each, then the first and the last day."""
    asked: sa.BindParameter[int] = sa.bindparam("compartment_id")
    times = [
        sa.select(samples.c.taken_at)
        .where(samples.c.compartment_id == asked, of_kind(online), *counting())
        .order_by(order)
        .limit(1)
        .scalar_subquery()
        for online in (False, True)
        for order in (samples.c.taken_at.asc(), samples.c.taken_at.desc())
    ]
    day = daily_summaries.c.day
    return sa.select(*times, sa.func.min(day), sa.func.max(day)).where(
        daily_summaries.c.compartment_id == asked
    )


def days(
    connection: Connection, compartment_ids: Sequence[int], *, since: date, until: date, limit: int
) -> dict[int, list[DayView]]:
    """Daily medians of on-line readings by compartment, oldest first; the newest ``limit`` rows at most."""
    query = (
        sa.select(daily_summaries, sources.c.code)
        .join(sources, sources.c.id == daily_summaries.c.source_id)
        .where(
            daily_summaries.c.compartment_id.in_(compartment_ids),
            daily_summaries.c.day.between(since, until),
        )
        .order_by(daily_summaries.c.day.desc())
        .limit(limit)
    )
    found: dict[int, list[DayView]] = {}
    for row in connection.execute(query):
        found.setdefault(row.compartment_id, []).append(
            DayView(source_code=row.code, day=row.day, readings=unpack(dict(row._mapping)))
        )
    return {compartment: rows[::-1] for compartment, rows in found.items()}


def day_numbers(
    connection: Connection, compartment_ids: Sequence[int], names: Sequence[str], since: date, until: date
) -> list[tuple[Any, ...]]:
    """(compartment id, day, a daily median of each of ``names``, or its limit, or None), oldest day first.

    For small pictures: nothing but numbers is read.
    """
    query = (
        sa.select(
            daily_summaries.c.compartment_id,
            daily_summaries.c.day,
            *(daily_summaries.c[name] for name in names),
        )
        .where(
            daily_summaries.c.compartment_id.in_(compartment_ids),
            daily_summaries.c.day.between(since, until),
        )
        .order_by(daily_summaries.c.day)
    )
    return [tuple(row) for row in connection.execute(query)]


def trail(
    connection: Connection, compartment_ids: Sequence[int], *, each: int
) -> dict[int, list[tuple[datetime, dict[str, Reading]]]]:
    """The newest ``each`` laboratory samples of some compartments, oldest first: (taken_at, readings)."""
    rank = (
        sa.func.row_number()
        .over(partition_by=samples.c.compartment_id, order_by=samples.c.taken_at.desc())
        .label("rank")
    )
    inner = (
        sa.select(samples, rank)
        .where(
            samples.c.compartment_id.in_(compartment_ids),
            of_kind(False),
            *counting(),
        )
        .subquery("ranked")
    )
    query = sa.select(inner).where(inner.c.rank <= each).order_by(inner.c.compartment_id, inner.c.taken_at)
    found: dict[int, list[tuple[datetime, dict[str, Reading]]]] = {}
    for row in connection.execute(query):
        found.setdefault(row.compartment_id, []).append((row.taken_at, unpack(dict(row._mapping))))
    return found


def unit_events(connection: Connection, compartment_id: int, limit: int = 100) -> list[ServiceEvent]:
    """Service events of a compartment, newest first."""
    query = (
        sa.select(service_events, compartments.c.name, assets.c.code)
        .join(compartments, compartments.c.id == service_events.c.compartment_id)
        .join(assets, assets.c.id == compartments.c.asset_id)
        .where(service_events.c.compartment_id == compartment_id)
        .order_by(service_events.c.at.desc())
        .limit(limit)
    )
    return [
        ServiceEvent(
            asset_code=row.code, compartment=row.name, at=row.at, kind=EventKind(row.kind), note=row.note
        )
        for row in connection.execute(query)
    ]


def _sample_query() -> sa.Select[Any]:
    return (
        sa.select(samples, sources.c.code, sources.c.name, sources.c.kind, assessments.c.detail)
        .join(sources, sources.c.id == samples.c.source_id)
        .outerjoin(assessments, counting_assessment())
    )


def _sample(row: Any) -> SampleView:
    return SampleView(
        id=row.id,
        compartment_id=row.compartment_id,
        source_code=row.code,
        source_name=row.name,
        source_kind=SourceKind(row.kind),
        taken_at=row.taken_at,
        received_at=row.received_at,
        revision=row.revision,
        current=row.current,
        readings=unpack(dict(row._mapping)),
        set_aside=None if row.set_aside is None else SetAside(row.set_aside),
        status=row.status,
        suspect=row.suspect,
        fault=row.fault,
        rule_set=row.rule_set,
        laboratory_number=row.laboratory_number,
        remark=row.remark,
        file_id=row.file_id,
        file_line=row.file_line,
        excluded_at=row.excluded_at,
        excluded_by=row.excluded_by,
        excluded_because=row.excluded_because,
        assessment=Assessment.from_json(row.detail) if row.detail is not None else None,
    )


def counting_assessment() -> sa.ColumnElement[bool]:
    """Joins a sample to the assessment that counts."""
    return sa.and_(assessments.c.sample_id == samples.c.id, assessments.c.superseded_at.is_(None))
