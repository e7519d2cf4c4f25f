"""An asset's samples page by page, for programs that read the record."""

from collections.abc import Sequence
from datetime import datetime

import sqlalchemy as sa

from app.store.database import Connection
from app.store.tables import assets, compartments, samples

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
    start, end = window
    query = (
        sa.select(samples.c.id)
        .join(compartments, compartments.c.id == samples.c.compartment_id)
        .join(assets, assets.c.id == compartments.c.asset_id)
        .where(assets.c.code == asset_code, samples.c.current)
        .order_by(samples.c.taken_at, samples.c.id)
        .limit(limit)
    )
    if start is not None:
        query = query.where(samples.c.taken_at >= start)
    if end is not None:
        query = query.where(samples.c.taken_at < end)
    if after is not None:
        at, sample_id = after
        later = sa.and_(samples.c.taken_at == at, samples.c.id > sample_id)
        query = query.where(sa.or_(samples.c.taken_at > at, later))
    return list(connection.execute(query).scalars())


def compartment_ids_of(connection: Connection, asset_code: str) -> Sequence[int]:
    """Ids of an asset's compartments."""
    query = (
        sa.select(compartments.c.id)
        .join(assets, assets.c.id == compartments.c.asset_id)
        .where(assets.c.code == asset_code)
        .order_by(compartments.c.id)
    )
    return connection.execute(query).scalars().all()
