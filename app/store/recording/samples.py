"""Samples as they come: inserted with identity and revision; and where one belongs."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

import sqlalchemy as sa

from app.domain.model import Sample, SourceKind
from app.science.quantities import NAMES
from app.store.database import Connection
from app.store.partitions import ensure_months
from app.store.recording.reading_columns import counting, pack, same_readings
from app.store.schema import compartments, corrections, samples, sources

Added = Literal["stored", "revised", "already_known"]
Identity = tuple[int, int, datetime]
"""Compartment id, source id, taken at."""
Known = dict[Identity, Mapping[str, Any]]

MASKS = [samples.c.below, samples.c.unjudged, samples.c.qualities]
_READINGS = [samples.c[name] for name in NAMES]


@dataclass(frozen=True, slots=True)
class NewRow:
    """A sample whose compartment and source are known to the store."""

    compartment_id: int
    source_id: int
    sample: Sample
    online: bool
    file_id: int | None = None
    file_line: int | None = None


@dataclass(frozen=True, slots=True)
class AddedRow:
    result: Added
    sample_id: int


def add_new(connection: Connection, rows: Sequence[NewRow], now: datetime) -> list[AddedRow]:
    """Insert samples; a repeat is already known, other readings at a known time are a new revision.

    Identity is (compartment, source, taken_at). The newest revision is the ``current`` one. Rows of one call
    may repeat or revise one another: they are taken in order. Readings that somebody has put right by hand are
    already known when they come once more: sending a file again must not take a correction back.
    """
    ensure_months(connection, (row.sample.taken_at for row in rows if row.online))
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
        elif same_readings(known[key], packed) or _was_put_right(connection, key, packed):
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
        "online": row.online,
        "set_aside": row.sample.set_aside,
        "suspect": False,
        "file_id": row.file_id,
        "file_line": row.file_line,
        "laboratory_number": row.sample.laboratory_number,
        "remark": row.sample.remark,
        **packed,
    }


def replaced_by_hand(connection: Connection, key: Identity) -> set[int]:
    """Ids of the revisions of an identity that were corrected by hand, however long ago."""
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
    return {i for detail in connection.execute(edits).scalars() for i in detail.get("in_place_of", ())}


def _was_put_right(connection: Connection, key: Identity, packed: Mapping[str, Any]) -> bool:
    """True when the readings are those of an earlier revision that was corrected by hand."""
    replaced = replaced_by_hand(connection, key)
    if not replaced:
        return False
    query = sa.select(*MASKS, *_READINGS).where(samples.c.id.in_(replaced))
    return any(same_readings(dict(row), packed) for row in connection.execute(query).mappings())


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
            *MASKS,
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
        which: sa.ColumnElement[bool] = ~samples.c.online
    else:
        which = sa.and_(samples.c.online, samples.c.source_id == instrument_id)
    query = (
        sa.select(samples.c.id, samples.c.taken_at)
        .where(
            samples.c.compartment_id == compartment_id,
            which,
            *counting(),
        )
        .order_by(samples.c.taken_at.desc())
        .limit(len(but) + count)
    )
    return [(row.id, row.taken_at) for row in connection.execute(query) if row.id not in but][:count]


_OF_LABORATORIES = (
    sa.select(samples.c.id)
    .where(~samples.c.online, samples.c.compartment_id == sa.bindparam("of_compartment"))
    .limit(1)
)
_NEXT_INSTRUMENT = (
    sa.select(samples.c.source_id)
    .where(
        samples.c.online,
        samples.c.compartment_id == sa.bindparam("of_compartment"),
        samples.c.source_id > sa.bindparam("after"),
    )
    .order_by(samples.c.source_id)
    .limit(1)
)


def all_series(
    connection: Connection, only: Collection[int] | None = None
) -> Iterator[tuple[int, int | None]]:
    """Every compartment id with samples, with None for all its laboratories and with each instrument's id.

    Of each series one entry of an index is looked at, however long it is.

    Args:
        only: ids of the compartments to look at; None for all.
    """
    every = connection.execute(sa.select(compartments.c.id).order_by(compartments.c.id)).scalars().all()
    for compartment in every if only is None else sorted(only):
        of = {"of_compartment": compartment}
        if connection.execute(_OF_LABORATORIES, of).first() is not None:
            yield compartment, None
        source = connection.execute(_NEXT_INSTRUMENT, {**of, "after": 0}).scalar()
        while source is not None:
            yield compartment, source
            source = connection.execute(_NEXT_INSTRUMENT, {**of, "after": source}).scalar()


@dataclass(frozen=True, slots=True)
class Place:
    """Where a sample belongs; ``instrument_id`` is None for a laboratory's."""

    compartment_id: int
    instrument_id: int | None
    taken_at: datetime
    source_name: str


def places_of(connection: Connection, sample_ids: Sequence[int]) -> dict[int, tuple[int, int, datetime]]:
    """Compartment id, source id and time of samples, by id; unknown ids are left out."""
    query = sa.select(samples.c.id, samples.c.compartment_id, samples.c.source_id, samples.c.taken_at)
    found = connection.execute(query.where(samples.c.id.in_(sample_ids)))
    return {row[0]: (row[1], row[2], row[3]) for row in found}


def place_of(connection: Connection, sample_id: int) -> Place | None:
    """The place of a sample that counts, or None."""
    query = (
        sa.select(
            samples.c.compartment_id, samples.c.source_id, samples.c.taken_at, sources.c.kind, sources.c.name
        )
        .join(sources, sources.c.id == samples.c.source_id)
        .where(samples.c.id == sample_id, *counting())
    )
    row = connection.execute(query).first()
    if row is None:
        return None
    instrument = row.source_id if row.kind == SourceKind.INSTRUMENT else None
    return Place(row.compartment_id, instrument, row.taken_at, row.name)
