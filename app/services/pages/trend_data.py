"""A bounded window of one compartment's readings, as the trend charts need it."""

from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta

from app.domain.model import ServiceEvent, SourceKind
from app.services.judging.judge_online import with_full_assessments
from app.services.judging.leading_sample import leading
from app.services.pages.asset_view import column_of
from app.services.pages.norm_limits import NormColumn
from app.store.database import Connection, Database
from app.store.pages.view_samples import (
    SampleView,
    counting_samples,
    days,
    sample_span,
    samples_by_id,
    spread_readings,
    unit_events,
)
from app.store.pages.views import Unit, newest_samples, units

RAW_DAYS = 45
"""Up to this long a window shows single on-line readings, beyond it daily medians."""
LIMIT = 5_000
"""Points read for one window and kind of source; beyond it the oldest are left out, and the page says so."""

RANGES = {"1m": 31, "6m": 183, "1y": 366, "5y": 1827, "all": 36_525}
"""Range buttons: days back from the newest sample."""


@dataclass(frozen=True, slots=True)
class Point:
    """One reading of one quantity; ``below`` marks a detection limit."""

    at: datetime
    value: float
    below: bool


@dataclass(frozen=True, slots=True)
class TrendData:
    """Readings by quantity within [start, end]."""

    unit: Unit
    start: datetime
    end: datetime
    laboratory: dict[str, list[Point]]
    online: dict[str, list[Point]]
    online_is_daily: bool
    events: tuple[ServiceEvent, ...]
    column: NormColumn | None
    """The norms that judge the leading sample."""
    cut: tuple[str, ...]
    """What was left out because the limit was reached, in words; empty when nothing was."""


def trend_data(
    database: Database, code: str, compartment: str, range_key: str, limit: int = LIMIT
) -> TrendData | None:
    """The window of ``range_key`` (see :data:`RANGES`) up to the newest sample; None for an unknown unit.

    At most ``limit`` points a kind of source are read.
    """
    with database.read() as connection:
        unit = _unit(connection, code, compartment)
        if unit is None:
            return None
        span = sample_span(connection, unit.compartment_id)
        if span is None:
            return _empty(unit)
        end = span[1]
        start = max(span[0], end - timedelta(days=RANGES[range_key]))
        return _read(connection, unit, start, end, limit)


def path_samples(
    database: Database, code: str, compartment: str, most: int
) -> tuple[Unit, list[SampleView]] | None:
    """A unit and the samples of its way through a diagram, in the order of time; None for an unknown unit.

    The laboratory's of five years and the on-line readings of the last month, spread over it; half of ``most`` each.
    """
    with database.read() as connection:
        unit = _unit(connection, code, compartment)
        if unit is None:
            return None
        own, span = unit.compartment_id, sample_span(connection, unit.compartment_id)
        if span is None:
            return unit, []
        end = span[1]
        years, month = (end - timedelta(days=RANGES["5y"]), end), (end - timedelta(days=RANGES["1m"]), end)
        found = counting_samples(connection, own, SourceKind.LABORATORY, window=years, limit=most // 2)
        found += spread_readings(connection, own, window=month, most=most // 2)
        return unit, sorted(found, key=lambda sample: sample.taken_at)


def _unit(connection: Connection, code: str, compartment: str) -> Unit | None:
    found = units(connection, asset_code=code)
    return next((unit for unit in found if unit.compartment.name == compartment), None)


def _read(connection: Connection, unit: Unit, start: datetime, end: datetime, limit: int) -> TrendData:
    own = unit.compartment_id
    cut: list[str] = []
    laboratory = counting_samples(connection, own, SourceKind.LABORATORY, window=(start, end), limit=limit)
    if len(laboratory) == limit:
        cut.append(f"only the newest {limit} laboratory samples are drawn")
    daily = end - start > timedelta(days=RAW_DAYS)
    if daily:
        online = _daily(connection, own, start, end, limit)
    else:
        raw = counting_samples(connection, own, SourceKind.INSTRUMENT, window=(start, end), limit=limit)
        online = _points(raw)
        if len(raw) == limit:
            cut.append(f"only the newest {limit} on-line readings are drawn")
    lead = leading(newest_samples(connection, [own]))
    column = None
    if lead is not None:
        found = samples_by_id(connection, [lead.sample_id])
        sample = with_full_assessments(connection, found, detailed=False)[lead.sample_id]
        column = column_of(connection, unit, sample)
    return TrendData(
        unit=unit,
        start=start,
        end=end,
        laboratory=_points(laboratory),
        online=online,
        online_is_daily=daily,
        events=tuple(e for e in unit_events(connection, own) if start <= e.at <= end),
        column=column,
        cut=tuple(cut),
    )


def _daily(
    connection: Connection, own: int, start: datetime, end: datetime, limit: int
) -> dict[str, list[Point]]:
    """Daily medians placed at noon UTC."""
    rows = days(connection, [own], since=start.date(), until=end.date(), limit=limit).get(own, [])
    series: dict[str, list[Point]] = {}
    for row in rows:
        at = datetime.combine(row.day, time(12), UTC)
        for name, reading in row.readings.items():
            series.setdefault(name, []).append(Point(at, reading.number, reading.below is not None))
    return series


def _points(found: list[SampleView]) -> dict[str, list[Point]]:
    series: dict[str, list[Point]] = {}
    for sample in found:
        for name, reading in sample.readings.items():
            series.setdefault(name, []).append(
                Point(sample.taken_at, reading.number, reading.below is not None)
            )
    return series


def _empty(unit: Unit) -> TrendData:
    at = datetime(1970, 1, 1, tzinfo=UTC)
    return TrendData(unit, at, at, {}, {}, False, (), None, ())
