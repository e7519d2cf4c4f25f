"""What must be true of the stored record, as queries for what is not; and what the database says of its own files."""

import functools
import operator
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final

import numpy as np
import sqlalchemy as sa

from app.domain.model import SourceKind
from app.domain.recording.summary import summaries_of
from app.science.quantities import NAMES
from app.store.database import Connection
from app.store.recording.reading_columns import counting, matrix
from app.store.schema import (
    alert_events,
    alerts,
    assessments,
    compartments,
    corrections,
    daily_summaries,
    files,
    messages,
    raw_ends,
    samples,
    sources,
)

EXAMPLES: Final = 3
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_JUDGE_AGAIN: Final = "run `ullage reassess`"
_REPORT: Final = "restore a backup, or report it: no use of the program should lead here"


@dataclass(frozen=True, slots=True)
class Invariant:
    """What must not be: ``wrong`` finds ids of what is so all the same."""

    what: str
    mend: str
    wrong: Callable[[], sa.Select[Any]]


@dataclass(frozen=True, slots=True)
class Broken:
    """Something that is not as it must be: how often, the first ids, and what to do about it."""

    what: str
    mend: str
    count: int = 1
    examples: tuple[Any, ...] = ()


def _twice_current() -> sa.Select[Any]:
    key = (samples.c.compartment_id, samples.c.source_id, samples.c.taken_at)
    return (
        sa.select(sa.func.max(samples.c.id))
        .where(samples.c.current)
        .group_by(*key)
        .having(sa.func.count() > 1)
    )


def _unjudged() -> sa.Select[Any]:
    return sa.select(samples.c.id).where(*counting(), samples.c.rule_set.is_(None))


def _counting_assessment() -> sa.ColumnElement[bool]:
    return sa.and_(assessments.c.sample_id == samples.c.id, assessments.c.superseded_at.is_(None))


def _laboratory_untold() -> sa.Select[Any]:
    told = sa.exists().where(_counting_assessment())
    return sa.select(samples.c.id).where(*counting(), samples.c.online.is_(False), ~told)


def _standing_differs() -> sa.Select[Any]:
    differs = (
        samples.c[name].is_distinct_from(assessments.c[name])
        for name in ("status", "suspect", "fault", "rule_set")
    )
    return (
        sa.select(samples.c.id).join(assessments, _counting_assessment()).where(*counting(), sa.or_(*differs))
    )


def _source_kind_differs() -> sa.Select[Any]:
    online = sources.c.kind == SourceKind.INSTRUMENT.value
    return (
        sa.select(samples.c.id)
        .join(sources, sources.c.id == samples.c.source_id)
        .where(samples.c.online.is_distinct_from(online))
    )


def _stray(column: sa.Column[Any], parent: sa.Column[Any]) -> Callable[[], sa.Select[Any]]:
    """Ids of rows that name a row that is not there."""
    own = column.table.c.id

    def query() -> sa.Select[Any]:
        return (
            sa.select(own)
            .outerjoin(parent.table, parent == column)
            .where(column.is_not(None), parent.is_(None))
        )

    return query


def _stray_sample(column: sa.Column[Any], at: sa.Column[Any]) -> Callable[[], sa.Select[Any]]:
    """As :func:`_stray`, but a reading may have passed retention after it was named."""
    ended = sa.select(raw_ends.c.at).scalar_subquery()
    stray = _stray(column, samples.c.id)
    return lambda: stray().where(sa.or_(ended.is_(None), at > ended))


def _subjects() -> sa.Select[Any]:
    subjects = (alerts.c.compartment_id, alerts.c.source_id, alerts.c.site_id)
    given = functools.reduce(operator.add, (sa.case((one.is_(None), 0), else_=1) for one in subjects))
    return sa.select(alerts.c.id).where(given > 1)  # none: of the whole fleet


INVARIANTS: Final[Sequence[Invariant]] = (
    Invariant("more than one revision of a sample is in force", _REPORT, _twice_current),
    Invariant("samples that count were never judged", _JUDGE_AGAIN, _unjudged),
    Invariant("laboratories' samples that count have no assessment", _JUDGE_AGAIN, _laboratory_untold),
    Invariant("samples do not stand as their assessment says", _JUDGE_AGAIN, _standing_differs),
    Invariant("samples are filed under the wrong kind of source", _REPORT, _source_kind_differs),
    Invariant(
        "samples are of a compartment that is not there",
        _REPORT,
        _stray(samples.c.compartment_id, compartments.c.id),
    ),
    Invariant(
        "samples are of a source that is not there", _REPORT, _stray(samples.c.source_id, sources.c.id)
    ),
    Invariant("samples came with a file that is not there", _REPORT, _stray(samples.c.file_id, files.c.id)),
    Invariant(
        "assessments are of a sample that is not there",
        _REPORT,
        _stray_sample(assessments.c.sample_id, assessments.c.assessed_at),
    ),
    Invariant(
        "corrections are of a sample that is not there",
        _REPORT,
        _stray_sample(corrections.c.sample_id, corrections.c.at),
    ),
    Invariant(
        "events of alerts name a sample that is not there",
        _REPORT,
        _stray_sample(alert_events.c.sample_id, alert_events.c.at),
    ),
    Invariant(
        "messages name a sample that is not there",
        _REPORT,
        _stray_sample(messages.c.sample_id, messages.c.created_at),
    ),
    Invariant("alerts are about more than one thing", _REPORT, _subjects),
)


def broken(connection: Connection, invariant: Invariant) -> Broken | None:
    query = invariant.wrong()
    examples = tuple(connection.execute(query.limit(EXAMPLES)).scalars())
    if not examples:
        return None
    count = connection.execute(sa.select(sa.func.count()).select_from(query.subquery())).scalar_one()
    return Broken(invariant.what, invariant.mend, count, examples)


def of_the_database_itself(connection: Connection) -> Iterator[str]:
    """What the database finds wrong with its own files."""
    if connection.dialect.name == "sqlite":
        found = connection.exec_driver_sql("PRAGMA integrity_check(10)").scalars().all()
        yield from (text for text in found if text != "ok")
        for row in connection.exec_driver_sql("PRAGMA foreign_key_check"):
            yield f"row {row[1]} of {row[0]} refers to a row of {row[2]} that is not there"
        return
    if not can_check_indexes(connection):
        return
    indexes = connection.exec_driver_sql(
        "SELECT c.oid::regclass::text FROM pg_class c JOIN pg_am a ON a.oid = c.relam JOIN pg_index i"
        " ON i.indexrelid = c.oid WHERE c.relkind = 'i' AND a.amname = 'btree' AND i.indisvalid"
        " AND c.relnamespace = current_schema()::regnamespace ORDER BY 1"
    )
    for name in indexes.scalars().all():
        with connection.begin_nested() as inner:
            try:
                connection.exec_driver_sql("SELECT bt_index_check(%s::regclass, true)", (name,))
            except sa.exc.DBAPIError as error:
                inner.rollback()
                yield f"index {name}: {str(error.orig).strip().partition(chr(10))[0]}"


def can_check_indexes(connection: Connection) -> bool:
    """Whether PostgreSQL's extension amcheck is at hand and this user may use it."""
    return bool(
        connection.exec_driver_sql(
            "SELECT coalesce((SELECT has_function_privilege(p.oid, 'EXECUTE') FROM pg_proc p"
            " JOIN pg_extension e ON e.extname = 'amcheck' AND p.pronamespace = e.extnamespace"
            " WHERE p.proname = 'bt_index_check' LIMIT 1), false)"
        ).scalar()
    )


def series_with_summaries(connection: Connection) -> list[tuple[int, int]]:
    """(compartment id, instrument id) of every series that has daily summaries or readings."""
    summed = sa.select(daily_summaries.c.compartment_id, daily_summaries.c.source_id).distinct()
    return sorted((row[0], row[1]) for row in connection.execute(summed))


def days_of(connection: Connection, series: tuple[int, int], since: date | None) -> list[date]:
    """The days of a series that have a summary, in order."""
    query = (
        sa.select(daily_summaries.c.day)
        .where(daily_summaries.c.compartment_id == series[0], daily_summaries.c.source_id == series[1])
        .order_by(daily_summaries.c.day)
    )
    if since is not None:
        query = query.where(daily_summaries.c.day >= since)
    return list(connection.execute(query).scalars())


def wrong_days(connection: Connection, series: tuple[int, int], begin: date, end: date) -> list[date]:
    """Days, begin <= day <= end, whose summary is not what the readings say, or that lack one."""
    said = {row.day: row for row in connection.execute(_summaries_between(series, begin, end))}
    found = connection.execute(_readings_between(series, begin, end)).all()
    values, below = matrix([tuple(row[1:]) for row in found])
    at = np.array([(row[0] - _EPOCH) / timedelta(days=1) for row in found], dtype=np.float64)
    measured = {_EPOCH.date() + timedelta(days=int(day)) for day in np.floor(at)}
    days = sorted(measured | said.keys())
    told = summaries_of(days, at, values, below)
    wrong = []
    for i, day in enumerate(days):
        row = said.get(day)
        if (row is None) != (told.count[i] == 0) or (row is not None and not _same(row, told, i)):
            wrong.append(day)
    return wrong


def _same(row: Any, told: Any, i: int) -> bool:
    stored = np.array([np.nan if row._mapping[n] is None else row._mapping[n] for n in NAMES])
    mask = int(told.below[i].astype(np.int64) @ (1 << np.arange(len(NAMES), dtype=np.int64)))
    if row.count != told.count[i] or row.below != mask or not _close(stored, told.median[i]):
        return False
    for q, name in enumerate(NAMES):
        given = row.ranges.get(name)
        if (given is None) != (told.number[i, q] == 0):
            return False
        expected = np.array([told.least[i, q], told.greatest[i, q], told.number[i, q]], dtype=np.float64)
        if given is not None and not _close(np.array(given, dtype=np.float64), expected):
            return False
    return True


def _close(one: Any, other: Any) -> bool:
    return bool(np.allclose(one, other, rtol=1e-9, atol=1e-12, equal_nan=True))


def _summaries_between(series: tuple[int, int], begin: date, end: date) -> sa.Select[Any]:
    return sa.select(daily_summaries).where(
        daily_summaries.c.compartment_id == series[0],
        daily_summaries.c.source_id == series[1],
        daily_summaries.c.day.between(begin, end),
    )


def _readings_between(series: tuple[int, int], begin: date, end: date) -> sa.Select[Any]:
    start = datetime(begin.year, begin.month, begin.day, tzinfo=UTC)
    stop = datetime(end.year, end.month, end.day, tzinfo=UTC) + timedelta(days=1)
    return sa.select(
        samples.c.taken_at, samples.c.below, samples.c.unjudged, *(samples.c[name] for name in NAMES)
    ).where(
        samples.c.compartment_id == series[0],
        samples.c.source_id == series[1],
        samples.c.online,
        *counting(),
        samples.c.taken_at >= start,
        samples.c.taken_at < stop,
    )
