"""Files that samples came from, kept as they arrived with their hash."""

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from app.store.database import Connection
from app.store.recording.reading_columns import counting
from app.store.schema import files, samples, sources


@dataclass(frozen=True, slots=True)
class NewFile:
    source_id: int
    name: str
    content: bytes
    uploaded_at: datetime
    uploaded_by: str


@dataclass(frozen=True, slots=True)
class FileView:
    """A file as the record has it, without its content."""

    id: int
    source_code: str
    source_name: str
    name: str
    sha256: str
    uploaded_at: datetime
    uploaded_by: str
    samples: int
    """Samples and revisions that came with it."""
    counting: int
    """How many of them count."""


def add(connection: Connection, file: NewFile) -> int:
    """Keep a file; the same content from the same source is kept once and gives the same id."""
    digest = hashlib.sha256(file.content).hexdigest()
    known = find(connection, file.source_id, digest)
    if known is not None:
        return known
    values = {
        "source_id": file.source_id,
        "name": file.name,
        "sha256": digest,
        "content": file.content,
        "uploaded_at": file.uploaded_at,
        "uploaded_by": file.uploaded_by,
    }
    return int(connection.execute(sa.insert(files).values(values).returning(files.c.id)).scalar_one())


def find(connection: Connection, source_id: int, sha256: str) -> int | None:
    """The id of a file by its hash, or None."""
    query = sa.select(files.c.id).where(files.c.source_id == source_id, files.c.sha256 == sha256)
    return connection.execute(query).scalar()


def by_id(connection: Connection, file_ids: Iterable[int]) -> dict[int, FileView]:
    """Files by id; unknown ids are left out."""
    query = _views().where(files.c.id.in_(list(file_ids)))
    return {row[0]: _view(row) for row in connection.execute(query)}


def newest(connection: Connection, limit: int) -> list[FileView]:
    """The files that came last, newest first."""
    query = _views().order_by(files.c.uploaded_at.desc(), files.c.id.desc()).limit(limit)
    return [_view(row) for row in connection.execute(query)]


def content(connection: Connection, file_id: int) -> bytes | None:
    """A file as it arrived, or None."""
    return connection.execute(sa.select(files.c.content).where(files.c.id == file_id)).scalar()


def _view(row: Sequence[Any]) -> FileView:
    return FileView(*row)


def _views() -> sa.Select[Any]:
    came = sa.select(sa.func.count()).where(samples.c.file_id == files.c.id).select_from(samples)
    counted = came.where(*counting())
    return sa.select(
        files.c.id,
        sources.c.code,
        sources.c.name,
        files.c.name,
        files.c.sha256,
        files.c.uploaded_at,
        files.c.uploaded_by,
        came.scalar_subquery(),
        counted.scalar_subquery(),
    ).join(sources, sources.c.id == files.c.source_id)
