"""An asset's samples page by page, for programs that read the record."""

from collections.abc import Sequence
from datetime import datetime

import sqlalchemy as sa

from app.store.database import Connection
from app.store.recording.reading_columns import of_kind
from app.store.schema import assets, compartments, samples

Position = tuple[datetime, int]
"""Time and id of the last sample of the page before."""


def page_of_ids(
    connection: Connection,
    asset_code: str,
    window: tuple[datetime | None, datetime | None],
    after: Position | None,
    limit: int,
) -> list[int]:
    """Ids of an asset's current samples, oldest first: from <= taken_at < to, after a position."""
    found: list[sa.Row[tuple[datetime, int]]] = []
    for compartment_id in compartment_ids_of(connection, asset_code):
        for online in (False, True):  # each in the order of its index, so that no more than a page is read
            query = _after(window, after).where(samples.c.compartment_id == compartment_id, of_kind(online))
            found += connection.execute(query.limit(limit))
    return [row.id for row in sorted(found, key=lambda row: (row.taken_at, row.id))[:limit]]


def _after(
    window: tuple[datetime | None, datetime | None], after: Position | None
) -> sa.Select[tuple[datetime, int]]:
    start, end = window
    query = (
        sa.select(samples.c.taken_at, samples.c.id)
        .where(samples.c.current)
        .order_by(samples.c.taken_at, samples.c.id)
    )
    if start is not None:
        query = query.where(samples.c.taken_at >= start)
    if end is not None:
        query = query.where(samples.c.taken_at < end)
    if after is not None:
        at, sample_id = after
        query = query.where(
            samples.c.taken_at >= at, sa.or_(samples.c.taken_at > at, samples.c.id > sample_id)
        )
    return query


def compartment_ids_of(connection: Connection, asset_code: str) -> Sequence[int]:
    """Ids of an asset's compartments."""
    query = (
        sa.select(compartments.c.id)
        .join(assets, assets.c.id == compartments.c.asset_id)
        .where(assets.c.code == asset_code)
        .order_by(compartments.c.id)
    )
    return connection.execute(query).scalars().all()
