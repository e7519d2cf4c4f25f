"""Maintenance of instruments: from when to when, who said so."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from app.domain.recording.maintenance import Spell
from app.store.database import Connection
from app.store.schema import maintenance_spells


@dataclass(frozen=True, slots=True)
class StoredSpell:
    """A spell with who wrote it down and why."""

    id: int
    spell: Spell
    author: str
    note: str


def spells(connection: Connection, source_ids: Sequence[int]) -> dict[int, list[Spell]]:
    """Every spell of some instruments, by source id, oldest first."""
    query = (
        sa.select(
            maintenance_spells.c.source_id, maintenance_spells.c.begins_at, maintenance_spells.c.ends_at
        )
        .where(maintenance_spells.c.source_id.in_(source_ids))
        .order_by(maintenance_spells.c.begins_at)
    )
    found: dict[int, list[Spell]] = {}
    for source_id, begins_at, ends_at in connection.execute(query):
        found.setdefault(source_id, []).append(Spell(begins_at, ends_at))
    return found


def stored_spells(connection: Connection, source_id: int) -> list[StoredSpell]:
    """The spells of one instrument with their notes, oldest first."""
    query = sa.select(maintenance_spells).where(maintenance_spells.c.source_id == source_id)
    return [
        StoredSpell(row.id, Spell(row.begins_at, row.ends_at), row.author, row.note)
        for row in connection.execute(query.order_by(maintenance_spells.c.begins_at, maintenance_spells.c.id))
    ]


def add(connection: Connection, source_id: int, spell: Spell, author: str, note: str) -> int:
    """The id of a new spell."""
    values = {
        "source_id": source_id,
        "begins_at": spell.begins_at,
        "ends_at": spell.ends_at,
        "author": author,
        "note": note,
    }
    statement = sa.insert(maintenance_spells).values(values).returning(maintenance_spells.c.id)
    return int(connection.execute(statement).scalar_one())


def set_end(connection: Connection, spell_id: int, ends_at: datetime) -> None:
    """When a spell ends."""
    statement = sa.update(maintenance_spells).where(maintenance_spells.c.id == spell_id)
    connection.execute(statement.values(ends_at=ends_at))
