"""A backup: a zip with the record and a manifest that says what must be in it.

Of SQLite it holds the database file, copied page by page while others write; of PostgreSQL what COPY gives of each
table, all of one snapshot. Neither needs a program beside this one.
"""

import hashlib
import json
import sqlite3
import tempfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from datetime import date
from pathlib import Path
from typing import IO, Any, Final, Literal
from zipfile import ZIP_DEFLATED, BadZipFile, ZipFile

import psycopg
from pydantic import BaseModel, ValidationError

from app.store.database import Connection
from app.store.keeping import migrate, transfer
from app.store.keeping.transfer import Stage, Tell, TransferError
from app.store.partitions import make_months, months

MANIFEST: Final = "manifest.json"
DATABASE_FILE: Final = "ullage.db"
BLOCK: Final = 1 << 20
LEVEL: Final = 1
"""Of compression: the quickest; a COPY shrinks to about a third by it."""


class Part(BaseModel, frozen=True):
    """A file of the archive. ``columns`` and ``rows`` are those of a table of PostgreSQL."""

    sha256: str
    rows: int = 0
    columns: tuple[str, ...] = ()


class Manifest(BaseModel, frozen=True):
    """What the archive is of, and must hold."""

    format: Literal["ullage backup 1"] = "ullage backup 1"
    kind: Literal["sqlite", "postgresql"]
    revision: str
    made_at: str
    rows: Mapping[str, int]
    """By table."""
    months: tuple[str, ...] = ()
    """First days of the months of on-line readings."""
    last_numbers: Mapping[str, int] = {}
    parts: Mapping[str, Part]


def read_manifest(archive: ZipFile) -> Manifest:
    """
    Raises:
        TransferError: it is no backup of ours.
    """
    try:
        return Manifest.model_validate_json(archive.read(MANIFEST))
    except (KeyError, ValidationError, BadZipFile, zlib.error):
        raise TransferError("this is no backup of Ullage, or its manifest is damaged") from None


@contextmanager
def opened(path: Path) -> Iterator[ZipFile]:
    """The archive; damage found while reading it is told as what it is.

    Raises:
        TransferError: it cannot be read.
    """
    try:
        with ZipFile(path) as archive:
            yield archive
    except (BadZipFile, zlib.error, EOFError) as error:
        raise TransferError(f"the backup {path} is damaged: {error}. Nothing was restored") from None


def check_parts(path: Path, tell: Tell | None = None) -> Manifest:
    """Read the whole archive and compare every part with the manifest.

    Raises:
        TransferError: something is missing, too much, or not what it was.
    """
    with opened(path) as archive:
        manifest = read_manifest(archive)
        if set(archive.namelist()) != {MANIFEST, *manifest.parts}:
            raise TransferError(f"the backup {path} is damaged: it does not hold what its manifest lists")
        stage = Stage(tell, "reading through", sum(info.file_size for info in archive.infolist()))
        for name, part in manifest.parts.items():
            with archive.open(name) as file:
                digest = hashlib.sha256()
                for block in _blocks(file, stage):
                    digest.update(block)
            if digest.hexdigest() != part.sha256:
                raise TransferError(f"the backup {path} is damaged: {name} is not what was backed up")
    return manifest


def write_postgresql(connection: Connection, path: Path, made_at: str, tell: Tell | None = None) -> Manifest:
    """Write what one snapshot holds."""
    parts, rows = {}, {}
    in_all = sum(transfer.count_of(connection, table) for table in transfer.TABLES) if tell else 0
    stage = Stage(tell, "writing", in_all)
    with ZipFile(path, "w", ZIP_DEFLATED, compresslevel=LEVEL) as archive:
        for table in transfer.TABLES:
            columns = tuple(column.name for column in table.columns)
            digest = hashlib.sha256()
            words = psycopg.sql.SQL("COPY (SELECT {} FROM {}) TO STDOUT").format(
                _names(columns), psycopg.sql.Identifier(table.name)
            )
            name = f"{table.name}.copy"
            with (
                _driver(connection).cursor() as cursor,
                archive.open(name, "w", force_zip64=True) as file,
            ):
                with cursor.copy(words) as copy:
                    for block in copy:
                        digest.update(block)
                        file.write(block)
                        stage.add(bytes(block).count(b"\n"))  # of each row the end; within one it is escaped
                rows[table.name] = cursor.rowcount
            parts[name] = Part(sha256=digest.hexdigest(), rows=rows[table.name], columns=columns)
        manifest = Manifest(
            kind="postgresql",
            revision=str(migrate.revision_of(connection)),
            made_at=made_at,
            rows=rows,
            months=tuple(str(month) for month in months(connection)),
            last_numbers=transfer.last_numbers(connection),
            parts=parts,
        )
        archive.writestr(MANIFEST, manifest.model_dump_json(indent=1))
    return manifest


def load_postgresql(connection: Connection, path: Path, manifest: Manifest, tell: Tell | None = None) -> None:
    """Fill an empty database in the caller's transaction.

    Raises:
        TransferError: what was loaded is not what the manifest says; roll back.
    """
    migrate.upgrade_in(connection, manifest.revision)
    make_months(connection, (date.fromisoformat(month) for month in manifest.months))
    stage = Stage(tell, "restoring", sum(part.rows for part in manifest.parts.values()))
    with opened(path) as archive:
        for table in transfer.TABLES:
            part = manifest.parts.get(f"{table.name}.copy")
            if part is None:
                raise TransferError(f"the backup has no table {table.name}: a newer version made it?")
            words = psycopg.sql.SQL("COPY {} ({}) FROM STDIN").format(
                psycopg.sql.Identifier(table.name), _names(part.columns)
            )
            digest = hashlib.sha256()
            with _driver(connection).cursor() as cursor, archive.open(f"{table.name}.copy") as file:
                with cursor.copy(words) as copy:
                    for block in _blocks(file):
                        digest.update(block)
                        copy.write(block)
                        stage.add(block.count(b"\n"))
                loaded = cursor.rowcount
            if digest.hexdigest() != part.sha256 or loaded != part.rows:
                raise TransferError(f"the backup is damaged: {table.name} is not what was backed up")
    transfer.set_numbers(connection, dict(manifest.last_numbers))
    connection.exec_driver_sql("ANALYZE")


def write_sqlite(database: Path, path: Path, made_at: str, tell: Tell | None = None) -> Manifest:
    """Copy the database file while others use it, look it through, and put it into an archive.

    The copy, which is as large as the database, lies beside the archive until that is done.

    Raises:
        TransferError: the copy is not sound, because the database is not.
    """
    copied = path.parent / DATABASE_FILE
    with closing(sqlite3.connect(database)) as source, closing(sqlite3.connect(copied)) as copy:
        source.backup(copy)
        copy.execute("PRAGMA journal_mode=DELETE")  # one file, without a log beside it
        _refuse_damaged(copy)
        revision = copy.execute("SELECT version_num FROM alembic_version").fetchone()[0]
        rows = {t.name: _count(copy, t.name) for t in transfer.TABLES}
    digest, stage = hashlib.sha256(), Stage(tell, "writing", copied.stat().st_size)
    with ZipFile(path, "w", ZIP_DEFLATED, compresslevel=LEVEL) as archive:
        with copied.open("rb") as file, archive.open(DATABASE_FILE, "w", force_zip64=True) as out:
            for block in _blocks(file, stage):
                digest.update(block)
                out.write(block)
        parts = {DATABASE_FILE: Part(sha256=digest.hexdigest())}
        manifest = Manifest(kind="sqlite", revision=revision, made_at=made_at, rows=rows, parts=parts)
        archive.writestr(MANIFEST, manifest.model_dump_json(indent=1))
    copied.unlink()
    return manifest


def load_sqlite(database: Path, path: Path, manifest: Manifest, tell: Tell | None = None) -> None:
    """Put the archive's database in the place of an empty one: SQLite does that whole or not at all.

    Raises:
        TransferError: it is damaged; the target is as it was.
    """
    with tempfile.TemporaryDirectory(prefix=".ullage-", dir=database.parent) as folder:
        copied, digest = Path(folder) / DATABASE_FILE, hashlib.sha256()
        with opened(path) as archive, archive.open(DATABASE_FILE) as file, copied.open("wb") as out:
            for block in _blocks(file, Stage(tell, "restoring", archive.getinfo(DATABASE_FILE).file_size)):
                digest.update(block)
                out.write(block)
        if digest.hexdigest() != manifest.parts[DATABASE_FILE].sha256:
            raise TransferError(f"the backup {path} is damaged: {DATABASE_FILE} is not what was backed up")
        with closing(sqlite3.connect(copied)) as source, closing(sqlite3.connect(database)) as target:
            _refuse_damaged(source)
            source.backup(target)


def _refuse_damaged(connection: sqlite3.Connection) -> None:
    found = [row[0] for row in connection.execute("PRAGMA integrity_check(3)")]
    if found != ["ok"]:
        raise TransferError(f"the database file is damaged: {'; '.join(found)}")


def _count(connection: sqlite3.Connection, table: str) -> int:
    return int(connection.execute(f"SELECT count(*) FROM {json.dumps(table)}").fetchone()[0])


def _blocks(file: IO[bytes], stage: Stage | None = None) -> Iterator[bytes]:
    while block := file.read(BLOCK):
        yield block
        if stage is not None:
            stage.add(len(block))


def _names(columns: tuple[str, ...]) -> psycopg.sql.Composed:
    return psycopg.sql.SQL(", ").join(psycopg.sql.Identifier(name) for name in columns)


def _driver(connection: Connection) -> psycopg.Connection[Any]:
    driver: psycopg.Connection[Any] = connection.connection.driver_connection  # type: ignore[assignment]
    return driver
