"""Maintenance of an instrument: what it measures meanwhile is kept and not judged.

A spell counts for samples that come in after it was written down. Samples that are in the record keep their
verdict when a spell is begun in the past, ended or shortened: what was said of a sample does not change behind
the back of those who read it.
"""

from datetime import datetime

from app.domain.model import SourceKind
from app.domain.recording.maintenance import Spell
from app.errors import RefusedError
from app.store.database import Connection, Database
from app.store.registering import maintenance, registration, source_lookup
from app.store.registering.maintenance import StoredSpell
from app.store.registering.registration import UnknownReferenceError

__all__ = ["MaintenanceError", "StoredSpell", "UnknownReferenceError", "begin", "end", "spells_of"]


class MaintenanceError(RefusedError):
    """It contradicts what is written down; the text says what."""


def begin(database: Database, instrument: str, spell: Spell, author: str, note: str) -> StoredSpell:
    """Write down that an instrument is, was or will be worked on.

    Raises:
        UnknownReferenceError: there is no such instrument.
        MaintenanceError: the spell is empty or overlaps another.
    """
    if spell.ends_at is not None and spell.ends_at <= spell.begins_at:
        raise MaintenanceError("maintenance must end after it begins")
    with database.write() as connection:
        registration.lock(connection)
        source_id = _source_id(connection, instrument)
        for known in maintenance.stored_spells(connection, source_id):
            if known.spell.overlaps(spell):
                raise MaintenanceError(
                    f"{instrument} is in maintenance {_told(known.spell)} already, says {known.author}"
                )
        return StoredSpell(maintenance.add(connection, source_id, spell, author, note), spell, author, note)


def end(database: Database, instrument: str, at: datetime) -> StoredSpell:
    """End the maintenance that goes on, or, when none does, call off the next that is planned.

    Raises:
        UnknownReferenceError: there is no such instrument.
        MaintenanceError: none goes on or is planned.
    """
    with database.write() as connection:
        registration.lock(connection)
        source_id = _source_id(connection, instrument)
        for known in maintenance.stored_spells(connection, source_id):
            spell = known.spell
            if spell.ends_at is None or max(at, spell.begins_at) < spell.ends_at:
                ended = Spell(spell.begins_at, max(at, spell.begins_at))
                maintenance.set_end(connection, known.id, max(at, spell.begins_at))
                return StoredSpell(known.id, ended, known.author, known.note)
        raise MaintenanceError(f"{instrument} is not in maintenance, and none is planned")


def spells_of(database: Database, instrument: str) -> list[StoredSpell]:
    """Every spell of an instrument, oldest first. Raises UnknownReferenceError."""
    with database.read() as connection:
        return maintenance.stored_spells(connection, _source_id(connection, instrument))


def _source_id(connection: Connection, instrument: str) -> int:
    stored = source_lookup.find_source(connection, instrument)
    if stored is None or stored.source.kind is not SourceKind.INSTRUMENT:
        raise UnknownReferenceError("instrument", instrument)
    return stored.id


def _told(spell: Spell) -> str:
    ends = "" if spell.ends_at is None else f" until {spell.ends_at:%Y-%m-%d %H:%M} UTC"
    return f"from {spell.begins_at:%Y-%m-%d %H:%M} UTC{ends}"
