"""Laboratories and instruments as they are registered, with the compartments that an instrument serves."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

import sqlalchemy as sa

from app.domain.model import Source, SourceKind
from app.store.database import Connection
from app.store.schema import assets, compartments, samples, source_compartments, sources


@dataclass(frozen=True, slots=True)
class StoredSource:
    """A source and, for an instrument, the ids of the compartments it serves by name."""

    id: int
    source: Source
    compartments: dict[str, int] = field(default_factory=dict)


def find_source(connection: Connection, code: str) -> StoredSource | None:
    """A source by its code, or None."""
    return next(iter(_sources(connection, sources.c.code == code)), None)


def source_of(connection: Connection, source_id: int) -> StoredSource:
    """A source by its id. Raises StopIteration when there is none: ids come from the store."""
    return next(iter(_sources(connection, sources.c.id == source_id)))


def source_of_sample(connection: Connection, sample_id: int) -> StoredSource:
    """Who measured a stored sample."""
    of = sa.select(samples.c.source_id).where(samples.c.id == sample_id).scalar_subquery()
    return next(iter(_sources(connection, sources.c.id == of)))


def all_sources(connection: Connection, kind: SourceKind | None = None) -> list[Source]:
    """All sources in the order of their codes; instruments with the names of their compartments."""
    found = _sources(connection, sa.true() if kind is None else sources.c.kind == kind.value)
    return [stored.source for stored in found]


def _sources(connection: Connection, which: sa.ColumnElement[bool]) -> list[StoredSource]:
    """Sources by their codes, in one statement: a row for each compartment served, one for who serves none."""
    query = (
        sa.select(*SOURCE_ROW)
        .select_from(whole_sources(sources))
        .where(which)
        .order_by(sources.c.code, compartments.c.name)
    )
    return [
        stored_source(list(same)) for _, same in groupby(connection.execute(query), key=lambda row: row.id)
    ]


SOURCE_ROW = (
    *sources.c,
    assets.c.code.label("asset_code"),
    compartments.c.id.label("compartment_id"),
    compartments.c.name.label("compartment_name"),
)
"""What :func:`stored_source` wants of each row of :func:`whole_sources`, ordered by ``compartment_name``."""


def whole_sources(joined: sa.FromClause) -> sa.FromClause:
    """Sources, or what is joined to them, with all that makes a :class:`StoredSource`: a row a compartment."""
    return (
        joined.outerjoin(assets, assets.c.id == sources.c.asset_id)
        .outerjoin(source_compartments, source_compartments.c.source_id == sources.c.id)
        .outerjoin(compartments, compartments.c.id == source_compartments.c.compartment_id)
    )


def stored_source(rows: Sequence[Any]) -> StoredSource:
    """One source of its rows."""
    first = rows[0]
    served = {row.compartment_name: row.compartment_id for row in rows if row.compartment_id is not None}
    return StoredSource(first.id, _source(first, tuple(served)), served)


def _source(row: Any, served: tuple[str, ...]) -> Source:
    return Source(
        code=row.code,
        name=row.name,
        kind=SourceKind(row.kind),
        asset_code=row.asset_code,
        compartments=served,
        expected_interval_minutes=row.expected_interval_minutes,
        profile=row.profile,
        posts_per_minute=row.posts_per_minute,
    )
