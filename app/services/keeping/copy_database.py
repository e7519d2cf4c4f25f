"""The whole record from one database into another: SQLite to PostgreSQL, and back."""

from dataclasses import dataclass

from app.store.database import Connection, Database
from app.store.keeping import migrate, transfer
from app.store.keeping.transfer import Stage, Tell, TransferError


@dataclass(frozen=True, slots=True)
class Copied:
    """Rows by table, those without any left out."""

    rows: dict[str, int]


def copy_database(source: Database, target: Database, tell: Tell | None = None) -> Copied:
    """Copy every table, ids and all, in one transaction, and read it back before it is kept.

    The source is read as it stood at one moment; it may go on being used, but what it records meanwhile is not
    in the copy: stop the servers first when they are to go on with the target.

    Raises:
        TransferError: the source is not at the program's revision, the target is not empty, or what was read back
            is not what was read. The target is as it was.
    """
    with source.snapshot() as reading, target.write() as writing:
        _fit(reading, writing)
        in_all = sum(transfer.count_of(reading, table) for table in transfer.TABLES)
        copying, reading_back = Stage(tell, "copying", in_all), Stage(tell, "reading back", in_all)
        rows: dict[str, int] = {}
        for table in transfer.TABLES:
            copied = transfer.copy_table(reading, writing, table, copying)
            if transfer.sum_of(writing, table, reading_back) != copied:
                raise TransferError(
                    f"what stands in the target's table {table.name} is not what was read: nothing is kept of it"
                )
            if copied.rows:
                rows[table.name] = copied.rows
        transfer.set_numbers(writing, transfer.last_numbers(reading))
    return Copied(rows)


def _fit(reading: Connection, writing: Connection) -> None:
    head = migrate.newest_revision()
    if (found := migrate.revision_of(reading)) != head:
        raise TransferError(
            f"the source is at revision {found or 'none'}, the program at {head}: run `ullage db upgrade` on it first"
        )
    transfer.refuse_unless_empty(writing)
    if migrate.revision_of(writing) not in (None, head):
        raise TransferError("the target has another revision of the schema: give a new database")
    migrate.upgrade_in(writing)
