"""The record into a file, and out of it into an empty database: all of it or nothing."""

import os
import tempfile
from datetime import datetime
from pathlib import Path

from app.store.database import Database
from app.store.keeping import archive, migrate, transfer
from app.store.keeping.archive import Manifest
from app.store.keeping.transfer import Tell, TransferError


def backup(database: Database, path: Path, now: datetime, tell: Tell | None = None) -> Manifest:
    """Write a backup of how the record stands at one moment, while others go on using it, and read it through.

    The file appears when it is whole; only its owner may read it, since it holds addresses and key digests.

    Raises:
        TransferError: there is a file of that name, the database is not at the program's revision, or is damaged.
        OSError: it cannot be written.
    """
    if path.exists():
        raise TransferError(f"{path} is there already; give another name")
    if not migrate.is_up_to_date(database):
        raise TransferError("the database is not at this version's revision: run `ullage db upgrade` first")
    path.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".ullage-", dir=path.parent) as folder:
        part = Path(folder) / "part"
        part.touch(mode=0o600)
        if database.is_sqlite:
            archive.write_sqlite(_file_of(database), part, now.isoformat(), tell)
        else:
            with database.snapshot() as connection:
                archive.write_postgresql(connection, part, now.isoformat(), tell)
        manifest = archive.check_parts(part, tell)
        with part.open("rb") as file:
            os.fsync(file.fileno())
        part.rename(path)
    return manifest


def restore(database: Database, path: Path, tell: Tell | None = None) -> Manifest:
    """Fill an empty database from a backup. When anything is amiss it stays as it was.

    Raises:
        TransferError: the backup is damaged, of another kind of store or a revision that is not known, or the
            database is not empty.
    """
    manifest = archive.check_parts(path, tell)
    kind = "sqlite" if database.is_sqlite else "postgresql"
    if manifest.kind != kind:
        raise TransferError(
            f"this is a backup of {manifest.kind}, the database is {kind}:"
            f" restore it into {manifest.kind} and move it with `ullage db copy`"
        )
    if manifest.revision not in migrate.known_revisions():
        raise TransferError(
            f"the backup is at revision {manifest.revision}, which this version does not know; install the newer one"
        )
    with database.write() as connection:
        transfer.refuse_unless_empty(connection)
        if migrate.revision_of(connection) not in (None, manifest.revision):
            raise TransferError("the database has another revision of the schema: give a new, empty one")
        if not database.is_sqlite:
            archive.load_postgresql(connection, path, manifest, tell)
    if database.is_sqlite:
        database.dispose()
        archive.load_sqlite(_file_of(database), path, manifest, tell)
    return manifest


def _file_of(database: Database) -> Path:
    return Path(str(database.url.database)).expanduser()
