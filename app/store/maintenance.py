"""Maintenance of instruments: from when to when."""

from collections.abc import Sequence

import sqlalchemy as sa

from app.domain.maintenance import Spell
from app.store.database import Connection
from app.store.tables import maintenance_spells


def spells(connection: Connection, source_ids: Sequence[int]) -> dict[int, list[Spell]]:
    """Every spell of some instruments, by source id, oldest first."""
    query = (
        sa.select(maintenance_spells.c.source_id, maintenance_spells.c.begins_at, maintenance_spells.c.ends_at)
        .where(maintenance_spells.c.source_id.in_(source_ids))
        .order_by(maintenance_spells.c.begins_at)
    )
    found: dict[int, list[Spell]] = {}
    for source_id, begins_at, ends_at in connection.execute(query):
        found.setdefault(source_id, []).append(Spell(begins_at, ends_at))
    return found
