"""``ullage db ...``: the database's schema, its upkeep, and whether all is well in it."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from app.cli.common import fail, open_database, settings_or_fail, stages_bar

if TYPE_CHECKING:
    from app.store.database import Database

db_app = typer.Typer(no_args_is_help=True, help="The database.")


@db_app.command()
def upgrade() -> None:
    """Bring the database to the newest schema."""
    from app.store.keeping import migrate

    with open_database(migrated=False) as database:
        migrate.upgrade(database)
        typer.echo(f"the database is at revision {migrate.current_revision(database)}")


@db_app.command("retention")
def retention_command(
    months: Annotated[
        int | None, typer.Option(min=0, max=1200, help="Instead of ULLAGE_RAW_RETENTION_MONTHS.")
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would go.")] = False,
) -> None:
    """End single on-line readings older than the setting; the worker does so once a day.

    Daily summaries and laboratories' samples stay.
    """
    from app.services.keeping.upkeep import end_of_raw
    from app.store.trouble import STORE_ERRORS, Trouble, trouble_of

    settings = settings_or_fail()
    keep = settings.raw_retention_months if months is None else months
    with open_database() as database:
        try:
            ended = end_of_raw(
                database, datetime.now(UTC), keep, keep_tables=settings.keep_raw_tables, dry_run=dry_run
            )
        except STORE_ERRORS as error:
            if trouble_of(error) is not Trouble.BUSY:
                raise
            fail("others have been reading on-line readings for long: nothing has gone, try again later")
    if ended.before is None:
        typer.echo("all on-line readings are kept: no retention is set (ULLAGE_RAW_RETENTION_MONTHS)")
        return
    verb = "would go" if dry_run else "have gone"
    typer.echo(f"{ended.readings} on-line readings taken before {ended.before:%Y-%m-%d} UTC {verb}")
    for month in ended.months:
        typer.echo(f"month {month:%Y-%m}")


@db_app.command("check")
def check_command(
    full: Annotated[bool, typer.Option("--full", help="All daily summaries, not only the newest.")] = False,
    mend: Annotated[
        bool, typer.Option("--mend", help="Make wrong daily summaries and missing months anew, then check.")
    ] = False,
) -> None:
    """Look whether the record is sound. Prints what is wrong and how to mend it, and exits with 1 then."""
    from app.services.keeping import check_database as service

    now = datetime.now(UTC)
    with open_database(migrated=False) as database:
        if mend:
            typer.echo(f"{service.mend(database, now, full=full)} summaries and months made anew")
        checked = service.check_database(database, now, full=full)
    typer.echo(f"looked at: {'; '.join(checked.looked_at)}")
    for one in checked.broken:
        examples = f" (e.g. {', '.join(str(e) for e in one.examples)})" if one.examples else ""
        typer.echo(f"WRONG, {one.count}: {one.what}{examples}\n  to mend it: {one.mend}", err=True)
    if checked.broken:
        raise typer.Exit(1)
    typer.echo("all is well")


@db_app.command("copy")
def copy_command(
    source: Annotated[str, typer.Option("--from", metavar="URL", help="The database to read.")],
    target: Annotated[str, typer.Option("--to", metavar="URL", help="A new, empty database.")],
) -> None:
    """Copy the whole record into another database, from SQLite to PostgreSQL or back, and read it back.

    Stop the servers first when they are to go on with the copy: what is recorded meanwhile is not in it.
    """
    from app.services.keeping.copy_database import copy_database
    from app.store.keeping.transfer import TransferError

    with _opened(source) as read, _opened(target) as written:
        if read.url == written.url:
            fail("both are the same database")
        try:
            with stages_bar() as tell:
                copied = copy_database(read, written, tell)
        except TransferError as error:
            fail(str(error))
    for table, rows in copied.rows.items():
        typer.echo(f"{table}: {rows}")
    typer.echo(f"{sum(copied.rows.values())} rows copied, read back and found the same")


@contextmanager
def _opened(url: str) -> "Iterator[Database]":
    from app.store.keeping import migrate

    try:
        database = migrate.open_database(url)
    except migrate.DatabaseUnusableError as error:
        fail(str(error))
    try:
        yield database
    finally:
        database.dispose()


def backup_command(
    file: Annotated[Path, typer.Argument(dir_okay=False, help="The file to write, e.g. ullage.backup")],
) -> None:
    """Write the whole record into one file, as it stands at one moment, while servers go on."""
    from app.services.keeping.backup import backup
    from app.store.keeping.transfer import TransferError

    with open_database(migrated=False) as database:
        try:
            made = backup(database, file, datetime.now(UTC))
        except (TransferError, OSError) as error:
            fail(f"no backup was made: {error}")
    rows, size = sum(made.rows.values()), file.stat().st_size / 1e6
    typer.echo(f"{file}: {rows} rows of {made.kind} at revision {made.revision}, {size:.1f} MB, read through")


def restore_command(
    file: Annotated[Path, typer.Argument(exists=True, dir_okay=False, readable=True)],
) -> None:
    """Fill the empty database of the settings from a backup: all of it, or nothing when anything is amiss."""
    from app.services.keeping.backup import restore
    from app.store.keeping.transfer import TransferError

    with open_database(migrated=False) as database:
        try:
            made = restore(database, file)
        except TransferError as error:
            fail(f"nothing was restored: {error}")
    typer.echo(f"{sum(made.rows.values())} rows restored as of {made.made_at}")
