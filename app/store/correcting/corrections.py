"""What people put right: flags of samples, which revision is in force, and the history of who did it and why.

Nothing is deleted: an excluded sample and a superseded revision stay, and every change leaves a row.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

import sqlalchemy as sa

from app.domain.model import Reading
from app.store.database import Connection
from app.store.partitions import ensure_months
from app.store.recording.reading_columns import pack
from app.store.schema import corrections, samples

Kind = Literal["edited", "excluded", "restored", "moved", "undone", "in_force_again"]


@dataclass(frozen=True, slots=True)
class By:
    """Who puts something right, why, and when."""

    author: str
    reason: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Correction:
    """One line of a sample's history. ``detail``: what was and what is, see
    :mod:`app.services.correcting.put_right`.
    """

    sample_id: int
    kind: Kind
    by: By
    detail: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Contents:
    """What a sample says, apart from where and when."""

    readings: Mapping[str, Reading]
    laboratory_number: str | None = None
    remark: str | None = None


@dataclass(frozen=True, slots=True)
class StoredRow:
    """What must be known of a sample to put it right."""

    id: int
    compartment_id: int
    source_id: int
    taken_at: datetime
    revision: int
    current: bool
    file_id: int | None
    file_line: int | None
    excluded: bool
    online: bool
    set_aside: str | None

    @property
    def counts(self) -> bool:
        return self.current and not self.excluded and self.set_aside is None


def note(connection: Connection, lines: Sequence[Correction]) -> None:
    """Add lines to the history."""
    rows = [
        {
            "sample_id": line.sample_id,
            "at": line.by.at,
            "author": line.by.author,
            "kind": line.kind,
            "reason": line.by.reason,
            "detail": dict(line.detail),
        }
        for line in lines
    ]
    if rows:
        connection.execute(sa.insert(corrections), rows)


def history(connection: Connection, sample_ids: Iterable[int]) -> list[Correction]:
    """What was put right about some samples, oldest first."""
    found: list[sa.Row[Any]] = []
    for chunk in _chunks(list(sample_ids)):
        found += connection.execute(sa.select(corrections).where(corrections.c.sample_id.in_(chunk))).all()
    return [
        Correction(row.sample_id, row.kind, By(row.author, row.reason, row.at), row.detail)
        for row in sorted(found, key=lambda row: (row.at, row.id))
    ]


def rows_by_id(connection: Connection, sample_ids: Iterable[int]) -> dict[int, StoredRow]:
    """Samples by id; unknown ids are left out."""
    query = _query().where(samples.c.id.in_(list(sample_ids)))
    return {row.id: _row(row) for row in connection.execute(query)}


def rows_of_file(connection: Connection, file_id: int) -> list[StoredRow]:
    """All revisions that came with a file, in the order of its lines."""
    query = _query().where(samples.c.file_id == file_id).order_by(samples.c.file_line, samples.c.id)
    return [_row(row) for row in connection.execute(query)]


def revisions(connection: Connection, row: StoredRow) -> list[StoredRow]:
    """All revisions of a sample's identity, oldest first."""
    query = _query().where(
        samples.c.compartment_id == row.compartment_id,
        samples.c.source_id == row.source_id,
        samples.c.taken_at == row.taken_at,
    )
    return [_row(found) for found in connection.execute(query.order_by(samples.c.revision))]


def revisions_beside_file(connection: Connection, file_id: int) -> list[StoredRow]:
    """All revisions of the identities that a file brought samples of, oldest first."""
    identity = ("compartment_id", "source_id", "taken_at")
    of_file = (
        sa.select(*(samples.c[name] for name in identity))
        .where(samples.c.file_id == file_id)
        .distinct()
        .subquery("of_file")
    )
    beside = sa.and_(*(of_file.c[name] == samples.c[name] for name in identity))
    query = _query().join_from(of_file, samples, beside).order_by(samples.c.revision)
    return [_row(found) for found in connection.execute(query)]


def exclude(connection: Connection, sample_ids: Sequence[int], by: By) -> None:
    """Samples no longer count."""
    _set(
        connection,
        sample_ids,
        {"excluded_at": by.at, "excluded_by": by.author, "excluded_because": by.reason},
    )


def restore(connection: Connection, sample_ids: Sequence[int]) -> None:
    """Samples that were excluded count again."""
    _set(connection, sample_ids, {"excluded_at": None, "excluded_by": None, "excluded_because": None})


def set_current(connection: Connection, sample_ids: Sequence[int], *, current: bool) -> None:
    """Which revisions are in force."""
    _set(connection, sample_ids, {"current": current})


def add_revision(connection: Connection, old: StoredRow, contents: Contents, now: datetime) -> int:
    """A new revision in force in place of ``old``, with other contents; returns its id."""
    return _insert(connection, old, contents, now, (old.compartment_id, old.taken_at))


def add_moved(
    connection: Connection, old: StoredRow, contents: Contents, now: datetime, target: tuple[int, datetime]
) -> int:
    """The contents at another (compartment id, time); returns its id. What is in force there is superseded."""
    return _insert(connection, old, contents, now, target)


def _insert(
    connection: Connection, old: StoredRow, contents: Contents, now: datetime, place: tuple[int, datetime]
) -> int:
    compartment_id, taken_at = place
    if old.online:
        ensure_months(connection, (taken_at,))
    identity = {"compartment_id": compartment_id, "source_id": old.source_id, "taken_at": taken_at}
    same = sa.and_(*(samples.c[name] == value for name, value in identity.items()))
    connection.execute(sa.update(samples).where(same, samples.c.current).values(current=False))
    newest = connection.execute(sa.select(sa.func.max(samples.c.revision)).where(same)).scalar() or 0
    values = {
        **identity,
        "revision": newest + 1,
        "current": True,
        "received_at": now,
        "online": old.online,
        "set_aside": old.set_aside,
        "suspect": False,
        "file_id": old.file_id,
        "file_line": old.file_line,
        "laboratory_number": contents.laboratory_number,
        "remark": contents.remark,
        **pack(contents.readings),
    }
    return int(connection.execute(sa.insert(samples).values(values).returning(samples.c.id)).scalar_one())


def _set(connection: Connection, sample_ids: Sequence[int], values: Mapping[str, Any]) -> None:
    for chunk in _chunks(sample_ids):
        connection.execute(sa.update(samples).where(samples.c.id.in_(chunk)).values(values))


def _chunks(ids: Sequence[int], size: int = 500) -> Iterator[Sequence[int]]:
    for begin in range(0, len(ids), size):
        yield ids[begin : begin + size]


def _query() -> sa.Select[Any]:
    return sa.select(
        samples.c.id,
        samples.c.compartment_id,
        samples.c.source_id,
        samples.c.taken_at,
        samples.c.revision,
        samples.c.current,
        samples.c.file_id,
        samples.c.file_line,
        samples.c.excluded_at,
        samples.c.online,
        samples.c.set_aside,
    )


def _row(row: Any) -> StoredRow:
    return StoredRow(
        row.id,
        row.compartment_id,
        row.source_id,
        row.taken_at,
        row.revision,
        row.current,
        row.file_id,
        row.file_line,
        row.excluded_at is not None,
        row.online,
        row.set_aside,
    )
