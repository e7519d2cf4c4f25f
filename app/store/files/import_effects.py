"""What an import reads around its samples: earlier readings, doubts, alerts, and how each file was read."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from app.science.quantities import NAMES
from app.store.correcting.corrections import Contents
from app.store.database import Connection
from app.store.recording.reading_columns import unpack
from app.store.schema import alerts, assessments, file_imports, files, samples, sources

Identity = tuple[int, int, datetime]
"""Compartment id, source id, taken at."""


def contents_at(connection: Connection, identities: Iterable[Identity]) -> dict[Identity, Contents]:
    """What the current samples of some identities say; identities that are not known are left out."""
    wanted = set(identities)
    series: dict[tuple[int, int], list[datetime]] = {}
    for compartment_id, source_id, at in wanted:
        series.setdefault((compartment_id, source_id), []).append(at)
    columns = (samples.c.laboratory_number, samples.c.remark, samples.c.taken_at, samples.c.below)
    found: dict[Identity, Contents] = {}
    for (compartment_id, source_id), times in series.items():
        query = sa.select(*columns, *(samples.c[name] for name in NAMES)).where(
            samples.c.compartment_id == compartment_id,
            samples.c.source_id == source_id,
            samples.c.current,
            samples.c.taken_at.between(min(times), max(times)),
        )
        for row in connection.execute(query).mappings():
            key = (compartment_id, source_id, row["taken_at"])
            if key in wanted:
                found[key] = Contents(unpack(dict(row)), row["laboratory_number"], row["remark"])
    return found


@dataclass(frozen=True, slots=True)
class Exclusion:
    """A sample that is known and does not count."""

    sample_id: int
    by: str
    because: str


def excluded_at(connection: Connection, identities: Iterable[Identity]) -> dict[Identity, Exclusion]:
    """Those of some identities whose current sample is excluded."""
    found: dict[Identity, Exclusion] = {}
    columns = (samples.c.id, samples.c.excluded_by, samples.c.excluded_because)
    for compartment_id, source_id, at in set(identities):
        query = sa.select(*columns).where(
            samples.c.compartment_id == compartment_id,
            samples.c.source_id == source_id,
            samples.c.taken_at == at,
            samples.c.current,
            samples.c.excluded_at.is_not(None),
        )
        row = connection.execute(query).first()
        if row is not None:
            found[compartment_id, source_id, at] = Exclusion(row.id, row.excluded_by, row.excluded_because)
    return found


def doubts_of(connection: Connection, sample_ids: Sequence[int]) -> dict[int, tuple[str, ...]]:
    """Why samples are in doubt, by id; only those that are."""
    found: dict[int, tuple[str, ...]] = {}
    for chunk in _chunks(sample_ids):
        query = sa.select(assessments.c.sample_id, assessments.c.detail).where(
            assessments.c.sample_id.in_(chunk), assessments.c.superseded_at.is_(None), assessments.c.suspect
        )
        for sample_id, detail in connection.execute(query):
            if detail.get("doubtful"):
                texts = (f["text"] for f in detail["findings"] if f["rule"] == "quality")
                found[sample_id] = tuple(texts) or ("the sample itself is in doubt",)
    return found


def headlines_of(connection: Connection, alert_ids: Sequence[int]) -> dict[int, str]:
    """The headline of alerts, by id."""
    found: dict[int, str] = {}
    for chunk in _chunks(alert_ids):
        query = sa.select(alerts.c.id, alerts.c.headline).where(alerts.c.id.in_(chunk))
        found.update((row.id, row.headline) for row in connection.execute(query))
    return found


@dataclass(frozen=True, slots=True)
class FileImport:
    """How a file was read when it was imported: the whole profile, and which unit each text was said to be."""

    file_id: int
    at: datetime
    author: str
    profile: Mapping[str, Any]
    units: Mapping[str, str]


def add_import(connection: Connection, done: FileImport) -> None:
    """Keep how a file was read, so that every stored value can be traced to its cell for ever."""
    values = {
        "file_id": done.file_id,
        "at": done.at,
        "author": done.author,
        "profile": dict(done.profile),
        "units": dict(done.units),
    }
    connection.execute(sa.insert(file_imports).values(values))


def units_decided(connection: Connection, source_code: str) -> dict[str, str]:
    """Asset code by text, as people decided for this source's files before; the newest decision counts."""
    query = (
        sa.select(file_imports.c.units)
        .join(files, files.c.id == file_imports.c.file_id)
        .join(sources, sources.c.id == files.c.source_id)
        .where(sources.c.code == source_code)
        .order_by(file_imports.c.id.desc())
        .limit(200)
    )
    decided: dict[str, str] = {}
    for units in connection.execute(query).scalars():
        decided = {**units, **decided}
    return decided


def import_of(connection: Connection, file_id: int, at: datetime) -> FileImport | None:
    """How a file was read for the samples that were received at a time."""
    query = (
        sa.select(file_imports)
        .where(file_imports.c.file_id == file_id, file_imports.c.at <= at)
        .order_by(file_imports.c.at.desc(), file_imports.c.id.desc())
        .limit(1)
    )
    row = connection.execute(query).first()
    return None if row is None else FileImport(row.file_id, row.at, row.author, row.profile, row.units)


def _chunks(ids: Sequence[int], size: int = 500) -> Iterator[Sequence[int]]:
    for i in range(0, len(ids), size):
        yield ids[i : i + size]
