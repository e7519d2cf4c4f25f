"""Files that samples came from, kept as they arrived with their hash."""

import hashlib
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from app.store.database import Connection
from app.store.tables import files


@dataclass(frozen=True, slots=True)
class NewFile:
    source_id: int
    name: str
    content: bytes
    uploaded_at: datetime
    uploaded_by: str


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
