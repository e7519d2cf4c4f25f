"""Samples in and out: insert with identity and revision, daily medians, and the window the engine needs."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Literal

import numpy as np
import sqlalchemy as sa
from numpy.typing import NDArray

from app.domain.model import Reading, Sample, SourceKind, utc_day
from app.science.quantities import INDEX, NAMES
from app.store.database import Connection
from app.store.tables import corrections, daily_medians, samples, sources

Added = Literal["stored", "revised", "already_known"]
Identity = tuple[int, int, datetime]
"""Compartment id, source id, taken at."""
Known = dict[Identity, Mapping[str, Any]]

_READINGS = [samples.c[name] for name in NAMES]


@dataclass(frozen=True, slots=True)
class NewRow:
    """A sample whose compartment and source are known to the store."""

    compartment_id: int
    source_id: int
    sample: Sample
    file_id: int | None = None
    file_line: int | None = None


@dataclass(frozen=True, slots=True)
class AddedRow:
    result: Added
    sample_id: int


def pack(readings: Mapping[str, Reading]) -> dict[str, float | int | None]:
    """A sample's readings as columns: one number a quantity, and the mask ``below``."""
    row: dict[str, float | int | None] = dict.fromkeys(NAMES)
    mask = 0
    for name, reading in readings.items():
        row[name] = reading.number
        if reading.below is not None:
            mask |= 1 << INDEX[name]
    row["below"] = mask
    return row


def unpack(row: Mapping[str, Any]) -> dict[str, Reading]:
    """The inverse of :func:`pack`."""
    mask = row["below"]
    return {
        name: Reading(name, below=row[name]) if mask >> i & 1 else Reading(name, value=row[name])
        for i, name in enumerate(NAMES)
        if row[name] is not None
    }


def add_new(connection: Connection, rows: Sequence[NewRow], now: datetime) -> list[AddedRow]:
    """Insert samples; a repeat is already known, other readings at a known time are a new revision.

    Identity is (compartment, source, taken_at). The newest revision is the ``current`` one. Rows of one call
    may repeat or revise one another: they are taken in order. Readings that somebody has put right by hand are
    already known when they come once more: sending a file again must not take a correction back.
    """
    known, newest = _current(connection, rows)
    results: list[AddedRow | None] = [None] * len(rows)
    fresh: list[dict[str, Any]] = []
    fresh_at: dict[Identity, int] = {}
    for i, row in enumerate(rows):
        key = (row.compartment_id, row.source_id, row.sample.taken_at)
        packed = pack(row.sample.readings)
        if key in fresh_at:  # repeated within this very call: settle the earlier ones first
            _flush(connection, fresh, fresh_at, results, known)
        if key not in known:
            fresh_at[key] = i
            fresh.append(_values(row, packed, newest.get(key, 0) + 1, now))
        elif _same(known[key], packed) or _was_put_right(connection, key, packed):
            results[i] = AddedRow("already_known", known[key]["id"])
        else:
            newest[key] = max(newest.get(key, 0), known[key]["revision"]) + 1
            results[i] = _revise(connection, known, key, _values(row, packed, newest[key], now))
    _flush(connection, fresh, fresh_at, results, known)
    return [r for r in results if r is not None]


def _values(row: NewRow, packed: dict[str, Any], revision: int, now: datetime) -> dict[str, Any]:
    return {
        "compartment_id": row.compartment_id,
        "source_id": row.source_id,
        "taken_at": row.sample.taken_at,
        "revision": revision,
        "current": True,
        "received_at": now,
        "file_id": row.file_id,
        "file_line": row.file_line,
        "laboratory_number": row.sample.laboratory_number,
        "remark": row.sample.remark,
        **packed,
    }


def _same(stored: Mapping[str, Any], packed: Mapping[str, Any]) -> bool:
    return stored["below"] == packed["below"] and all(stored[name] == packed[name] for name in NAMES)


def _was_put_right(connection: Connection, key: Identity, packed: Mapping[str, Any]) -> bool:
    """True when the readings are those of an earlier revision that was corrected by hand, however long ago."""
    of_identity = (
        samples.c.compartment_id == key[0],
        samples.c.source_id == key[1],
        samples.c.taken_at == key[2],
    )
    edits = (
        sa.select(corrections.c.detail)
        .join(samples, samples.c.id == corrections.c.sample_id)
        .where(*of_identity, corrections.c.kind == "edited")
    )
    replaced = {i for detail in connection.execute(edits).scalars() for i in detail.get("in_place_of", ())}
    if not replaced:
        return False
    query = sa.select(samples.c.below, *_READINGS).where(samples.c.id.in_(replaced))
    return any(_same(dict(row), packed) for row in connection.execute(query).mappings())


def _current(connection: Connection, rows: Sequence[NewRow]) -> tuple[Known, dict[Identity, int]]:
    """Current revisions that share an identity with any of the rows, and the newest number of each identity.

    An identity whose file was undone may have revisions and no current one.
    """
    known: Known = {}
    newest: dict[Identity, int] = {}
    groups: dict[tuple[int, int], list[datetime]] = {}
    for row in rows:
        groups.setdefault((row.compartment_id, row.source_id), []).append(row.sample.taken_at)
    for (compartment_id, source_id), times in groups.items():
        query = sa.select(
            samples.c.id,
            samples.c.taken_at,
            samples.c.revision,
            samples.c.current,
            samples.c.below,
            *_READINGS,
        ).where(
            samples.c.compartment_id == compartment_id,
            samples.c.source_id == source_id,
            samples.c.taken_at.between(min(times), max(times)),
        )
        for found in connection.execute(query).mappings():
            key = (compartment_id, source_id, found["taken_at"])
            newest[key] = max(newest.get(key, 0), found["revision"])
            if found["current"]:
                known[key] = dict(found)
    return known, newest


def _flush(
    connection: Connection,
    fresh: list[dict[str, Any]],
    fresh_at: dict[Identity, int],
    results: list[AddedRow | None],
    known: Known,
) -> None:
    """Insert the rows gathered so far and note their ids."""
    if not fresh:
        return
    inserted = connection.execute(
        sa.insert(samples).returning(samples.c.id, sort_by_parameter_order=True), fresh
    ).scalars()
    for (key, index), values, sample_id in zip(fresh_at.items(), fresh, inserted, strict=True):
        results[index] = AddedRow("stored", sample_id)
        known[key] = {**values, "id": sample_id}
    fresh.clear()
    fresh_at.clear()


def _revise(connection: Connection, known: Known, key: Identity, values: dict[str, Any]) -> AddedRow:
    old = known[key]
    connection.execute(sa.update(samples).where(samples.c.id == old["id"]).values(current=False))
    sample_id = connection.execute(sa.insert(samples).values(values).returning(samples.c.id)).scalar_one()
    known[key] = {**values, "id": sample_id}
    return AddedRow("revised", sample_id)


# --- daily medians ----------------------------------------------------------------------------------------


def refresh_daily_medians(connection: Connection, days: Iterable[tuple[int, int, date]]) -> None:
    """Recompute the medians of (compartment, source, UTC day) from the samples that count."""
    by_series: dict[tuple[int, int], list[date]] = {}
    for compartment_id, source_id, day in set(days):
        by_series.setdefault((compartment_id, source_id), []).append(day)
    for (compartment_id, source_id), wanted in by_series.items():
        _refresh_series(connection, compartment_id, source_id, sorted(wanted))


def _refresh_series(connection: Connection, compartment_id: int, source_id: int, wanted: list[date]) -> None:
    begin = datetime.fromisoformat(f"{wanted[0]}T00:00:00+00:00")
    end = datetime.fromisoformat(f"{wanted[-1]}T00:00:00+00:00") + timedelta(days=1)
    query = sa.select(samples.c.taken_at, samples.c.below, *_READINGS).where(
        samples.c.compartment_id == compartment_id,
        samples.c.source_id == source_id,
        samples.c.current,
        samples.c.excluded_at.is_(None),
        samples.c.taken_at >= begin,
        samples.c.taken_at < end,
    )
    grouped: dict[date, list[Any]] = {day: [] for day in wanted}
    for row in connection.execute(query):
        if (day := utc_day(row.taken_at)) in grouped:
            grouped[day].append(row)
    connection.execute(
        sa.delete(daily_medians).where(
            daily_medians.c.compartment_id == compartment_id,
            daily_medians.c.source_id == source_id,
            daily_medians.c.day.in_(wanted),
        )
    )
    new = [
        {
            "compartment_id": compartment_id,
            "source_id": source_id,
            "day": day,
            "count": len(rows),
            **_median(rows),
        }
        for day, rows in grouped.items()
        if rows
    ]
    if new:
        connection.execute(sa.insert(daily_medians), new)


def _median(rows: list[Any]) -> dict[str, float | int | None]:
    values, below = _matrix([(r.below, *r[2:]) for r in rows])
    result: dict[str, float | int | None] = dict.fromkeys(NAMES)
    mask = 0
    for q, name in enumerate(NAMES):
        known = ~np.isnan(values[:, q])
        if not known.any():
            continue
        column, limits = values[known, q], below[known, q]
        order = np.lexsort((~limits, column))
        low, high = (len(order) - 1) // 2, len(order) // 2
        result[name] = float(0.5 * (column[order[low]] + column[order[high]]))
        if limits[order[high]]:
            mask |= 1 << q
    result["below"] = mask
    return result


def _matrix(rows: Sequence[tuple[Any, ...]]) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """(below, quantity columns...) rows as numbers (n, q) and flags (n, q)."""
    if not rows:
        return np.zeros((0, len(NAMES))), np.zeros((0, len(NAMES)), dtype=np.bool_)
    table = np.array(rows, dtype=np.float64)  # None becomes NaN
    mask = table[:, 0].astype(np.int64)
    below = (mask[:, None] >> np.arange(len(NAMES))) & 1 == 1
    return table[:, 1:], below


# --- the window -------------------------------------------------------------------------------------------


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
        sa.select(samples.c.id, samples.c.taken_at, samples.c.source_id, samples.c.below, *_READINGS)
        .where(
            samples.c.compartment_id == compartment_id,
            which,
            samples.c.current,
            samples.c.excluded_at.is_(None),
            samples.c.taken_at >= begin,
        )
        .order_by(samples.c.taken_at, samples.c.id)
    )
    if end is not None:
        query = query.where(samples.c.taken_at <= end)
    found = connection.execute(query).all()
    values, below = _matrix([tuple(r[3:]) for r in found])
    return Window([r[0] for r in found], [r[1] for r in found], [r[2] for r in found], values, below)


def median_window(
    connection: Connection, compartment_id: int, source_id: int, begin: date, end: date
) -> MedianWindow:
    """Daily medians, begin <= day <= end, in time order."""
    query = (
        sa.select(daily_medians.c.day, daily_medians.c.below, *(daily_medians.c[n] for n in NAMES))
        .where(
            daily_medians.c.compartment_id == compartment_id,
            daily_medians.c.source_id == source_id,
            daily_medians.c.day.between(begin, end),
        )
        .order_by(daily_medians.c.day)
    )
    found = connection.execute(query).all()
    values, below = _matrix([tuple(r[1:]) for r in found])
    return MedianWindow(
        [r[0] for r in found], np.where(below, np.nan, values), np.where(below, values, np.nan)
    )


def newest_before(
    connection: Connection, compartment_id: int, quantities: Sequence[str], at: datetime
) -> Mapping[str, Any] | None:
    """The newest laboratory sample up to a time that has all the quantities uncensored, as a mapping."""
    laboratory = sa.select(sources.c.id).where(sources.c.kind == SourceKind.LABORATORY.value)
    wanted = [samples.c[q] for q in quantities]
    mask = sum(1 << INDEX[q] for q in quantities)
    query = (
        sa.select(samples.c.taken_at, *wanted)
        .where(
            samples.c.compartment_id == compartment_id,
            samples.c.source_id.in_(laboratory),
            samples.c.current,
            samples.c.excluded_at.is_(None),
            samples.c.taken_at <= at,
            samples.c.below.bitwise_and(mask) == 0,
            *(c.is_not(None) for c in wanted),
        )
        .order_by(samples.c.taken_at.desc())
        .limit(1)
    )
    found = connection.execute(query).mappings().first()
    return None if found is None else dict(found)


def newest_judged(
    connection: Connection, compartment_id: int, instrument_id: int | None, but: set[int]
) -> datetime | None:
    """When the newest sample that counts was taken, of an instrument or (None) of all laboratories.

    Samples whose ids are in ``but`` are left out.
    """
    return next((at for _, at in newest_of(connection, compartment_id, instrument_id, but, 1)), None)


def newest_of(
    connection: Connection, compartment_id: int, instrument_id: int | None, but: set[int], count: int
) -> list[tuple[int, datetime]]:
    """As :func:`newest_judged`, ids and times of up to ``count`` samples, newest first."""
    if instrument_id is None:
        laboratory = sa.select(sources.c.id).where(sources.c.kind == SourceKind.LABORATORY.value)
        which: sa.ColumnElement[bool] = samples.c.source_id.in_(laboratory)
    else:
        which = samples.c.source_id == instrument_id
    query = (
        sa.select(samples.c.id, samples.c.taken_at)
        .where(
            samples.c.compartment_id == compartment_id,
            which,
            samples.c.current,
            samples.c.excluded_at.is_(None),
        )
        .order_by(samples.c.taken_at.desc())
        .limit(len(but) + count)
    )
    return [(row.id, row.taken_at) for row in connection.execute(query) if row.id not in but][:count]


def all_series(connection: Connection) -> list[tuple[int, int | None, str]]:
    """Every (compartment id, source id, source kind) with samples; laboratories share one, source id None."""
    laboratory = sources.c.kind == SourceKind.LABORATORY.value
    query = (
        sa.select(samples.c.compartment_id, sa.case((laboratory, None), else_=sources.c.id), sources.c.kind)
        .join(sources, sources.c.id == samples.c.source_id)
        .distinct()
        .order_by(samples.c.compartment_id)
    )
    return [(row[0], row[1], row[2]) for row in connection.execute(query)]


@dataclass(frozen=True, slots=True)
class Place:
    """Where a sample belongs; ``instrument_id`` is None for a laboratory's."""

    compartment_id: int
    instrument_id: int | None
    taken_at: datetime
    source_name: str


def place_of(connection: Connection, sample_id: int) -> Place | None:
    """The place of a sample that counts, or None."""
    query = (
        sa.select(
            samples.c.compartment_id, samples.c.source_id, samples.c.taken_at, sources.c.kind, sources.c.name
        )
        .join(sources, sources.c.id == samples.c.source_id)
        .where(samples.c.id == sample_id, samples.c.current, samples.c.excluded_at.is_(None))
    )
    row = connection.execute(query).first()
    if row is None:
        return None
    instrument = row.source_id if row.kind == SourceKind.INSTRUMENT else None
    return Place(row.compartment_id, instrument, row.taken_at, row.name)
